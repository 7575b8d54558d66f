"""journal-trouble: facts of a journal that cannot write, or was replaced."""

from __future__ import annotations

from collector.domain.events import SystemEvent
from tests.rules.support import HOUR, MINUTE, SECOND, T0, Story, story

C = "journal-trouble"


def noted(s: Story, fact: str, at: int, text: str = "The journal cannot be written: disk full"):
    s.events += s.monitor.record_event(SystemEvent(time=T0 + at, site="fenmoor", fact=fact,
                                                   text=text))
    return s


def test_it_lasts_until_the_journal_writes_again():
    s = noted(story(), "journal-trouble-begun", MINUTE)
    noted(s, "journal-trouble-ended", 20 * MINUTE, "It can be written again.").advance(HOUR)
    assert s.moves(C) == [
        ("raised", MINUTE + 10 * SECOND), ("returned", 20 * MINUTE + 30 * SECOND),
    ]
    event = s.alarms(C)[0]
    assert event.since == T0 + MINUTE
    assert "disk full" in event.text
    assert "kept in memory only" in event.text
    assert event.text.index("room on the disk") < event.text.index("another program")


def test_a_moment_of_trouble_is_none():
    s = noted(story(), "journal-trouble-begun", MINUTE)
    noted(s, "journal-trouble-ended", MINUTE + 5 * SECOND).advance(HOUR)
    assert s.moves(C) == []


def test_a_replaced_journal_is_told_for_a_while():
    s = noted(story(), "journal-replaced", MINUTE, "The journal was damaged. It is in old.sqlite.")
    s.advance(3 * HOUR)
    assert s.moves(C) == [
        ("raised", MINUTE + 10 * SECOND), ("returned", HOUR + MINUTE + 30 * SECOND),
    ]
    assert "It is in old.sqlite." in s.alarms(C)[0].text
