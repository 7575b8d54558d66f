"""Which events have come, by their numbers; what a broker owes is asked for once, then given up."""

from __future__ import annotations

import json
from dataclasses import asdict

from hypothesis import given
from hypothesis import strategies as st

from collector.fleet import Group
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_state import SequenceGaps, SiteState
from collector.forward.mqtt import Message
from tests.fleet.support import NOW, event_message, fact, received

SECOND = 1000


@given(st.lists(st.integers(1, 30), max_size=60))
def test_spans_hold_what_came_and_nothing_else(numbers: list[int]) -> None:
    made = SequenceGaps()
    for number in numbers:
        made.received("j", number)
        made = SequenceGaps.load(json.loads(json.dumps(asdict(made))))
    assert [n for a, b in made.spans for n in range(a, b + 1)] == sorted(set(numbers))
    assert all(before[1] + 1 < after[0]
               for before, after in zip(made.spans, made.spans[1:], strict=False))


def with_hole() -> SequenceGaps:
    made = SequenceGaps()
    for number in (1, 2, 5, 6):
        made.received("j", number)
    return made


def test_a_hole_is_asked_for_once_it_has_been_there_a_while() -> None:
    made = with_hole()
    assert not made.resume_due(NOW + 60 * SECOND), "nobody has said that they were told"
    made.announced("j", 6, NOW)
    made.announced("j", 6, NOW + 9 * SECOND)
    assert not made.resume_due(NOW + 9 * SECOND)
    assert made.resume_due(NOW + 10 * SECOND)
    assert not made.resume_due(NOW + 60 * SECOND), "once"
    made.received("j", 4)
    made.received("j", 3)
    assert made.spans == [[1, 6]]
    assert made.given_up(NOW + 600 * SECOND) == 0


def test_what_is_last_is_missed_too() -> None:
    made = SequenceGaps()
    made.received("j", 1)
    made.announced("j", 3, NOW)
    assert made.resume_due(NOW + 10 * SECOND)


def test_what_comes_in_time_is_not_asked_for() -> None:
    made = with_hole()
    made.announced("j", 6, NOW)
    made.received("j", 4)
    made.received("j", 3)
    assert not made.resume_due(NOW + 60 * SECOND)


def test_what_never_comes_is_given_up_and_a_later_hole_is_asked_for_again() -> None:
    made = with_hole()
    made.announced("j", 7, NOW)
    assert made.resume_due(NOW + 10 * SECOND)
    made.announced("j", 7, NOW + 20 * SECOND)
    assert made.given_up(NOW + 69 * SECOND) == 0
    assert made.given_up(NOW + 70 * SECOND) == 3
    assert made.spans == [[1, 7]]
    made.received("j", 9)
    made.announced("j", 9, NOW + 80 * SECOND)
    assert made.resume_due(NOW + 90 * SECOND)


def test_another_journal_begins_anew() -> None:
    made = with_hole()
    made.announced("j", 6, NOW)
    made.received("k", 40)
    made.announced("j", 6, NOW)
    made.announced("k", 40, NOW)
    assert not made.resume_due(NOW + 60 * SECOND)


def mark(behind: int, events: int | None) -> Message:
    said = {"site": "fenmoor", "journal": "j", "commit": 9, "behind": behind}
    return Message(topic="quietpipe/fenmoor/mark", qos=1, payload=json.dumps(
        said if events is None else said | {"events": events}).encode())


def told(behind: int, events: int | None) -> tuple[MessageHandler, Counts]:
    counts = Counts()
    handler = MessageHandler(Group(id="north", events_prefix="quietpipe"), {}, counts, 45_000)
    handler.handle(received(*(event_message(fact("fenmoor", "x"), n) for n in (1, 4)),
                         mark(behind, events)), NOW)
    return handler, counts


def test_holes_of_a_site_that_is_behind_or_of_an_older_kind_are_nobody_s_debt() -> None:
    assert told(1, 4)[0].missing(NOW + 60 * SECOND) == []
    assert told(0, None)[0].missing(NOW + 60 * SECOND) == []


def test_a_site_s_debt_is_named_once_kept_and_counted_when_it_is_lost() -> None:
    handler, counts = told(0, 4)
    assert handler.missing(NOW + 11 * SECOND) == ["fenmoor"]
    assert handler.missing(NOW + 12 * SECOND) == []
    kept = SiteState.load(json.loads(json.dumps(handler.states["fenmoor"].dump())))
    assert kept == handler.states["fenmoor"]
    assert counts.lost == 0
    handler.missing(NOW + 90 * SECOND)
    assert counts.lost == 2


def test_a_site_that_was_kept_before_there_were_numbers_is_read() -> None:
    raw = SiteState(group="north", site="fenmoor").dump()
    del raw["numbers"]
    assert SiteState.load(raw).numbers == SequenceGaps()
