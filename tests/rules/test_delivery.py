"""Demand, delivery and pump-up time, against a tank on paper and against the bundled plant."""

from __future__ import annotations

import doctest
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from collector.domain.events import EstimateMade
from collector.domain.readings import Reading
from collector.physics.gas import R
from collector.rules import rates
from collector.rules.rates import flow_factor, moles_per_psi
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, Story
from tests.rules.tank import (
    GALLON,
    MODE,
    OPEN,
    RUN,
    SCFH,
    TANK,
    P,
    Tank,
    monitor,
    recorded,
    site,
)

PSI = 6894.757293168
QUANTITIES = ("compressor-delivery", "nitrogen-demand", "pump-up-time")


def last(s: Story, quantity: str) -> EstimateMade:
    return s.estimates(quantity)[-1]


def scfh(psi_per_minute: float, celsius: float = 20.0) -> float:
    """Return a rate of the 60 gal tank as a flow, by the gas law alone."""
    moles = psi_per_minute / 60 * PSI * 0.22712470704 / (8.314462618 * (celsius + 273.15))
    return moles * 379.482 / 453.59237 * 3600  # scf per lb-mol at 60 F, by check-values C


def test_the_gas_law_and_the_worksheet_agree():
    assert doctest.testmod(rates).failed == 0
    # An engineer's worksheet for air receivers (see collector.physics.pumpup): a tank of 183.75 ft3
    # that falls by 40 psi in 5 min at 350 cfm drawn is fed 250 cfm; the same in mol.
    volume, molar = 183.75 * 0.3048**3, 14.7 * PSI / (R * 288.70556)
    fall = 40 / 300 * moles_per_psi(volume, 15.55556)
    assert 350 - fall / molar / 0.3048**3 * 60 == pytest.approx(250, rel=1e-4)


def test_the_standard_of_a_flow_is_the_sites():
    assert flow_factor(site()) == pytest.approx(379.482 / 453.59237 * 3600, rel=2e-4)
    litres = flow_factor(site(units="metric"))
    assert litres / flow_factor(site()) == pytest.approx(0.3048**3 * 1000, rel=1e-9)


@pytest.mark.parametrize("heat", [0.0, 0.04, 0.08])
def test_a_tank_on_paper_with_and_without_heat(heat):
    s = monitor(site(pipe=None)).feed(Tank(heat=heat).readings(DAY + MINUTE))
    made, drawn = last(s, "compressor-delivery"), last(s, "nitrogen-demand")
    assert made.value == pytest.approx(scfh(3.2), rel=0.02)
    assert drawn.value == pytest.approx(scfh(0.6), rel=0.02)
    assert made.low <= scfh(3.2) <= made.high
    assert made.unit == "scfh"
    # A stop watch sees a warm tank reach cut-out early, by at most the heat.
    assert 20 / 3.2 / (1 + heat) <= last(s, "pump-up-time").value * 1.01 <= 20 / 3.2 * 1.03


@pytest.mark.parametrize(
    ("seed", "risers", "leak", "vent", "every"),
    [(901, 1, 0.1, "closed", 10), (902, 1, 0.05, "open", 10), (903, 4, 0.05, "closed", 10),
     (904, 2, 0.15, "timer", 20), (905, 1, 0.2, "closed", 60)],
)
def test_within_3_percent_of_the_bundled_plant(seed, risers, leak, vent, every):
    rows, (truth, *_) = recorded(
        seed=seed, risers=risers, leak=leak, vent=vent, every=every * SECOND)
    s = monitor(site(risers=risers)).feed(rows)
    made, drawn = last(s, "compressor-delivery"), last(s, "nitrogen-demand")
    assert made.value == pytest.approx(truth.delivery / SCFH, rel=0.03)
    assert drawn.value == pytest.approx(truth.demand / SCFH, rel=0.03)
    for found in (made, drawn):
        assert (found.high - found.low) / 2 < 0.06 * found.value


def test_without_the_pipes_volumes_the_interval_is_wider_and_still_holds():
    rows, (truth, *_) = recorded(seed=906, vent="open")
    known = last(monitor(site()).feed(rows), "compressor-delivery")
    blind = last(monitor(site(pipe=None)).feed(rows), "compressor-delivery")
    assert blind.high - blind.low > 2 * (known.high - known.low)
    assert blind.low <= truth.delivery / SCFH <= blind.high


