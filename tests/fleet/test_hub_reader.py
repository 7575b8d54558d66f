"""What the board reads from the files that hubs write."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from collector.fleet import Group
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_reader import FleetReader
from collector.fleet.hub_store import Batch, GroupStore, group_file
from tests.fleet.support import DAY, FakeSite, came, estimate, fact, received

NOW = round(datetime(2026, 5, 20, 12, tzinfo=UTC).timestamp() * 1000)


def _store(folder: Path) -> tuple[GroupStore, MessageHandler]:
    handler = MessageHandler(Group(id="north", events_prefix="q"), {}, Counts(), 45_000)
    handler.handle(received(*FakeSite("a").births(NOW), *FakeSite("b").births(NOW)), NOW)
    return GroupStore(group_file(folder, "north"), "north"), handler


def test_a_fleet_no_hub_has_served_yet_is_empty(tmp_path: Path) -> None:
    reader = FleetReader(tmp_path, ["north"])
    assert reader.facts(NOW).states == {}
    assert reader.estimates("north", "a") == []
    assert reader.events(lambda g, s: True, 0, NOW, 10) == []
    reader.close()


def test_changes_are_seen_trends_are_made_and_the_latest_estimate_is_the_latest(
    tmp_path: Path,
) -> None:
    store, handler = _store(tmp_path)
    reader = FleetReader(tmp_path, ["north"])
    events = []
    for day in range(120):
        value = 3.0 if day < 40 else 2.0
        events.append(came(1000 - day, estimate("a", "leak-rate", "r1", value + day % 5 / 50,
                                                NOW - day * DAY)))
    store.keep(Batch(events=events, states=list(handler.states.values())), NOW)
    assert store.refresh_trends(NOW, lambda: True) == 2
    assert store.refresh_trends(NOW, lambda: False) == 0
    facts = reader.facts(NOW)
    assert set(facts.states) == {"north/a", "north/b"}
    (trend,) = facts.trends["north/a"]
    assert trend.now > trend.before + 10 * trend.doubt
    (latest,) = reader.estimates("north", "a")
    assert (latest.value, latest.day) == (3.0, NOW // DAY)
    assert reader.estimates("north", "b") == reader.estimates("south", "a") == []
    handler.states["b"].version = "9.9.9"
    store.keep(Batch(states=[handler.states["b"]]), NOW + 10)
    assert reader.facts(NOW + 100).states["north/b"].version == "1.0.0", "fresh enough"
    assert reader.facts(NOW + 3000).states["north/b"].version == "9.9.9"
    reader.close()
    store.close()


def test_events_are_the_newest_of_allowed_sites(tmp_path: Path) -> None:
    store, handler = _store(tmp_path)
    store.keep(Batch(states=list(handler.states.values()), events=[
        came(n, fact(site, f"{site}{n}", NOW - n * 1000)) for n in range(50)
        for site in ("a", "b")]), NOW)
    reader = FleetReader(tmp_path, ["north"])
    found = reader.events(lambda g, s: s == "b", NOW - 20_000, NOW + 1, 5)
    assert [e.text for _, e in found] == ["b0", "b1", "b2", "b3", "b4"]
    assert len(reader.events(lambda g, s: True, NOW - 9_000, NOW - 5_000, 100)) == 8
    reader.close()
    store.close()
