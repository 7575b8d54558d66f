"""Purity, return, switch, legs and purge: what passes, what fails, what proves nothing."""

from __future__ import annotations

import pytest

from collector.acceptance.acceptance_service import evaluate
from collector.acceptance.step_readings import Outcome
from tests.acceptance.step_readings import T0, look, series, step_of

PURITY, RETURN, LOW = "purity.gen1", "return-to-nitrogen.gen1", "low-air.r1"
CONTACT, START, FINISH = "contact.gen1.trouble", "purge-start.v1", "purge-finish.v1"
RUN, MODE, OXYGEN = "gen1.compressor_running", "gen1.mode", "gen1.product_oxygen"


def every(end: float, step: float = 5.0) -> list[float]:
    return [n * step for n in range(int(end / step) + 1)]


def running(end: float, *, until: float = 1e9) -> tuple[list, list]:
    return (series(RUN, lambda s: float(s < until), every(end)),
            series(MODE, lambda _: 1.0, every(end)))


@pytest.mark.parametrize(("percent", "outcome"), [(0.9, Outcome.PASSED), (3.4, Outcome.FAILED)])
def test_purity_on_the_wire_after_the_warm_up(percent: float, outcome: Outcome) -> None:
    oxygen = series(OXYGEN, lambda s: 8.0 if s < 90 else percent, every(400))
    found = evaluate(step_of(PURITY), look(oxygen, *running(400)))
    assert found.outcome is outcome
    assert found.measures[0].value == pytest.approx(percent)


def test_a_standing_unit_and_air_fill_prove_no_purity() -> None:
    oxygen = series(OXYGEN, lambda _: 0.9, every(900))
    on, mode = running(900, until=100)
    assert evaluate(step_of(PURITY), look(oxygen, on, mode)).outcome is Outcome.WAITING
    air = series(MODE, lambda _: 2.0, every(900))
    assert evaluate(step_of(PURITY), look(oxygen, running(900)[0], air)).outcome is Outcome.WAITING


def test_a_silent_analyser_is_named() -> None:
    oxygen = series(OXYGEN, lambda s: 0.9 if s < 100 else None, every(300))
    found = evaluate(step_of(PURITY), look(oxygen, *running(300)))
    assert "No reading of gen1.product_oxygen" in found.text


def test_a_typed_purity_names_its_instrument() -> None:
    typed = {"value": "0.8", "instrument": "Oxygen meter", "serial": "4711", "by": "Ines Okoro"}
    found = evaluate(step_of(PURITY), look(typed=typed))
    assert found.outcome is Outcome.PASSED
    assert found.measures[0].source == ("Oxygen meter, serial number 4711, typed in by Ines Okoro")


def returning(minutes: float, *, entered: float = 60) -> list:
    back = entered + minutes * 60
    return series(MODE, lambda s: 2.0 if entered <= s < back else 1.0, every(back + 30))


@pytest.mark.parametrize(("minutes", "psi", "outcome"), [
    (12, 72.0, Outcome.PASSED), (31, 72.0, Outcome.FAILED), (12, 86.0, Outcome.FAILED),
])
def test_return_in_time_and_below_cut_out(minutes: float, psi: float, outcome: Outcome) -> None:
    tank = series("gen1.tank_pressure", lambda _: psi, every(minutes * 60 + 90))
    found = evaluate(step_of(RETURN), look(returning(minutes), tank))
    assert found.outcome is outcome
    assert found.measures[0].value == pytest.approx(minutes * 60, abs=6)


def test_air_fill_that_never_ends_fails_and_a_gap_in_it_voids() -> None:
    stuck = series(MODE, lambda s: 2.0 if s > 60 else 1.0, every(2400))
    assert evaluate(step_of(RETURN), look(stuck)).outcome is Outcome.FAILED
    gap = [r for r in returning(12) if not 200_000 < r.time - T0 < 400_000]
    assert evaluate(step_of(RETURN), look(gap)).outcome is Outcome.VOID
    assert evaluate(step_of(RETURN), look(series(MODE, lambda _: 1.0, every(60)))).outcome \
        is Outcome.WAITING


