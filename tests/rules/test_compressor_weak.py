"""compressor-weak: a compressor that tires, and one that merely has more to do."""

from __future__ import annotations

import pytest

from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.errors import ActionRefused
from collector.domain.events import SystemEvent
from collector.domain.plant import Device
from collector.physics.estimate import Estimate
from collector.rules.weak import has_fallen
from tests.rules.restarts import with_restart
from tests.rules.support import DAY, HOUR, MINUTE, T0, Story
from tests.rules.tank import MODE, RUN, TANK, Tank, monitor, site

WEAK = "compressor-weak"


def weak(**given: object) -> Story:
    return monitor(site(pipe=None), WEAK, baseline_days=1, **given)


def tired(share: float, *, after: int = 26 * HOUR, demand: float = 0.6) -> Tank:
    return Tank(heat=0.05, noise=0.06,
                delivery=lambda at: 3.2 * (1 - share) if at >= after else 3.2,
                demand=lambda at: demand if at >= after else 0.6)


def test_a_third_less_is_raised_within_a_few_runs():
    s = weak().feed(tired(0.35).readings(36 * HOUR))
    (what, at), = s.moves(WEAK)
    assert what == "raised"
    assert 26 * HOUR < at < 33 * HOUR
    text = s.alarms(WEAK)[0].text
    for said in ("Compressor output low: Generator 1", "scfh", "the limit is 20 %",
                 "intake filter", "is not counted against it", "Caution: Compressors start"):
        assert said in text
    values = s.alarms(WEAK)[0].values
    assert values["low"] < values["delivery"] < values["high"] < values["baseline"]


def test_a_tenth_less_is_not():
    assert weak().feed(tired(0.1).readings(36 * HOUR)).moves(WEAK) == []


def test_a_baseline_that_is_hardly_known_proves_nothing():
    # 25 % less than a baseline that is itself known within a tenth, as rough gauges learn it.
    now = Estimate(value=75.0, deviation=3.0, freedom=7)
    assert has_fallen(now, Estimate(value=100.0, deviation=1.0), 0.2)
    assert not has_fallen(now, Estimate(value=100.0, deviation=8.0), 0.2)


def test_more_demand_is_no_weakness_though_the_runs_are_longer():
    assert weak().feed(tired(0.0, demand=1.8).readings(36 * HOUR)).moves(WEAK) == []


def test_weak_and_more_demand_at_once_is_weak():
    s = weak().feed(tired(0.35, demand=1.2).readings(36 * HOUR))
    assert [what for what, _ in s.moves(WEAK)] == ["raised"]


def test_it_returns_when_the_compressor_is_put_right():
    tank = Tank(delivery=lambda at: 2.0 if 26 * HOUR <= at < 34 * HOUR else 3.2)
    s = weak().feed(tank.readings(44 * HOUR))
    assert [what for what, _ in s.moves(WEAK)] == ["raised", "returned"]


def test_air_fill_brings_more_and_is_not_the_measure():
    def mode(at: int) -> float:
        return 2.0 if at < DAY and at % (4 * HOUR) < HOUR else 1.0
    tank = Tank(delivery=lambda at: 6.4 if mode(at) == 2.0 else 3.2, extra={MODE: mode})
    s = weak().feed(tank.readings(40 * HOUR))
    assert s.moves(WEAK) == []


def test_a_baseline_from_acceptance_needs_no_learning():
    mol = 3.2 / 60 * 6894.757 * 0.227125 / (8.314463 * 293.15)
    tank = Tank(delivery=2.0)
    s = monitor(site(pipe=None), WEAK, baseline=mol).feed(tank.readings(12 * HOUR))
    assert [what for what, _ in s.moves(WEAK)] == ["raised"]
    with pytest.raises(ActionRefused, match="site file"):
        s.monitor.act(reset(12 * HOUR))


def reset(at: int, why: str = "new compressor fitted") -> OperatorAction:
    return OperatorAction(kind=ActionKind.RESET_BASELINE, alarm="compressor-delivery.gen1",
                          time=T0 + at,
                  by="Ann", why=why)


def test_a_baseline_is_shown_learned_told_and_reset_with_a_reason():
    tank = Tank(delivery=lambda at: 3.2 if at < 26 * HOUR else 2.0)
    rows = list(tank.readings(60 * HOUR))
    s = weak()
    early = [b for b in s.monitor.baselines() if b.quantity == "compressor-delivery"]
    assert [(b.value, b.days, b.needed) for b in early] == [(None, 0, 1)]
    s.feed(r for r in rows if r.time < T0 + 36 * HOUR)
    learned = next(b for b in s.monitor.baselines() if b.quantity == "compressor-delivery")
    assert learned.value == pytest.approx(103.2, rel=0.02)
    facts = [e for e in s.events if isinstance(e, SystemEvent)]
    assert {"compressor-delivery", "pump-up-time", "nitrogen-demand"} == {
        f.values["quantity"] for f in facts if f.fact == "baseline-learned"}
    assert s.moves(WEAK)[-1][0] == "raised"
    with pytest.raises(ActionRefused, match="needs a reason"):
        s.monitor.act(reset(36 * HOUR, why=" "))
    fact, = s.monitor.act(reset(36 * HOUR))
    assert isinstance(fact, SystemEvent)
    assert fact.fact == "baseline-reset"
    assert (fact.values["by"], fact.values["why"]) == ("Ann", "new compressor fitted")
    assert "by Ann: new compressor fitted" in fact.text
    s.feed(r for r in rows if r.time >= T0 + 36 * HOUR)
    # What was held against the old baseline is over; the next day teaches a new one.
    assert s.moves(WEAK)[-1][0] == "returned"
    again = next(b for b in s.monitor.baselines() if b.quantity == "compressor-delivery")
    assert again.value is not None
    assert again.value < 0.85 * learned.value


def test_a_baseline_that_is_not_kept_cannot_be_reset():
    with pytest.raises(ActionRefused, match="no such baseline"):
        weak().monitor.act(OperatorAction(kind=ActionKind.RESET_BASELINE, alarm="oxygen.r1",
                                          time=T0, by="Ann",
                                why="because"))


def test_while_it_learns_it_says_so():
    s = weak().feed(Tank().readings(2 * HOUR))
    evaluation, = [v for v in s.monitor.evaluations() if v.condition == WEAK]
    assert "0 of 1 good days" in evaluation.because


def test_what_is_missing_is_said():
    s = monitor(site(tank=None), WEAK)
    assert s.reason(WEAK, "gen1") == "no tank_volume is set for gen1"
    for left_out, reason in ((TANK, "no tank pressure at gen1"),
                             (RUN, "no compressor running at gen1")):
        points = tuple(p for p in (TANK, RUN) if p != left_out)
        plant = site()
        wired = type(plant)(**{
            **{name: getattr(plant, name) for name in ("site", "generators", "risers", "vents")},
            "devices": {"c": Device(id="c", name="c", every=5000, points=points)},
        })
        assert monitor(wired, WEAK).reason(WEAK, "gen1") == reason


def test_a_restart_in_the_middle_changes_nothing():
    rows = list(tired(0.35).readings(36 * HOUR))
    off = {"compressor_weak": {"baseline_days": 1}}
    for cut in (len(rows) // 3, len(rows) - 2000):
        s = with_restart(rows, cut, site(pipe=None), **off)
        assert [w for w, _ in s.moves(WEAK)] == ["raised"], cut


def test_silence_leaves_it_standing():
    s = weak().feed(tired(0.35).readings(36 * HOUR)).advance(40 * HOUR + MINUTE)
    assert [what for what, _ in s.moves(WEAK)] == ["raised"]