def test_many_risers_of_unknown_volume_are_refused_with_what_to_do():
    rows, _ = recorded(seed=907, risers=6, leak=0.1, every=20 * SECOND)
    found = last(monitor(site(risers=6, pipe=None)).feed(rows), "nitrogen-demand")
    assert found.value is None
    assert "state the volume" in found.reason


def test_more_demand_does_not_touch_the_delivery():
    s = monitor(site(pipe=None)).feed(
        Tank(demand=lambda at: 0.4 if at < DAY else 1.2, heat=0.05).readings(2 * DAY + MINUTE))
    first, second = s.estimates("compressor-delivery")
    assert second.value == pytest.approx(first.value, rel=0.02)
    first, second = s.estimates("nitrogen-demand")
    assert second.value == pytest.approx(3 * first.value, rel=0.04)


@pytest.mark.parametrize(("pipe", "heat", "within"), [(None, 0.0, 0.12), (4000.0, 0.05, 0.05)])
def test_a_regulator_that_settles_after_each_run_looks_like_heat_and_widens_the_interval(
        pipe, heat, within):
    # It lags the tank's pressure by some minutes: the rests die away, and no heat does it.
    excess, dice = [0.0, 0.0], random.Random(1)

    def drawn(_: int) -> float:
        return 0.9 * (1.0 + excess[1])

    def heard() -> Iterator[Reading]:
        for r in Tank(demand=drawn, heat=heat, steady_riser=True).readings(2 * DAY + MINUTE):
            if r.point == P:  # rough in psi of so small a tank: the tank alone is used
                yield replace(r, value=r.value + dice.gauss(0.0, 0.3))
                continue
            if r.point == TANK:
                pull = (r.value - 70.0) / 84.7
                excess[0] += (pull - excess[0]) * 20.0 / 700.0
                excess[1] = pull - excess[0]
            yield r

    s = monitor(site(pipe=pipe and pipe * GALLON)).feed(heard())
    found = last(s, "compressor-delivery")
    assert found.low <= scfh(3.2) <= found.high
    assert found.value == pytest.approx(scfh(3.2), rel=within)


def test_metric_sites_read_litres():
    s = monitor(site(units="metric", pipe=None)).feed(Tank().readings(DAY + MINUTE))
    assert last(s, "nitrogen-demand").unit == "L/h"
    assert last(s, "nitrogen-demand").value == pytest.approx(scfh(0.6) * 28.316847, rel=0.02)


def test_a_gap_costs_the_cycle_it_fell_into_and_no_more():
    rows = [r for r in Tank().readings(DAY + MINUTE)
            if not 5 * HOUR < r.time % DAY < 5 * HOUR + 10 * MINUTE]
    s = monitor(site(pipe=None)).feed(rows)
    assert last(s, "compressor-delivery").value == pytest.approx(scfh(3.2), rel=0.01)
    assert last(s, "nitrogen-demand").value == pytest.approx(scfh(0.6), rel=0.02)


def test_air_fill_and_a_declared_fill_are_left_out():
    def mode(at: int) -> float:
        return 2.0 if 6 * HOUR <= at < 10 * HOUR else 1.0

    def made(at: int) -> float:
        return 6.4 if mode(at) == 2.0 else 3.2

    tank = Tank(delivery=made, extra={MODE: mode})
    s = monitor(site(pipe=None)).feed(tank.readings(DAY + MINUTE))
    assert last(s, "compressor-delivery").value == pytest.approx(scfh(3.2), rel=0.01)
    assert s.monitor.baselines()[0].days == 0  # a day with air-fill teaches nothing

    s = monitor(site(pipe=None))
    s.monitor.advance(next(iter(tank.readings(MINUTE))).time)
    s.monitor.declare_fill("gen1", s.monitor.statistics().now + 10 * HOUR)
    s.feed(Tank(delivery=lambda at: 6.4 if at < 10 * HOUR else 3.2).readings(DAY + MINUTE))
    assert last(s, "compressor-delivery").value == pytest.approx(scfh(3.2), rel=0.01)


