"""Malformed messages on a real broker: the group goes on, and a restart brings none again."""

from __future__ import annotations

from pathlib import Path

import httpx

from tests.faults.messages import SITE, all_cases
from tests.fleet.support import NOW, event_message, fact, running, settings
from tests.fleet.test_hub_live import event_numbers, kept
from tests.forward.conftest import authority, broker, observer  # noqa: F401
from tests.forward.sparkplug.broker import Mosquitto, Observer
from tests.forward.support import until


async def test_malformed_messages_are_dead_letters_once_and_the_group_goes_on(
    tmp_path: Path, broker: Mosquitto, observer: Observer,  # noqa: F811
) -> None:
    made = settings(tmp_path, broker.settings("observer"), groups=("north",))
    # A message type or a topic that no subscription asks for comes from no broker.
    cases = {name: m for name, m in all_cases().items()
             if m.topic and not m.topic.endswith("/gossip")}
    last = 100 + len(cases)

    def count() -> tuple[int, int]:
        found = kept(made, "SELECT count(*), total(count) FROM dead_letters")
        return int(str(found[0][0])), int(float(str(found[0][1])))

    async with running(made) as hub:
        await until(lambda: hub.figures()["connected"] == 1, "the broker")
        for n, message in enumerate(cases.values()):
            observer.publish(message.topic, message.payload)
            good = event_message(fact(SITE, "well", NOW + n), 101 + n)
            observer.publish(good.topic, good.payload)
        await until(lambda: last in event_numbers(made), "the good events")
        assert event_numbers(made) == list(range(101, last + 1))
        await until(lambda: count()[0] == len(cases), "the dead letters", 10)
        async with httpx.AsyncClient(base_url=hub.address) as anyone:
            answer = await anyone.get("/healthz")
            assert (answer.status_code, answer.json()) == (200, {"alive": True})
        assert hub.figures()["dead_letters"] == count()[1]
    before = count()
    async with running(made) as hub:
        good = event_message(fact(SITE, "well", NOW), 99_999)
        observer.publish(good.topic, good.payload)
        await until(lambda: 99_999 in event_numbers(made), "an event after the restart")
        assert hub.figures()["dead_letters"] == 0
    assert count() == before


async def test_a_group_whose_file_is_no_file_says_so_and_the_other_is_served(
    tmp_path: Path, broker: Mosquitto, observer: Observer,  # noqa: F811
) -> None:
    made = settings(tmp_path, broker.settings("observer"), groups=("north", "south"))
    made.data.mkdir(parents=True)
    (made.data / "group-north.sqlite").write_bytes(b"this is no database " * 100)
    async with running(made) as hub:
        good = event_message(fact(SITE, "well"), 7, prefix="quietpipe/south")
        await until(lambda: hub.figures()["connected"] == 1, "the other group")
        observer.publish(good.topic, good.payload)
        await until(lambda: kept(made, "SELECT seq FROM events", "south") == [(7,)], "its event")
        async with httpx.AsyncClient(base_url=hub.address) as anyone:
            answer = await anyone.get("/healthz")
        assert answer.status_code == 503
        assert answer.json() == {"alive": False, "groups": ["north"]}
