"""The book of alarms: verdicts, actions, timers, and the same book rebuilt from its events."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alarms.registry import AlarmRegistry
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.errors import ActionRefused
from collector.domain.evaluations import ConditionState, Evaluation
from collector.domain.events import AlarmTransition, Transition, event_from_json, event_to_json
from collector.domain.live import AlarmState

C, G = "compressor-long-run", "gen1"


def evaluation(standing, time, condition=C, asset=G, since=None):
    return Evaluation(condition=condition, asset=asset, state=ConditionState(standing), time=time,
                   since=since if since is not None else time - 1000,
                   text=f"text of {time}" if standing == "present" else "",
                   values={"run_minutes": time / 60_000})


def act(deed, time, alarm=f"{C}.{G}", by="kim", why="", until=None):
    return OperatorAction(kind=ActionKind(deed), alarm=alarm, time=time, by=by, why=why,
                          until=until)


def raised(time=5000):
    book = AlarmRegistry("fenmoor", {G: "Generator 1"},
                     lambda c, a: evaluation("present", 99_000, c, a, since=4000))
    return book, book.apply([evaluation("present", time)])


def told(events):
    return [e.transition.value for e in events]


def test_raised_once_however_often_it_is_said():
    book, events = raised()
    assert told(events) == ["raised"]
    assert events[0].id == "compressor-long-run.gen1.5"
    assert (events[0].since, events[0].text) == (4000, "text of 5000")
    assert book.apply([evaluation("present", 6000)]) == []


def test_an_unknown_leaves_it_as_it_is():
    book, _ = raised()
    assert book.apply([evaluation("unknown", 6000)]) == []
    assert book.alarms()[0].present


def test_acknowledged_then_returned_leaves_nothing():
    book, _ = raised()
    done = book.act(act("acknowledge", 7000, "compressor-long-run.gen1.5"))
    assert (told(done), done[0].by) == (["acknowledged"], "kim")
    back = book.apply([evaluation("absent", 65_000)])
    assert told(back) == ["returned"]
    assert back[0].text == (
        "Compressor running too long: Generator 1. Back to normal after 1 min 1 s.")
    assert book.alarms() == []


def test_returned_then_acknowledged_leaves_nothing():
    book, _ = raised()
    book.apply([evaluation("absent", 8000)])
    assert book.alarms()[0].state is AlarmState.RETURNED_UNACKNOWLEDGED
    book.act(act("acknowledge", 9000))
    assert book.alarms() == []


def test_raised_again_before_it_was_acknowledged_is_another_occurrence():
    book, first = raised()
    book.apply([evaluation("absent", 8000)])
    again = book.apply([evaluation("present", 9000)])
    assert (told(again), again[0].id) == (["raised"], "compressor-long-run.gen1.9")
    assert again[0].id != first[0].id


def test_shelved_with_an_end_and_raised_when_it_ends_while_it_holds():
    book, _ = raised()
    book.act(act("shelve", 10_000, why="the fitter is on site", until=60_000))
    live = book.alarms()[0]
    assert (live.state, live.until, live.why) == (
        AlarmState.SHELVED, 60_000, "the fitter is on site")
    assert book.next_due() == 60_000
    assert book.tick(59_999) == []
    ended = book.tick(60_000)
    assert told(ended) == ["unshelved", "raised"]
    assert ended[1].text == "text of 99000"
    assert book.next_due() is None


def test_shelved_and_gone_when_it_ends_is_normal():
    book, _ = raised()
    book.act(act("shelve", 10_000, why="known", until=60_000))
    assert book.apply([evaluation("absent", 20_000)]) == []
    assert told(book.tick(61_000)) == ["unshelved"]
    assert book.alarms() == []


def test_a_quiet_condition_can_be_taken_out_of_service_and_stays_so():
    book = AlarmRegistry("fenmoor", {G: "Generator 1"})
    out = book.act(act("take-out", 1000, why="rebuilt"))
    assert told(out) == ["out-of-service"]
    assert book.apply([evaluation("present", 2000)]) == []
    assert book.alarms()[0].present
    assert told(book.act(act("put-back", 3000))) == ["in-service", "raised"]


def test_suppression_by_design_ends():
    book, _ = raised()
    assert told(book.act(act("suppress", 6000, until=9000))) == ["suppressed"]
    assert told(book.tick(9000)) == ["unsuppressed", "raised"]


@pytest.mark.parametrize(("action", "words"), [
    (act("acknowledge", 9, alarm="compressor-long-run.gen1.4"), "no such alarm"),
    (act("acknowledge", 9, alarm="nonsense.gen1"), "no such alarm"),
    (act("acknowledge", 9, alarm="pressure-low.nowhere"), "no such alarm"),
    (act("unshelve", 9), "cannot take"),
    (act("shelve", 9, until=99_000), "needs a reason"),
    (act("shelve", 9, why="x"), "needs a time when it ends"),
    (act("shelve", 9, why="x", until=8), "already past"),
    (act("take-out", 9, why=" "), "needs a reason"),
])
def test_what_is_refused_has_no_effect(action, words):
    book, _ = raised()
    before = book.alarms()
    with pytest.raises(ActionRefused, match=words):
        book.act(action)
    assert book.alarms() == before


def test_acknowledging_twice_is_refused():
    book, _ = raised()
    book.act(act("acknowledge", 6000))
    with pytest.raises(ActionRefused):
        book.act(act("acknowledge", 7000))


def test_what_is_no_longer_watched_returns():
    book, _ = raised()
    back = book.reconcile({}, 9000)
    assert told(back) == ["returned"]
    assert "no longer watched" in back[0].text


STEPS = st.lists(st.tuples(
    st.sampled_from(["present", "absent", "unknown", "acknowledge", "shelve", "unshelve",
                     "suppress", "unsuppress", "take-out", "put-back", "tick"]),
    st.sampled_from([C, "air-fill-stuck"]),
    st.integers(1, 5000),
), max_size=40)


@given(STEPS)
def test_a_book_rebuilt_from_its_events_equals_the_live_one(steps):
    live = AlarmRegistry("fenmoor", {G: "Generator 1"},
                     lambda c, a: evaluation("present", 1000, c, a))
    events: list[AlarmTransition] = []
    holds = {}
    now = 0
    for what, condition, passed in steps:
        now += passed
        if what in ("present", "absent", "unknown"):
            if what != "unknown":
                holds[condition, G] = what == "present"
            events += live.apply([evaluation(what, now, condition)])
        elif what == "tick":
            events += live.tick(now)
        else:
            try:
                events += live.act(act(what, now, f"{condition}.{G}", why="w",
                                       until=now + 3000 if what == "shelve" else None))
            except ActionRefused:
                continue
    # Through the journal's own writing and back.
    again = AlarmRegistry("fenmoor", {G: "Generator 1"})
    again.rebuild(event_from_json(event_to_json(e)) for e in events)
    again.restore_active(holds)
    assert again.alarms() == live.alarms()
    assert again.next_due() == live.next_due()
    assert again.statistics() == live.statistics()


@given(STEPS)
def test_events_of_one_occurrence_follow_the_table(steps):
    book = AlarmRegistry("fenmoor", {G: "Generator 1"})
    now, seen = 0, set()
    for what, condition, passed in steps:
        now += passed
        if what in ("present", "absent"):
            for e in book.apply([evaluation(what, now, condition)]):
                if e.transition is Transition.RAISED:
                    assert e.id not in seen
                    seen.add(e.id)
                else:
                    assert e.id in seen