def test_a_controller_that_reads_off_between_runs_says_nothing_about_its_runs():
    s = monitor(site(pipe=None)).feed(Tank(off_at_rest=True).readings(DAY + MINUTE))
    assert last(s, "compressor-delivery").value == pytest.approx(scfh(3.2), rel=0.01)
    assert last(s, "nitrogen-demand").value == pytest.approx(scfh(0.6), rel=0.02)


def test_a_frozen_logger_gives_no_figure():
    rows = list(Tank(extra={TANK: 70.0, P: 25.0}).readings(DAY + MINUTE))
    s = monitor(site(pipe=None)).feed(rows)
    assert last(s, "compressor-delivery").value is None
    assert "fewer than 3 clean runs" in last(s, "compressor-delivery").reason


@pytest.mark.parametrize(("missing", "reason"), [
    (TANK, "fewer than 3 clean runs"), (RUN, "fewer than 3 clean runs"),
])
def test_a_reading_that_never_comes_is_a_reason(missing, reason):
    nothing = float("nan")
    s = monitor(site()).feed(Tank(extra={missing: nothing}).readings(DAY + MINUTE))
    assert reason in last(s, "nitrogen-demand").reason


def test_without_a_tank_volume_only_the_time_is_known():
    s = monitor(site(tank=None, pipe=None)).feed(Tank().readings(DAY + MINUTE))
    assert last(s, "nitrogen-demand").reason == "no tank_volume is set for gen1"
    assert last(s, "compressor-delivery").reason == "no tank_volume is set for gen1"
    assert last(s, "pump-up-time").value == pytest.approx(20 / 3.2, rel=0.03)


