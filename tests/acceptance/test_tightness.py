"""Tightness: a temperature that explains a fall, a leak it hides, and what decides neither."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from collector.acceptance.acceptance_service import evaluate
from collector.acceptance.step_readings import Outcome, StepEvaluation, StepReadings
from collector.domain.readings import Reading
from tests.acceptance.step_readings import T0, look, series, step_of

DAY, TWO = "tightness-24h.r1", "tightness-2h.r1"
ATM = 14.696


def held(hours: float, *, loss_per_day: float, celsius: Callable[[float], float],
         psi: float = 40.0, every: float = 60.0, noise: float = 0.02, seed: int = 1,
         ) -> tuple[list[Reading], list[Reading]]:
    """Pressure and temperature of a pipe that loses gas at a steady rate, by the gas law alone."""
    rng = random.Random(seed)
    kelvin = celsius(0) + 273.15

    def gauge(s: float) -> float:
        gas = (psi + ATM - loss_per_day * s / 86_400) / kelvin
        return gas * (celsius(s) + 273.15) - ATM + rng.gauss(0, noise)

    seconds = [n * every for n in range(int(hours * 3600 / every) + 3)]
    return (series("r1.pressure", gauge, seconds),
            series("r1.pipe_temperature", lambda s: celsius(s) + rng.gauss(0, 0.03), seconds))


def steady(_: float) -> float:
    return 15.0


def cooling(s: float) -> float:
    """10 degF (5.56 degC) colder after a day: 1.03 psi at 40 psi by itself (check value)."""
    return 15.0 - 5.56 * s / 86_400


def loss(found: StepEvaluation) -> float:
    return next(m.value for m in found.measures if m.name == "loss at one temperature")


@pytest.mark.parametrize(("lost", "outcome"), [(0.4, Outcome.PASSED), (2.5, Outcome.FAILED)])
def test_new_pipe_may_lose_a_psi_and_a_half_in_a_day(lost: float, outcome: Outcome) -> None:
    found = evaluate(step_of(DAY), look(*held(24, loss_per_day=lost, celsius=steady)))
    assert found.outcome is outcome
    assert loss(found) == pytest.approx(lost, abs=0.1)
    assert "NFPA 13" in found.measures[0].limit_from


@pytest.mark.parametrize(("per_day", "outcome"), [(20.0, Outcome.PASSED), (50.0, Outcome.FAILED)])
def test_pipe_in_service_may_lose_three_psi_in_two_hours(
    per_day: float, outcome: Outcome,
) -> None:
    found = evaluate(step_of(TWO), look(*held(2, loss_per_day=per_day, celsius=steady)))
    assert found.outcome is outcome
    assert loss(found) == pytest.approx(per_day / 12, abs=0.1)
    assert "NFPA 25" in found.measures[0].limit_from


def test_a_fall_that_the_cold_explains_is_no_leak() -> None:
    # The gauge falls by 1.03 + 0.6 psi, more than 1.5; only 0.6 psi of it is gas.
    rows = held(24, loss_per_day=0.6, celsius=cooling)
    first, last = rows[0][0].value, rows[0][-1].value
    assert first is not None
    assert last is not None
    assert first - last > 1.5
    found = evaluate(step_of(DAY), look(*rows))
    assert found.outcome is Outcome.PASSED
    assert loss(found) == pytest.approx(0.6, abs=0.1)


def test_warmth_does_not_hide_a_leak() -> None:
    rows = held(24, loss_per_day=2.2, celsius=lambda s: 15.0 + 5.56 * s / 86_400)
    assert (rows[0][0].value or 0) - (rows[0][-1].value or 0) < 1.5
    assert evaluate(step_of(DAY), look(*rows)).outcome is Outcome.FAILED


def test_a_loss_whose_interval_covers_the_limit_is_not_decided() -> None:
    rows = held(24, loss_per_day=1.5, celsius=lambda s: 15 + 3 * math.sin(s / 9000), noise=0.25)
    found = evaluate(step_of(DAY), look(*rows))
    assert found.outcome is Outcome.UNDECIDED
    assert "Not decided" in found.text


def test_it_is_not_over_before_its_time_and_tells_the_loss_so_far() -> None:
    found = evaluate(step_of(DAY), look(*held(6, loss_per_day=1.0, celsius=steady)))
    assert found.outcome is Outcome.TIMING
    assert "of 24 h" in found.text
    assert "Lost so far" in found.text


def test_the_wrong_pressure_is_refused_at_the_beginning() -> None:
    found = evaluate(step_of(DAY), look(*held(1, loss_per_day=1, celsius=steady, psi=25)))
    assert found.outcome is Outcome.VOID
    assert "40.0 psi" in found.text


def test_gas_let_in_meanwhile_is_seen() -> None:
    pressure, warmth = held(24, loss_per_day=4, celsius=steady)
    topped = [r if r.time < T0 + 40_000_000 or r.value is None else
              series(r.point, lambda _, v=r.value: v + 1.6, [(r.time - T0) / 1000])[0]
              for r in pressure]
    found = evaluate(step_of(DAY), look(topped, warmth))
    assert found.outcome is Outcome.VOID
    assert "Gas came in" in found.text


def test_a_slow_supply_that_holds_it_up_is_seen() -> None:
    found = evaluate(step_of(DAY), look(*held(24, loss_per_day=-2.0, celsius=steady)))
    assert found.outcome is Outcome.VOID
    assert "supply is not shut" in found.text


def test_hours_unseen_decide_nothing() -> None:
    pressure, warmth = held(24, loss_per_day=0.2, celsius=steady)
    gone = [r for r in warmth if not 20_000_000 < r.time - T0 < 40_000_000]
    found = evaluate(step_of(DAY), look(pressure, gone))
    assert found.outcome is Outcome.UNDECIDED
    assert "of the time only" in found.text


@pytest.mark.parametrize("every", [5.0, 40.0, 240.0])
def test_a_device_that_is_seldom_asked_decides_it_too(every: float) -> None:
    rows = held(24, loss_per_day=0.4, celsius=steady, every=every)
    found = evaluate(step_of(DAY), look(*rows))
    assert found.outcome is Outcome.PASSED


def test_a_restart_of_the_watch_does_not_spoil_a_day() -> None:
    pressure, warmth = ([r for r in rows if not 30_000_000 < r.time - T0 < 34_000_000]
                        for rows in held(24, loss_per_day=0.4, celsius=steady))
    assert evaluate(step_of(DAY), look(pressure, warmth)).outcome is Outcome.PASSED


def test_no_temperature_at_all_waits_and_a_clock_that_was_set_voids() -> None:
    pressure, warmth = held(3, loss_per_day=0.2, celsius=steady)
    silent: StepReadings = look(pressure)
    assert evaluate(step_of(TWO), silent).outcome is Outcome.WAITING
    assert "pipe_temperature" in evaluate(step_of(TWO), silent).text
    assert evaluate(step_of(TWO), look(pressure, warmth, jumps=[T0])).outcome is Outcome.VOID


def test_the_leak_is_told_as_a_flow_too() -> None:
    found = evaluate(step_of(TWO), look(*held(2, loss_per_day=24, celsius=steady)))
    flow = next(m for m in found.measures if m.name == "leak")
    # 1 psi an hour out of 450 gal (60.16 ft3) at 15 degC: 60.16/14.696 = 4.09 ft3 an hour.
    molar = 8.314462618 * 288.15 / 101_325
    assert flow.value * molar * 3600 / 0.3048**3 == pytest.approx(4.09, rel=0.06)
