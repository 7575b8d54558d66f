"""Timed pump-ups and fills, and what must not spoil or pass them."""

from __future__ import annotations

import pytest

from collector.acceptance.acceptance_service import evaluate
from collector.acceptance.step_readings import Outcome, StepEvaluation
from collector.acceptance.steps import Size
from collector.domain.readings import Reading
from tests.acceptance.step_readings import T0, a_plant, look, series, step_of

AIR, NITROGEN, FILL = "tank-air.gen1", "tank-nitrogen.gen1", "fill.r1"
TANK, RUN, MODE = "gen1.tank_pressure", "gen1.compressor_running", "gen1.mode"


def every(start: float, end: float, step: float = 5.0) -> list[float]:
    return [start + n * step for n in range(int((end - start) / step) + 1)]


def pumped(minutes: float, *, low: float = 0.0, high: float = 80.0, at: float = 60.0,
           step: float = 5.0, after: float = 0.0) -> tuple[list[Reading], list[Reading]]:
    """A tank at ``low`` that is pumped to ``high`` from ``at`` s on, and then stands still."""
    end = at + minutes * 60

    def psi(s: float) -> float:
        return low if s < at else min(low + (high - low) * (s - at) / (end - at), high)

    seconds = every(0, end + 20 + after, step)
    return series(TANK, psi, seconds), series(RUN, lambda s: float(at <= s < end), seconds)


def minutes_of(found: StepEvaluation) -> float:
    return next(m.value for m in found.measures if m.name == "time") / 60


@pytest.mark.parametrize(("minutes", "outcome"), [
    (5.5, Outcome.PASSED), (6.6, Outcome.FAILED),
])
def test_a_small_unit_fills_its_tank_on_air_in_six_minutes(
    minutes: float, outcome: Outcome,
) -> None:
    found = evaluate(step_of(AIR), look(*pumped(minutes, after=700)))
    assert found.outcome is outcome
    # From 2 psi, since a bled tank's gauge is not 0 to the last decimal.
    assert minutes_of(found) == pytest.approx(minutes * 78 / 80, abs=0.1)
    measure = found.measures[0]
    assert measure.source == TANK
    assert "common practice" in measure.limit_from


@pytest.mark.parametrize(("size", "outcome"), [
    (Size.SMALL, Outcome.PASSED), (Size.LARGER, Outcome.FAILED),
])
def test_a_larger_unit_has_less_time(size: Size, outcome: Outcome) -> None:
    rows = pumped(6.5, low=59.8, after=700)
    assert evaluate(step_of(NITROGEN, size=size), look(*rows)).outcome is outcome


def test_delivery_is_what_is_left_once_the_tank_has_cooled() -> None:
    # 60 gal and 20 psi are 8.02 ft3 * 20/14.696 = 10.92 scf at 68 degF, here in 5 min: 2.18 scfm.
    found = evaluate(step_of(NITROGEN), look(*pumped(5, low=60, after=800)))
    flow = next(m for m in found.measures if m.name == "delivery")
    molar = 8.314462618 * 293.15 / 101_325
    assert flow.value * molar * 60 / 0.3048**3 == pytest.approx(2.18, rel=0.02)


def test_the_pass_waits_for_the_tank_to_cool() -> None:
    found = evaluate(step_of(NITROGEN), look(*pumped(5, low=60)))
    assert found.outcome is Outcome.TIMING
    assert "Passed" in found.text
    assert "isolated" in found.text


def test_a_tank_that_was_not_left_alone_gives_no_delivery_and_says_why() -> None:
    tank, run = pumped(5, low=60, after=800)
    run = [r if not 560 < (r.time - T0) / 1000 < 600 else series(RUN, lambda _: 1.0,
           [(r.time - T0) / 1000])[0] for r in run]
    found = evaluate(step_of(NITROGEN), look(tank, run))
    assert found.outcome is Outcome.PASSED
    assert not [m for m in found.measures if m.name == "delivery"]
    assert "not left isolated" in found.remarks[-1]


def test_too_close_to_call_is_not_called() -> None:
    found = evaluate(step_of(NITROGEN), look(*pumped(8.02, low=60, step=20, after=700), gap=120))
    assert found.outcome is Outcome.UNDECIDED
    assert "more often" in found.text


def test_a_compressor_that_was_started_before_the_step_is_not_timed() -> None:
    tank, run = pumped(5, at=-120, after=700)
    found = evaluate(step_of(AIR), look(tank, run))
    assert found.outcome is Outcome.WAITING
    assert "2.0 psi or below" in found.text


def test_a_gap_while_it_is_timed_spoils_it_and_the_next_run_counts() -> None:
    tank, run = pumped(5, low=60)
    tank = [r for r in tank if not 120 < (r.time - T0) / 1000 < 180]
    spoilt = evaluate(step_of(NITROGEN), look(tank, run))
    assert spoilt.outcome is Outcome.WAITING
    assert "no reading for" in spoilt.text
    again = 500.0
    more, on = pumped(5, low=60, at=again, after=700)
    later = [[r for r in rows if r.time > T0 + 400_000] for rows in (more, on)]
    found = evaluate(step_of(NITROGEN), look(tank + later[0], run + later[1]))
    assert found.outcome is Outcome.PASSED
    assert "not counted" in found.remarks[0]