def falling(rate: float, operates: float, end: float = 600) -> tuple[list, list]:
    return (series("r1.low_air", lambda s: float(40 - rate * s <= operates), every(end)),
            series("r1.pressure", lambda s: 40 - rate * s, every(end)))


@pytest.mark.parametrize(("operates", "outcome"), [
    (30.5, Outcome.PASSED), (26.0, Outcome.FAILED), (33.5, Outcome.FAILED),
])
def test_the_switch_operates_at_its_pressure(operates: float, outcome: Outcome) -> None:
    found = evaluate(step_of(LOW), look(*falling(0.05, operates)))
    assert found.outcome is outcome
    assert found.measures[0].value == pytest.approx(operates, abs=0.3)


def test_too_fast_a_fall_proves_nothing_and_a_switch_operated_already_waits() -> None:
    assert evaluate(step_of(LOW), look(*falling(1.0, 30.0, 30))).outcome is Outcome.VOID
    on = series("r1.low_air", lambda _: 1.0, every(60))
    found = evaluate(step_of(LOW), look(on, series("r1.pressure", lambda _: 20.0, every(60))))
    assert "restore" in found.text


def legs(normally_open, normally_closed) -> tuple[list, list]:
    return (series("gen1.trouble_no", normally_open, every(100)),
            series("gen1.trouble_nc", normally_closed, every(100)))


def test_both_legs_change_over() -> None:
    found = evaluate(step_of(CONTACT),
                     look(*legs(lambda s: float(s > 50), lambda s: float(s <= 50))))
    assert found.outcome is Outcome.PASSED


def test_one_poll_between_the_legs_is_the_change_over() -> None:
    found = evaluate(step_of(CONTACT),
                     look(*legs(lambda s: float(s > 50), lambda s: float(s <= 45))))
    assert found.outcome is Outcome.PASSED


def test_legs_that_rest_alike_fail_and_one_state_is_half_the_proof() -> None:
    found = evaluate(step_of(CONTACT), look(*legs(lambda s: float(s > 50), lambda _: 1.0)))
    assert found.outcome is Outcome.FAILED
    assert "wire is broken" in found.text
    rest = evaluate(step_of(CONTACT), look(*legs(lambda _: 0.0, lambda _: 1.0)))
    assert rest.outcome is Outcome.WAITING
    assert "make it operate" in rest.text


def vent(oxygen, is_open=lambda _: 1.0, end: float = 7200) -> tuple[list, list]:
    return (series("v1.oxygen", oxygen, every(end, 60)), series("v1.open", is_open, every(end, 60)))


def test_a_purge_begins_when_oxygen_falls_behind_an_open_vent() -> None:
    found = evaluate(step_of(START), look(*vent(lambda s: 20.9 - s / 3600), gap=400))
    assert found.outcome is Outcome.PASSED
    still = evaluate(step_of(START), look(*vent(lambda _: 20.9), gap=400))
    assert still.outcome is Outcome.TIMING
    shut = evaluate(step_of(START), look(*vent(lambda s: 20.9 - s / 3600, lambda _: 0.0), gap=400))
    assert "vent to open" in shut.text


def test_a_purge_is_done_after_an_hour_at_its_target() -> None:
    found = evaluate(step_of(FINISH), look(*vent(lambda s: max(3.0 - s / 3600, 1.9), end=9000),
                                        gap=400))
    assert found.outcome is Outcome.PASSED
    steps = evaluate(step_of(FINISH), look(*vent(lambda s: (1.9, 2.0, 2.1, 2.0)[int(s / 60) % 4]),
                                        gap=400))
    assert steps.outcome is Outcome.PASSED
    back = evaluate(step_of(FINISH),
                    look(*vent(lambda s: 1.9 if s % 2700 < 1500 else 2.6), gap=400))
    assert back.outcome is Outcome.TIMING
    near = evaluate(step_of(FINISH), look(*vent(lambda _: 2.1), gap=400))
    assert near.outcome is Outcome.TIMING


def test_every_step_is_void_when_the_clock_was_set() -> None:
    for step_id in (PURITY, RETURN, LOW, CONTACT, START, FINISH):
        assert evaluate(step_of(step_id), look(jumps=[T0])).outcome is Outcome.VOID, step_id
