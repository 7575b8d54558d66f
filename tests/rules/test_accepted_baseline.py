"""What a signed acceptance found: the conditions are held against it until somebody resets it."""

from __future__ import annotations

import json

import pytest

from collector.app.monitor import SiteMonitor
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.events import SystemEvent
from tests.rules.support import HOUR, MINUTE, SECOND, T0, Story, between, series, settings, story
from tests.rules.tank import Tank, monitor, site

LONG, WEAK = "compressor-long-run", "compressor-weak"
RUN, MODE = "gen1.compressor_running", "gen1.mode"


def accepted(quantity: str, value: float, unit: str, deviation: float = 0.0) -> SystemEvent:
    return SystemEvent(
        time=T0, site="works", fact="baseline-accepted", asset="gen1", text="…",
        values={"quantity": quantity, "value": value, "deviation": deviation, "unit": unit,
                "by": "Ines Okoro (technician)", "note": "x"})


def runs(s: Story, minutes: float) -> Story:
    return s.feed(series({RUN: between(60 * SECOND, round((1 + minutes) * MINUTE)), MODE: 1},
                         end=2 * HOUR))


def test_the_longest_run_follows_the_timed_pump_up() -> None:
    s = story()
    s.monitor.record_event(accepted("pump-up-time", 20.0, "min"))
    runs(s, 29)
    assert s.moves(LONG) == []
    s = story()
    s.monitor.record_event(accepted("pump-up-time", 4.0, "min"))
    runs(s, 9)
    assert [what for what, _ in s.moves(LONG)] == ["raised"]
    assert s.alarms(LONG)[0].values["limit_minutes"] == pytest.approx(6.0)
    assert "pump-up of the acceptance" in s.alarms(LONG)[0].text


def test_a_limit_of_the_site_file_goes_before_it() -> None:
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.monitor.record_event(accepted("pump-up-time", 4.0, "min"))
    assert runs(s, 9).moves(LONG) == []


def test_a_compressor_is_held_against_the_accepted_delivery_at_once() -> None:
    s = monitor(site(pipe=None), WEAK, baseline_days=1)
    s.monitor.record_event(accepted("compressor-delivery", 103.2, "scfh", 2.0))
    s.feed(Tank(delivery=2.0).readings(12 * HOUR))
    assert [what for what, _ in s.moves(WEAK)] == ["raised"]


def test_it_is_shown_with_who_signed_survives_a_restart_and_can_be_reset() -> None:
    s = monitor(site(pipe=None), WEAK, baseline_days=1)
    s.monitor.record_event(accepted("compressor-delivery", 103.2, "scfh", 2.0))
    again = SiteMonitor(plant=site(pipe=None),
                        settings=settings(compressor_weak={"baseline_days": 1}))
    again.load(json.loads(json.dumps(s.monitor.dump())), [])
    shown = next(b for b in again.baselines() if b.quantity == "compressor-delivery")
    assert (shown.value, shown.accepted_by) == (103.2, "Ines Okoro (technician)")
    fact, = again.act(OperatorAction(kind=ActionKind.RESET_BASELINE,
                                     alarm="compressor-delivery.gen1",
                             time=T0 + HOUR, by="Ann", why="new compressor fitted"))
    assert isinstance(fact, SystemEvent)
    assert fact.values["before"] == 103.2
    shown = next(b for b in again.baselines() if b.quantity == "compressor-delivery")
    assert (shown.value, shown.accepted_by) == (None, "")
