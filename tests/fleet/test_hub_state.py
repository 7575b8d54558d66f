"""What the hub makes of births, data, deaths and silence; and of alarms in any order."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.events import AlarmTransition, Transition
from collector.fleet import Group
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_state import FleetAlarm, SiteState, merged
from collector.fleet.hub_store import Batch, GroupStore, group_file
from collector.forward.mqtt import Message, Received
from collector.forward.sparkplug.edge_node import is_rebirth_request
from tests.fleet.support import (
    DAY,
    NOW,
    FakeSite,
    alarm,
    came,
    estimate,
    event_message,
    fact,
    mark,
    received,
)


@pytest.fixture
def handler() -> MessageHandler:
    return MessageHandler(Group(id="north", events_prefix="quietpipe"), {}, Counts(), 45_000)


def test_births_say_what_the_numbers_mean(handler: MessageHandler) -> None:
    site = FakeSite("fenmoor", version="2.1.0", name="Fenmoor Cold Store")
    taken = handler.handle(received(*site.births(), site.data(NOW, 62.0)), NOW)
    state = handler.states["fenmoor"]
    assert (state.name, state.version, state.online) == ("Fenmoor Cold Store", "2.1.0", True)
    assert state.kinds == {"gen1": "generator", "r1": "riser"}
    pressure = state.things["gen1"]["tank_pressure"]
    assert (pressure.value, pressure.unit, pressure.time) == (62.0, "psi", NOW)
    assert state.things["gen1"]["mode"].value == "nitrogen"
    told = [(t.thing, t.metric, t.value) for _, many in taken.values for t in many]
    assert ("gen1", "tank_pressure", 62.0) in told
    assert not taken.ask


def test_history_is_told_but_is_not_the_last_word(handler: MessageHandler) -> None:
    site = FakeSite("fenmoor")
    handler.handle(received(*site.births()), NOW)
    taken = handler.handle(received(site.data(NOW - DAY, 40.0, historical=True)), NOW)
    assert [t.value for _, many in taken.values for t in many] == [40.0]
    assert handler.states["fenmoor"].things["gen1"]["tank_pressure"].value == 61.5


def test_a_gap_an_unknown_site_and_an_unknown_alias_ask_for_births(handler: MessageHandler) -> None:
    site = FakeSite("fenmoor")
    first = site.births()
    lost = site.data(NOW, 1.0)
    (ask,) = handler.handle(received(lost), NOW).ask
    assert ask.topic == "spBv1.0/north/NCMD/fenmoor"
    assert is_rebirth_request(ask.payload)
    assert not handler.handle(received(lost), NOW + 1000).ask, "not again and again"
    assert not handler.handle(received(*first), NOW + 40_000).ask
    site.data(NOW, 2.0)  # on its way and lost, as the first was
    assert handler.handle(received(site.data(NOW, 3.0)), NOW + 80_000).ask
    assert not handler.handle(received(*site.births()), NOW + 81_000).ask
    assert not handler.handle(received(site.data(NOW, 3.0)), NOW + 120_000).ask


def test_only_the_death_of_this_session_counts(handler: MessageHandler) -> None:
    old, new = FakeSite("fenmoor", bd_seq=4), FakeSite("fenmoor", bd_seq=5)
    handler.handle(received(*new.births(), old.node.death(NOW)), NOW)
    assert handler.states["fenmoor"].online
    handler.handle(received(new.node.death(NOW)), NOW)
    state = handler.states["fenmoor"]
    assert not state.online
    assert {m.quality for t in state.things.values() for m in t.values()} == {500}


def test_a_thing_dies_and_is_born_again(handler: MessageHandler) -> None:
    site = FakeSite("fenmoor")
    handler.handle(received(*site.births(), site.node.death_of("r1", NOW)), NOW)
    state = handler.states["fenmoor"]
    assert state.dead == ["r1"]
    assert state.things["r1"]["pressure"].quality == 500
    handler.handle(received(site.node.birth("r1", site.picture, NOW)), NOW)
    assert state.dead == []
    handler.handle(received(*site.births(silent=["r1"])), NOW)
    assert state.dead == ["r1"], "not born with the node"


@pytest.mark.parametrize("message", [
    Message(topic="spBv1.0/north/NBIRTH/x", payload=b"\xff"),
    Message(topic="quietpipe/x/events", payload=b"{"),
    Message(topic="quietpipe/x/events", payload=b"[]"),
    Message(topic="quietpipe/x/mark", payload=b'{"site":"y"}'),
    Message(topic="quietpipe/x/events", payload=b'{"site":"x"}'),
    Message(topic="quietpipe/x/events", payload=b'{"site":"x","journal":"j","seq":"?"}'),
    Message(topic="quietpipe/x/events", payload=b"\xff\xfe"),
    Message(topic="spBv1.0/north/NDATA/" + "x" * 300, payload=b""),
])
def test_a_broken_message_holds_up_nobody(handler: MessageHandler, message: Message) -> None:
    site = FakeSite("fenmoor")
    handler.handle(received(message, *site.births()), NOW)
    assert handler.states["fenmoor"].online


def test_another_group_s_messages_are_not_ours(handler: MessageHandler) -> None:
    handler.handle(received(*FakeSite("x", group="south").births()), NOW)
    assert not handler.states


def test_a_site_is_silent_by_its_death_or_by_absence_and_the_hub_s_own_deafness_is_neither(
    handler: MessageHandler,
) -> None:
    dead, mute, well = FakeSite("dead"), FakeSite("mute"), FakeSite("well")
    handler.handle(received(*dead.births(), *mute.births(), *well.births(),
                         dead.node.death(NOW)), NOW)

    def raised(now: int, since: int = NOW) -> list[tuple[str, str]]:
        found = handler.silences(now, since).events
        return [(c.site, c.event.transition.value) for c in found
                if isinstance(c.event, AlarmTransition)]

    assert raised(NOW + 14_000) == []
    assert raised(NOW + 16_000) == [("dead", "raised")]
    handler.handle(received(mark("well")), NOW + 40_000)
    assert raised(NOW + 44_000) == []
    assert raised(NOW + 46_000, since=NOW + 30_000) == [], "the hub itself was away"
    assert raised(NOW + 46_000) == [("mute", "raised")]
    assert raised(NOW + 47_000) == []
    handler.handle(received(*dead.births(NOW + 48_000), mark("mute")), NOW + 48_000)
    assert sorted(raised(NOW + 48_000)) == [("dead", "returned"), ("mute", "returned")]
    assert handler.states["mute"].silent is None


def test_a_silent_site_s_alarm_says_what_to_check(handler: MessageHandler) -> None:
    handler.handle(received(*FakeSite("fenmoor").births()), NOW)
    (only,) = handler.silences(NOW + 50_000, NOW).events
    assert isinstance(only.event, AlarmTransition)
    assert only.event.condition == "site-silent"
    assert "Silent is not normal" in only.event.text
    assert "line to the outside" in only.event.text


@given(st.permutations([
    (1, Transition.RAISED), (2, Transition.ACKNOWLEDGED), (3, Transition.SHELVED),
    (4, Transition.UNSHELVED), (5, Transition.RETURNED),
]))
def test_an_alarm_ends_the_same_in_whatever_order_its_events_come(
    order: list[tuple[int, Transition]],
) -> None:
    known: FleetAlarm | None = None
    for number, transition in order:
        known = merged(known, alarm("s", transition), number)
    assert known is not None
    assert {s: known.has(s) for s in ("present", "acknowledged", "shelved")} == {
        "present": False, "acknowledged": True, "shelved": False}
    assert FleetAlarm.load(json.loads(json.dumps(known.dump()))) == known


def standing(store: GroupStore) -> set[str]:
    return {row[0] for row in store._db.execute("SELECT id FROM alarms WHERE stands")}


@pytest.fixture
def store(tmp_path: Path) -> GroupStore:
    return GroupStore(group_file(tmp_path, "north"), "north")


def test_every_event_counts_once(store: GroupStore) -> None:
    events = [came(n, fact("fenmoor", str(n))) for n in range(5)]
    assert len(store.keep(Batch(events=events), NOW)) == 5
    assert store.keep(Batch(events=events), NOW) == []
    assert [c.seq for c in store.keep(Batch(events=[*events, came(9, fact("fenmoor", "9")), came(
        2, fact("hillside", "2")), came(2, fact("fenmoor", "2"), "other")]), NOW)] == [9, 2, 2]
    store.close()


def test_late_events_do_not_raise_what_has_returned(store: GroupStore) -> None:
    store.keep(Batch(events=[came(8, alarm("s", Transition.RETURNED))]), NOW)
    store.keep(Batch(events=[came(3, alarm("s"))]), NOW)
    assert standing(store) == set()
    store.keep(Batch(events=[came(9, alarm("s", condition="low-temperature"))]), NOW)
    assert len(standing(store)) == 1
    store.close()


def test_a_replaced_journal_ends_what_stood_in_the_old_one(store: GroupStore) -> None:
    store.keep(Batch(events=[came(8, alarm("s")), came(1, alarm("other"))]), NOW)
    store.keep(Batch(events=[came(1, fact("s", "new"), "k")]), NOW)
    assert store._db.execute("SELECT site FROM alarms WHERE stands").fetchall() == [("other",)]
    # And a number of the new journal is later than any of the old.
    store.keep(Batch(events=[came(2, alarm("s"), "k")]), NOW)
    assert len(store._db.execute("SELECT 1 FROM alarms WHERE stands").fetchall()) == 2
    store.close()


def test_the_newest_estimate_of_a_day_is_kept(store: GroupStore) -> None:
    for seq, value in ((5, 3.0), (4, 2.0), (6, 4.0)):
        store.keep(Batch(events=[came(seq, estimate("s", "leak-rate", "r1", value, NOW + seq))]),
                   NOW)
    store.keep(Batch(events=[came(7, estimate("s", "leak-rate", "r1", 9.0, NOW + DAY))]), NOW)
    rows = store._db.execute("SELECT value FROM estimates ORDER BY day").fetchall()
    assert rows == [(4.0,), (9.0,)]
    store.close()


def test_what_is_known_of_a_site_survives_a_restart(
    tmp_path: Path, handler: MessageHandler,
) -> None:
    site = FakeSite("fenmoor")
    handler.handle(received(*site.births(), site.data(NOW, 62.0), mark("fenmoor")), NOW)
    store = GroupStore(group_file(tmp_path, "north"), "north")
    store.keep(Batch(states=list(handler.states.values())), NOW)
    store.close()
    again = GroupStore(group_file(tmp_path, "north"), "north")
    assert again.states() == handler.states
    later = MessageHandler(Group(id="north", events_prefix="quietpipe"), again.states(), Counts(),
                           45_000)
    assert not later.handle(received(site.data(NOW + 1, 63.0)), NOW).ask, "its aliases are known"
    assert later.states["fenmoor"].things["gen1"]["tank_pressure"].value == 63.0
    again.close()


def test_history_lines_wait_their_turn_and_are_bounded(store: GroupStore) -> None:
    for n in range(5):
        store.keep(Batch(history=f"line {n}".encode()), NOW)
    assert store.bound_history(3) == 2
    first = store.next_history(1)
    assert first is not None
    assert first[1] == b"line 2"
    store.drop_history(first[0])
    rest = store.next_history(1)
    assert rest is not None
    assert rest[1] == b"line 3"
    store.close()


def test_messages_of_one_site_in_every_interleaving_with_another_s_are_the_same() -> None:
    mine, other = FakeSite("a"), FakeSite("b")
    left = received(*mine.births(), mine.data(NOW, 1.0))
    right = received(*other.births(), event_message(alarm("b"), 1))
    ends: list[dict[str, SiteState]] = []
    for where in itertools.combinations(range(len(left) + len(right)), len(left)):
        feed: list[Received] = []
        one, two = iter(left), iter(right)
        for n in range(len(left) + len(right)):
            feed.append(next(one) if n in where else next(two))
        handler = MessageHandler(Group(id="north", events_prefix="quietpipe"), {}, Counts(), 45_000)
        assert not handler.handle(feed, NOW).ask
        ends.append(handler.states)
    assert all(end == ends[0] for end in ends)