def test_a_tank_that_is_drawn_from_meanwhile_is_not_timed() -> None:
    tank, run = pumped(5, low=60)
    tank = [r if (r.time - T0) / 1000 < 200 or r.value is None else
            series(TANK, lambda _, v=r.value: v - 3, [(r.time - T0) / 1000])[0] for r in tank]
    found = evaluate(step_of(NITROGEN), look(tank, run))
    assert found.outcome is Outcome.WAITING
    assert "something drew" in found.text


def test_a_compressor_that_stops_short_of_cut_out_is_not_timed() -> None:
    found = evaluate(step_of(NITROGEN), look(*pumped(4, low=60, high=72)))
    assert found.outcome is Outcome.WAITING
    assert "short of cut-out" in found.text


def test_a_switch_that_opens_a_little_below_cut_out_is_cut_out() -> None:
    found = evaluate(step_of(NITROGEN), look(*pumped(5, low=60, high=79.2, after=700)))
    assert found.outcome is Outcome.PASSED


def test_a_sensor_that_falls_silent_is_named_with_its_reason() -> None:
    tank, run = pumped(5, low=60)
    dead = series(TANK, lambda _: None, every(200, 300))
    found = evaluate(step_of(NITROGEN),
                     look([r for r in tank if r.time < T0 + 200_000] + dead, run))
    assert found.outcome is Outcome.WAITING
    assert "No reading of gen1.tank_pressure" in found.text
    assert "no answer in time" in found.text


def test_a_clock_that_was_set_spoils_it() -> None:
    rows = pumped(8.5, low=60)
    assert evaluate(step_of(NITROGEN), look(*(r[:60] for r in rows), jumps=[T0])).outcome \
        is Outcome.VOID
    back = look(*(r[:60] for r in rows), now=-5)
    assert "set back" in evaluate(step_of(NITROGEN), back).text


def test_on_nitrogen_means_on_nitrogen() -> None:
    tank, run = pumped(5, low=60, after=700)
    mode = series(MODE, lambda s: 2.0 if s < 100 else 1.0, every(0, 1000))
    found = evaluate(step_of(NITROGEN), look(tank, run, mode))
    assert found.outcome is Outcome.WAITING
    assert "air-fill" in found.text


def test_a_failure_on_air_that_was_partly_on_nitrogen_is_no_failure() -> None:
    tank, run = pumped(8, after=700)
    mode = series(MODE, lambda s: 2.0 if s < 300 else 1.0, every(0, 1200))
    found = evaluate(step_of(AIR), look(tank, run, mode, now=1220))
    assert found.outcome is Outcome.WAITING
    assert "part of it was on nitrogen" in found.text


# -- system fill ---------------------------------------------------------------------------------

def filled(minutes: float, *, point: str = "r1.pressure", at: float = 60.0) -> list[Reading]:
    end = at + minutes * 60
    return series(point, lambda s: 0.0 if s < at else min(40 * (s - at) / (end - at), 40.0),
                  every(0, end + 30, 10))


@pytest.mark.parametrize(("minutes", "celsius", "outcome"), [
    (25, 15.0, Outcome.PASSED), (40, 15.0, Outcome.FAILED), (40, -20.0, Outcome.PASSED),
    (65, -20.0, Outcome.FAILED),
])
def test_half_an_hour_and_an_hour_in_a_freezer(
    minutes: float, celsius: float, outcome: Outcome,
) -> None:
    warmth = series("r1.pipe_temperature", lambda _: celsius, every(0, minutes * 60 + 90, 10))
    found = evaluate(step_of(FILL), look(filled(minutes), warmth))
    assert found.outcome is outcome
    assert "from memory" in found.measures[0].limit_from


def test_two_systems_at_once_are_not_timed() -> None:
    found = evaluate(step_of(FILL), look(filled(20), filled(20, point="r2.pressure")))
    assert found.outcome is Outcome.WAITING
    assert "Riser r2 was filled at the same time" in found.text


def test_a_pipe_that_is_not_empty_is_not_timed() -> None:
    half = series("r1.pressure", lambda s: min(20 + s / 60, 40.0), every(0, 1300, 10))
    found = evaluate(step_of(FILL), look(half))
    assert found.outcome is Outcome.WAITING
    assert "be empty" in found.text


def test_progress_is_told() -> None:
    found = evaluate(step_of(FILL), look(filled(20)[:60]))
    assert found.outcome is Outcome.TIMING
    assert "of 39.5 psi" in found.text


def test_steps_that_cannot_be_timed_say_what_is_missing() -> None:
    bare = a_plant(points=("gen1.compressor_running", "r1.pressure"))
    assert "gen1.tank_pressure" in step_of(AIR, bare).blocked
    assert "pipe_temperature" in step_of("tightness-24h.r1", bare).blocked
    assert "prove nothing" in step_of("tightness-24h.r1", bare).blocked