def test_a_restart_anywhere_gives_the_same_figures():
    rows = list(Tank(heat=0.05, noise=0.06).readings(DAY + MINUTE))
    whole = monitor(site()).feed(rows)
    for cut in (1234, len(rows) // 2, len(rows) - 700):
        s = monitor(site()).feed(rows[:cut])
        state = s.monitor.dump()
        again = monitor(site())
        again.monitor.load(state, [])
        again.feed(rows[cut:])
        for quantity in QUANTITIES:
            assert last(again, quantity) == last(whole, quantity)


def test_polls_a_minute_apart_hardly_blunt_the_delivery():
    # Runs of six minutes: where between two polls one began and ended would be 7 % of it.
    rows, truths = recorded(seed=5, days=2, every=60 * SECOND, leak=0.05)
    s = monitor(site())
    s.feed(rows)
    for made, truth in zip(s.estimates("compressor-delivery")[-2:], truths, strict=True):
        assert made.value == pytest.approx(truth.delivery * flow_factor(site()), rel=0.03)
    for made, truth in zip(s.estimates("nitrogen-demand")[-2:], truths, strict=True):
        assert made.value == pytest.approx(truth.demand * flow_factor(site()), rel=0.03)


def test_runs_of_three_polls_are_known_by_their_rests():
    # Runs of two and a half minutes, three or four a day: a length of 2 or 3 polls says little.
    # The riser is read by a device of its own, so that no poll of the run itself is whole.
    tank = Tank(delivery=8.0, demand=0.06, heat=0.04, noise=0.15, every=60 * SECOND,
                steady_riser=True)
    s = monitor(site()).feed(
        replace(r, time=r.time + 7 * SECOND) if r.point == P else r
        for r in tank.readings(9 * DAY + MINUTE))
    drawn = [e.value for e in s.estimates("nitrogen-demand")[-5:]]
    assert drawn == [pytest.approx(scfh(0.06), rel=0.02)] * 5
    made = last(s, "compressor-delivery")
    assert made.low <= scfh(8.0) <= made.high


def test_a_riser_read_by_another_device_than_the_tank_is_taken_at_the_tanks_time():
    # A riser takes gulps, and the last one starts the compressor. The tank is read each minute,
    # the riser six times as often: gas on its way from one to the other must not be lost.
    def heard() -> Iterator[Reading]:
        tank, riser, on, gulping = 75.0, 25.0, False, False
        share, dt = 450 / 60, 2.0
        for at in range(0, 4 * DAY, int(dt * SECOND)):
            gulping = riser < 25.5 if gulping else riser < 24.5
            passed = 4.0 / 60 * dt if gulping else 0.0
            riser += passed / share - 0.1 / share / 60 * dt
            tank += (4.4 / 60 * dt if on else 0.0) - passed
            on = tank < 80.0 if on else tank <= 60.0
            offered = {P: (10, riser), TANK: (60, tank), RUN: (60, float(on)), MODE: (60, 1.0),
                       OPEN: (10, 0.0)}
            for point, (every, value) in offered.items():
                if (at // SECOND - 4 * (every == 10)) % every == 0:
                    yield Reading(point=point, asked=T0 + at, time=T0 + at, value=round(value, 3))

    s = monitor(site()).feed(heard())
    # The pipe is taken for 15 degrees C and the tank for 20 where neither is read.
    drawn = scfh(0.1) * 293.15 / 288.15
    assert last(s, "nitrogen-demand").value == pytest.approx(drawn, rel=0.03)
    assert last(s, "compressor-delivery").value == pytest.approx(scfh(4.4), rel=0.03)


def test_few_runs_a_day_are_weighed_by_their_falls_not_by_the_clock():
    # Four runs a day, a minute between polls: their edges alone are 3 % of a day's running time.
    rows, truths = recorded(seed=13, days=4, every=60 * SECOND, leak=0.03)
    s = monitor(site())
    s.feed(rows)
    found = s.estimates("nitrogen-demand")[-4:]
    made = [(e, t.demand * flow_factor(site())) for e, t in zip(found, truths, strict=True)
            if e.value is not None]
    assert len(made) >= 3
    assert max(abs(e.value / truth - 1) for e, truth in made) < 0.02
    assert sum(e.low <= truth <= e.high for e, truth in made) >= len(made) - 1


@pytest.mark.parametrize("start", [61.0, 62.0, 63.5, 65.0, 66.5, 68.0, 70.0, 73.0])
def test_a_day_that_ends_in_a_run_or_just_after_it_counts_each_part_once(start):
    # Runs of 7.7 min every 41 min: where midnight falls is moved through one of them.
    tank = Tank(heat=0.05, start=start, every=60 * SECOND, sag=0.0, noise=0.03)
    s = monitor(site(pipe=None)).feed(tank.readings(3 * DAY + MINUTE))
    found = [e.value for e in s.estimates("nitrogen-demand")[-2:]]
    assert found == [pytest.approx(scfh(0.6), rel=0.01)] * 2


def test_the_first_and_the_last_sample_of_a_run_tell_its_length():
    tank = Tank(demand=0.1, heat=0.05, every=60 * SECOND, sag=0.0, steady_riser=True)
    s = monitor(site()).feed(tank.readings(4 * DAY + MINUTE))
    assert last(s, "compressor-delivery").value == pytest.approx(scfh(3.2), rel=0.005)


def test_a_state_of_another_make_begins_anew():
    rows = list(Tank(heat=0.05).readings(3 * DAY + MINUTE))
    s = monitor(site(pipe=None)).feed(rows[:len(rows) // 2])
    state = s.monitor.dump()
    kept = _balance(state)["alone"]
    assert kept["runs_series"]
    kept["right"] = kept["right"][:-1]
    again = monitor(site(pipe=None))
    again.monitor.load(state, [])
    again.feed(rows[len(rows) // 2:])
    assert last(again, "nitrogen-demand").value == pytest.approx(scfh(0.6), rel=0.02)


def _balance(state: Any) -> dict[str, Any]:
    """Return the state of the gas balance, wherever a dump keeps it."""
    if not isinstance(state, dict):
        return {}
    if "alone" in state:
        return state
    return next((x for v in state.values() if (x := _balance(v))), {})


def test_a_cabinet_is_warmer_than_the_tank_beside_it():
    tank = Tank(extra={"gen1.cabinet_temperature": 25.0})
    s = monitor(site(rooms=False, pipe=None)).feed(tank.readings(DAY + MINUTE))
    e = last(s, "compressor-delivery")
    assert e.value == pytest.approx(scfh(3.2, 20.0), rel=0.01)
    assert e.low < scfh(3.2, 16.0) or e.high > scfh(3.2, 24.0)
