"""tank-leak: a tank that falls with nobody drawing, and a riser that draws."""

from __future__ import annotations

import math

import pytest

from simulators.scenario import Act
from tests.rules.support import HOUR, MINUTE, SECOND, T0, Story
from tests.rules.tank import OPEN, RUN, P, Tank, monitor, recorded, site

LEAK = "tank-leak"


def leak(**given: object) -> Story:
    return monitor(site(), LEAK, **given)


def leaking(rate: float, **more: object) -> Tank:
    """Return a tank that loses ``rate`` psi/min by itself, beside a riser that takes gulps."""
    return Tank(demand=rate, heat=0.05, noise=0.06, **more)  # type: ignore[arg-type]


def test_a_tank_that_falls_between_gulps_leaks():
    s = leak().feed(leaking(0.3).readings(6 * HOUR))
    assert [what for what, _ in s.moves(LEAK)] == ["raised"]
    text = s.alarms(LEAK)[0].text
    for said in ("Tank leak: Generator 1", "psi in an hour", "scfh", "drain",
                 "no riser drawing", "Caution"):
        assert said in text
    assert s.alarms(LEAK)[0].values["fall_psi_per_hour"] == pytest.approx(18, rel=0.1)


def test_a_tight_tank_is_absent_and_heat_is_no_leak():
    s = leak().feed(leaking(0.02).readings(12 * HOUR))
    assert s.moves(LEAK) == []
    evaluation, = [v for v in s.monitor.evaluations() if v.condition == LEAK]
    assert evaluation.state.value == "absent"


def test_a_riser_that_is_merely_steady_may_be_drawing():
    s = leak().feed(leaking(0.3, steady_riser=True).readings(6 * HOUR))
    assert s.moves(LEAK) == []
    evaluation, = [v for v in s.monitor.evaluations() if v.condition == LEAK]
    assert "its risers draw no gas" in evaluation.because


def test_a_riser_that_falls_below_its_last_gulp_is_drawing():
    # Open heads: the pipe sags and sags, and what it passes comes from the tank.
    def sagging(at: int) -> float:
        return 25.0 - 0.01 * (at % (40 * MINUTE)) / MINUTE if at < HOUR else (
            24.5 - 0.02 * (at - HOUR) / MINUTE)
    s = leak().feed(leaking(0.3, extra={P: sagging}).readings(5 * HOUR))
    assert s.moves(LEAK) == []


def test_nothing_is_said_while_a_vent_is_open():
    s = leak().feed(leaking(0.3, extra={OPEN: 1.0}).readings(6 * HOUR))
    assert s.moves(LEAK) == []


def test_nothing_is_said_during_a_declared_fill():
    s = leak().feed(leaking(0.3).readings(MINUTE))
    s.monitor.declare_fill("r1", s.monitor.statistics().now + 7 * HOUR)
    s.feed(leaking(0.3).readings(6 * HOUR, start=MINUTE))
    assert s.moves(LEAK) == []


def test_it_returns_when_the_tank_is_tight():
    tank = leaking(0.0)
    tank.demand = lambda at: 0.3 if at < 6 * HOUR else 0.01
    s = leak().feed(tank.readings(14 * HOUR))
    assert [what for what, _ in s.moves(LEAK)] == ["raised", "returned"]


def test_the_bundled_plant_leaks_and_its_risers_do_not_fool_it():
    acts = (Act(at=8 * HOUR, fault="tank-leak", on=True,
                params={"generator": "gen1", "flow": "0.3 scfm"}),)
    rows, _ = recorded(seed=911, leak=0.06, every=20 * SECOND, acts=acts)
    s = monitor(site(), LEAK).feed(r for r in rows if r.time < rows[0].time + 14 * HOUR)
    (what, at), = s.moves(LEAK)
    assert what == "raised"
    assert 8 * HOUR < at < 11 * HOUR


def test_what_is_missing_is_said():
    assert "no riser is said to be fed by gen1" in monitor(site(risers=0), LEAK).reason(LEAK,
                                                                                        "gen1")


def test_a_restart_anywhere_tells_the_same():
    rows = list(leaking(0.3).readings(4 * HOUR))
    whole = leak().feed(rows).moves(LEAK)
    for cut in (300, 1500, len(rows) // 2):
        s = leak().feed(rows[:cut])
        again = leak()
        again.monitor.load(s.monitor.dump(), [e for e in s.events if hasattr(e, "transition")])
        assert s.moves(LEAK) + again.feed(rows[cut:]).moves(LEAK) == whole


def test_trap_a_device_that_feeds_all_the_time_ripples_with_the_runs():
    # It passes more while the tank is full: 0.3 psi up after each run, and down with the tank.
    runs = [r for r in leaking(0.3).readings(12 * HOUR) if r.point == RUN]
    starts = [b.time for a, b in zip(runs, runs[1:], strict=False) if b.value > a.value]

    def rippling(at: int) -> float:
        since = min((at + T0 - s for s in starts if s <= at + T0), default=HOUR) / MINUTE
        return 24.3 + 0.3 * min(since / 5.0, 1.0) * math.exp(-max(since - 5.0, 0.0) / 30.0)

    s = leak().feed(leaking(0.3, extra={P: rippling}).readings(12 * HOUR))
    assert s.moves(LEAK) == []


def test_gulps_of_2_5_psi_at_uneven_times_show_that_the_device_is_shut():
    # A timer's vent makes four follow each other; then the pipe alone falls for hours.
    period = 5 * HOUR

    def gulping(at: int) -> float:
        into = at % period
        beat = 30 * MINUTE if into < 2 * HOUR else 3 * HOUR
        past = (into if into < 2 * HOUR else into - 2 * HOUR) % beat
        return 25.0 - 2.5 * past / beat

    s = leak().feed(leaking(0.3, extra={P: gulping}).readings(30 * HOUR))
    assert [what for what, _ in s.moves(LEAK)] == ["raised"]
