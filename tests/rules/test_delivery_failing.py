"""delivery-failing: facts of messages that do not get through."""

from __future__ import annotations

from collector.domain.events import SystemEvent
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, Story, story

C = "delivery-failing"


def noted(s: Story, fact: str, at: int, who: str = "on-call") -> Story:
    s.events += s.monitor.record_event(SystemEvent(
        time=T0 + at, site="fenmoor", fact=f"delivery-{fact}", text="", values={"recipient": who},
    ))
    return s


def test_tries_that_fail_for_long():
    s = noted(story(), "not-through", MINUTE).advance(HOUR)
    noted(s, "resumed", HOUR).advance(2 * HOUR)
    assert s.moves(C) == [("raised", 11 * MINUTE), ("returned", HOUR + SECOND)]
    event = s.alarms(C)[0]
    assert event.values == {"recipients": "on-call", "given_up": 0}
    assert "Messages to on-call do not get through. None given up yet" in event.text


def test_a_short_outage_is_none():
    s = noted(story(), "not-through", MINUTE)
    noted(s, "resumed", 8 * MINUTE).advance(HOUR)
    assert s.moves(C) == []


def test_a_message_given_up_is_told_at_once():
    s = noted(noted(story(), "given-up", MINUTE), "given-up", 2 * MINUTE).advance(3 * MINUTE)
    assert s.moves(C) == [("raised", MINUTE + SECOND)]
    text = s.monitor.alarms()[0].text
    assert "2 given up so far" in text


def test_it_does_not_stay_for_ever():
    s = noted(story(), "given-up", MINUTE).advance(3 * DAY)
    assert s.moves(C) == [("raised", MINUTE + SECOND), ("returned", DAY + MINUTE)]


def test_each_recipient_counts():
    s = noted(noted(story(), "given-up", MINUTE), "given-up", MINUTE, "chief")
    noted(s, "resumed", HOUR).advance(2 * HOUR)
    assert s.moves(C) == [("raised", MINUTE + SECOND)]
    assert s.monitor.alarms()[0].values["recipients"] == "chief"
    noted(s, "resumed", 3 * HOUR, "chief").advance(4 * HOUR)
    assert s.moves(C)[-1] == ("returned", 3 * HOUR + SECOND)


def test_the_silent_site_is_the_fleet_ends():
    assert story().reason("site-silent", "fenmoor") == "watched by the fleet end"


def forwarding(s: Story, fact: str, at: int) -> Story:
    s.events += s.monitor.record_event(SystemEvent(
        time=T0 + at, site="fenmoor", fact=f"forwarding-{fact}", text="",
        values={"target": "InfluxDB"},
    ))
    return s


def test_a_far_end_that_stays_away_is_told_and_loses_nothing():
    s = forwarding(story(), "not-through", MINUTE).advance(HOUR)
    text = s.monitor.alarms()[0].text
    assert "InfluxDB does not take what is forwarded. The journal keeps it" in text
    assert "Messages to" not in text
    forwarding(s, "resumed", HOUR).advance(2 * HOUR)
    assert s.moves(C) == [("raised", 11 * MINUTE), ("returned", HOUR + SECOND)]


def test_a_recipient_and_a_far_end_are_told_apart():
    s = forwarding(noted(story(), "given-up", MINUTE), "not-through", MINUTE).advance(HOUR)
    text = s.monitor.alarms()[0].text
    assert "Messages to on-call do not get through. 1 given up so far." in text
    assert "InfluxDB does not take what is forwarded" in text
