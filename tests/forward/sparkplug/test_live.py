"""A site and a real broker: TLS, client certificates, an access list, cuts, restarts, rebirths."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.domain.errors import DeliveryRefused, DeliveryUnreachable
from collector.domain.readings import Quality
from collector.forward import BrokerSettings
from collector.forward.mqtt import Connection, Message, SessionSettings
from collector.forward.sparkplug import Metric, Payload, encode
from collector.forward.sparkplug.session import CONSUMER
from tests.forward.sparkplug.broker import Line, Mosquitto, Observer, Seen, closing
from tests.forward.support import SmallSite, decoded, reading, until

REBIRTH = encode(Payload(time=1, metrics=(Metric(name="Node Control/Rebirth", value=True),)))


@pytest.fixture
def site(tmp_path: Path, broker: Mosquitto) -> Iterator[SmallSite]:
    made = SmallSite(tmp_path, broker.settings("fenmoor"))
    yield made
    made.close()


def bd_seq(seen: Seen) -> int:
    return next(m.long_value for m in decoded(seen.payload).metrics if m.name == "bdSeq")


def values(observer: Observer) -> dict[tuple[str, int], tuple[Any, bool]]:
    """Every value of tank pressure that arrived as data or birth: time to value and historical."""
    alias, found = None, {}
    for seen in observer.of("DBIRTH", "DDATA"):
        if seen.thing != "gen1":
            continue
        for metric in decoded(seen.payload).metrics:
            if metric.name == "tank_pressure":
                alias = metric.alias
            if metric.alias == alias and not metric.is_null:
                was = found.get(metric.timestamp)
                found[metric.timestamp] = (metric.double_value,
                                           metric.is_historical and (was is None or was[1]))
    return {("tank", time): value for time, value in found.items()}


def missing(site: SmallSite, observer: Observer) -> set[int]:
    wanted = {r.time for r in site.sent if r.point == "gen1.tank_pressure"}
    return wanted - {time for _, time in values(observer)}


async def test_births_then_data_then_an_ordered_end(site: SmallSite, observer: Observer) -> None:
    site.read()
    async with site.published():
        await until(lambda: len(observer.of("DBIRTH")) == 2, "births")
        site.read(3)
        await until(lambda: not missing(site, observer), "data")
    await until(lambda: observer.of("NDEATH"), "the death")
    said = observer.of("NBIRTH", "DBIRTH", "DDATA", "DDEATH", "NDEATH")
    assert [s.verb for s in said[:3]] == ["NBIRTH", "DBIRTH", "DBIRTH"]
    assert said[-1].verb == "NDEATH"
    assert not any(s.retain for s in said)
    assert {s.qos for s in said[:-1]} == {0}
    assert said[-1].qos == 1
    numbers = [decoded(s.payload).seq for s in said[:-1]]
    assert numbers == [n % 256 for n in range(len(numbers))]
    assert bd_seq(said[0]) == bd_seq(said[-1])
    assert len(observer.of("NDEATH")) == 1, "its will must not follow an ordered end"
    assert site.journal.position(CONSUMER) == site.journal.last_commit


async def test_everything_already_told_stays_told_over_a_restart(
    site: SmallSite, observer: Observer,
) -> None:
    site.read(5)
    async with site.published() as worker:
        await until(lambda: not missing(site, observer) and worker.statistics().behind == 0, "all")
    before = len(observer.of("DDATA"))
    site.worker = site.new_worker()
    async with site.published():
        await until(lambda: len(observer.of("NBIRTH")) == 2, "the second birth")
        await asyncio.sleep(0.3)
    assert len(observer.of("DDATA")) == before


@pytest.mark.parametrize(("kept", "used"), [(None, 0), ("4", 5), ("254", 255), ("255", 0)])
async def test_bd_seq_counts_connections_and_wraps(
    site: SmallSite, observer: Observer, kept: str | None, used: int,
) -> None:
    if kept is not None:
        site.journal.commit([], [], meta={"mqtt_bd_seq": kept})
    site.read()
    async with site.published():
        await until(lambda: observer.of("NBIRTH"), "a birth")
    assert bd_seq(observer.of("NBIRTH")[0]) == used


async def test_a_cut_line_brings_the_will_and_the_next_birth_a_new_number(
    tmp_path: Path, broker: Mosquitto, observer: Observer,
) -> None:
    line = Line(broker.port)
    site = SmallSite(tmp_path, broker.settings("fenmoor", line.port))
    with closing(line, site):
        site.read()
        async with site.published():
            await until(lambda: observer.of("DBIRTH"), "births")
            line.cut()
            death = (await until(lambda: observer.of("NDEATH"), "the will"))[0]
            assert (death.qos, death.retain) == (1, False)
            assert bd_seq(death) == bd_seq(observer.of("NBIRTH")[0])
            assert not decoded(death.payload).HasField("seq")
            site.read(4)
            line.mend()
            await until(lambda: len(observer.of("NBIRTH")) == 2, "births again")
            await until(lambda: not missing(site, observer), "what was missed")
        first, second = observer.of("NBIRTH")
        assert bd_seq(second) == bd_seq(first) + 1
        assert decoded(second.payload).seq == 0
        flags = [historical for _, historical in values(observer).values()]
        assert any(flags), "what was missed is history"


async def test_rebirth_on_request(site: SmallSite, observer: Observer) -> None:
    site.read()
    async with site.published():
        await until(lambda: len(observer.of("DBIRTH")) == 2, "births")
        site.read(2)
        await until(lambda: not missing(site, observer), "data")
        observer.publish("spBv1.0/north/NCMD/fenmoor", encode(Payload(time=1, metrics=(
            Metric(name="Node Control/Reboot", value=True),))))
        observer.publish("spBv1.0/north/NCMD/fenmoor", b"\xff\xff")
        observer.publish("spBv1.0/north/NCMD/fenmoor", REBIRTH)
        await until(lambda: len(observer.of("DBIRTH")) == 4, "births again")
        site.read()
        await until(lambda: not missing(site, observer), "data again")
    first, second = observer.of("NBIRTH")
    assert bd_seq(first) == bd_seq(second), "the will of this connection still stands"
    said = observer.of("NBIRTH", "DBIRTH", "DDATA")
    after = said[said.index(second):]
    assert [decoded(s.payload).seq for s in after] == list(range(len(after)))
    assert [s.verb for s in after[:3]] == ["NBIRTH", "DBIRTH", "DBIRTH"]
    assert not observer.of("NDEATH")[:-1]


async def test_a_silent_thing_dies_and_is_born_again(
    site: SmallSite, observer: Observer, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.forward.sparkplug.session._SILENT", 300)
    monkeypatch.setattr("collector.forward.sparkplug.session._SILENT_POLLS", 0)
    site.read()

    def silence() -> None:
        now = site.clock.now()
        site.commit(reading("gen1.tank_pressure", now, 61.0),
                    reading("r1.pressure", now, None, Quality.STALE))

    async with site.published():
        await until(lambda: len(observer.of("DBIRTH")) == 2, "births")
        for _ in range(8):
            silence()
            await asyncio.sleep(0.1)
        (death,) = await until(lambda: observer.of("DDEATH"), "the thing's death")
        assert death.thing == "r1"
        assert decoded(death.payload).HasField("seq")
        before = len([s for s in observer.of("DDATA") if s.thing == "r1"])
        silence()
        await asyncio.sleep(0.2)
        assert len([s for s in observer.of("DDATA") if s.thing == "r1"]) == before
        site.read()
        await until(lambda: len(observer.of("DBIRTH")) == 3, "born again")
    assert observer.of("DBIRTH")[-1].thing == "r1"
    said = observer.of("NBIRTH", "DBIRTH", "DDATA", "DDEATH")
    assert [decoded(s.payload).seq for s in said] == list(range(len(said)))


def state(online: bool, at: int) -> bytes:
    return json.dumps({"online": online, "timestamp": at}).encode()


async def test_the_primary_host_s_absence_is_waited_out_and_then_made_good(
    tmp_path: Path, broker: Mosquitto, observer: Observer,
) -> None:
    site = SmallSite(tmp_path, broker.settings("fenmoor"), primary_host="hub")
    topic = "spBv1.0/STATE/hub"
    with closing(site):
        site.read(2)
        async with site.published() as worker:
            await until(lambda: "hub is away" in worker.statistics().why, "waiting")
            observer.publish("spBv1.0/STATE/other", state(True, 9), retain=True)
            observer.publish(topic, state(False, 10), retain=True)
            await asyncio.sleep(0.3)
            assert not observer.of("NBIRTH", "DBIRTH", "DDATA")
            observer.publish(topic, state(True, 20), retain=True)
            await until(lambda: not missing(site, observer), "births and data")
            observer.publish(topic, state(False, 19), retain=True)  # an old session's will, late
            await asyncio.sleep(0.3)
            assert not observer.of("NDEATH")
            observer.publish(topic, state(False, 30), retain=True)
            await until(lambda: observer.of("NDEATH"), "its leave")
            site.read(3)
            await asyncio.sleep(0.3)
            away = missing(site, observer)
            assert len(away) == 3
            observer.publish(topic, state(True, 40), retain=True)
            await until(lambda: not missing(site, observer), "what was missed")
        first, second = observer.of("NBIRTH")
        assert bd_seq(second) == bd_seq(first) + 1
        # The last of the three is the value at birth; the others come as history, in their order.
        history = [m.timestamp for s in observer.of("DDATA") if s.thing == "gen1"
                   for m in decoded(s.payload).metrics if m.is_historical and m.timestamp in away]
        assert history == sorted(history)
        assert set(history) == away
        await until(lambda: len(observer.of("NDEATH")) == 2, "its second leave")


async def test_live_goes_first_and_history_at_the_pace_that_was_set(
    tmp_path: Path, broker: Mosquitto, observer: Observer,
) -> None:
    site = SmallSite(tmp_path, broker.settings("fenmoor"), backfill=4000)
    with closing(site):
        for n in range(300):
            now = site.clock.now() - 86_400_000 + n * 1000
            site.commit(*(reading("gen1.tank_pressure", now + i, 50 + i) for i in range(20)))
        site.read()
        async with site.published() as worker:
            await until(lambda: len(observer.of("DBIRTH")) >= 1, "births")
            site.read(value=99.0)
            await until(lambda: any(v == (99.0, False) for v in values(observer).values()), "live")
            assert missing(site, observer), "the history must not have gone before it"
            assert worker.statistics().behind > 0
            await until(lambda: worker.statistics().behind == 0, "the history")
            await until(lambda: not missing(site, observer), "its arrival")
        assert worker.statistics().history == 6004
        times = [(m.alias, m.timestamp) for s in observer.of("DDATA") if s.thing == "gen1"
                 for m in decoded(s.payload).metrics if m.is_historical]
        assert len(times) == len(set(times)), "nothing twice"


@pytest.mark.parametrize("first", ["the observer", "the site", "either"])
async def test_a_broker_that_restarts_loses_nothing_whoever_is_back_first(
    tmp_path: Path, broker: Mosquitto, first: str,
) -> None:
    line, other = Line(broker.port), Line(broker.port)
    observer = Observer(broker.settings("observer", other.port))
    site = SmallSite(tmp_path, broker.settings("fenmoor", line.port))
    with closing(line, other, site, observer):
        async with site.published() as worker, at_work(site):
            for _ in range(2):
                await until(lambda: worker.statistics().born, "births")
                await asyncio.sleep(0.4)
                observer.lost()
                if first == "the observer":
                    line.cut()
                elif first == "the site":
                    other.cut()
                before = worker.statistics()
                await asyncio.to_thread(broker.restart)
                if first == "the site":
                    await until(lambda was=before: worker.statistics().sessions > was.sessions,
                                "the site")
                    # More than a broker sends at once to who returns to it.
                    await until(lambda was=before: worker.statistics().events > was.events + 60,
                                "a queue")
                    other.mend()
                await asyncio.to_thread(observer.wait_ready)
                line.mend()
        await all_came(site, observer)


async def test_a_line_that_is_cut_loses_nothing(
    tmp_path: Path, broker: Mosquitto, observer: Observer,
) -> None:
    line = Line(broker.port)
    site = SmallSite(tmp_path, broker.settings("fenmoor", line.port))
    with closing(line, site):
        async with site.published() as worker, at_work(site):
            for _ in range(2):
                await until(lambda: worker.statistics().born, "births")
                await asyncio.sleep(0.4)
                line.cut()
                await asyncio.sleep(0.3)
                line.mend()
        await all_came(site, observer)


@contextlib.asynccontextmanager
async def at_work(site: SmallSite) -> AsyncIterator[None]:
    """Commit a reading and an event all the time; at the end wait until all is told."""
    stop = asyncio.Event()

    async def work() -> None:
        while not stop.is_set():
            now = site.clock.now()
            site.commit(reading("gen1.tank_pressure", now, 60.0), events=(site.fact(str(now)),))
            await asyncio.sleep(0.01)

    working = asyncio.create_task(work())
    try:
        yield
        await asyncio.sleep(0.3)
    finally:
        stop.set()
        await working
    await until(lambda: site.worker.statistics().behind == 0, "all told", 30)


async def all_came(site: SmallSite, observer: Observer) -> None:
    """Every event and reading of the journal came; a QoS 1 message may have come again."""
    kept = [(site.journal.meta("journal_id"), e.seq) for e in site.journal.events()]
    assert site.journal.position(CONSUMER) == site.journal.last_commit, "all confirmed"

    def came() -> set[tuple[str, int]]:
        said = [json.loads(s.payload) for s in observer.of("events")]
        return {(e["journal"], e["seq"]) for e in said}

    with contextlib.suppress(AssertionError):
        await until(lambda: came() == set(kept) and not missing(site, observer), "all", 5)
    assert came() == set(kept)
    assert len(set(kept)) == len(kept)
    assert not missing(site, observer)


async def test_events_are_numbered_and_of_qos_1(site: SmallSite, observer: Observer) -> None:
    async with site.published():
        site.commit(events=(site.fact("one"), site.fact("two")))
        await until(lambda: len(observer.of("events")) == 2, "events")
    one, two = observer.of("events")
    assert one.topic == "quietpipe/fenmoor/events"
    assert (one.qos, one.retain) == (1, False)
    first, second = json.loads(one.payload), json.loads(two.payload)
    assert (first["text"], second["text"]) == ("one", "two")
    assert (first["kind"], second["seq"]) == ("site-file-read", first["seq"] + 1)
    assert first["journal"] == second["journal"] == site.journal.meta("journal_id")


async def sly(broker: Mosquitto) -> Connection:
    link = Connection(broker.settings("fenmoor"), SessionSettings(client_id="sly"))
    await link.open()
    return link


async def test_a_site_cannot_publish_as_another(
    broker: Mosquitto, observer: Observer,
) -> None:
    others = [
        "spBv1.0/north/NBIRTH/hillside", "spBv1.0/north/NDEATH/hillside",
        "spBv1.0/north/NDATA/hillside", "spBv1.0/north/DBIRTH/hillside/gen1",
        "spBv1.0/north/DDATA/hillside/gen1", "spBv1.0/north/DDEATH/hillside/gen1",
        "spBv1.0/north/NCMD/hillside", "spBv1.0/north/NCMD/fenmoor",
        "spBv1.0/STATE/hub", "quietpipe/hillside/events", "quietpipe/hillside/mark",
        "spBv1.0/north/DDATA/fenmoor/gen1/more", "spBv1.0/north/NBIRTH/fenmoor/x",
    ]
    for topic in others:
        for qos in (1, 0):
            link = await sly(broker)
            # Some brokers say no, some drop whoever tries.
            with contextlib.suppress(DeliveryUnreachable):
                if qos:
                    with pytest.raises(DeliveryRefused, match="Not authorized"):
                        await link.publish(Message(topic=topic, payload=b"x", qos=1))
                else:
                    await link.publish(Message(topic=topic, payload=b"x", qos=0))
                    await link.subscribe(("spBv1.0/north/NCMD/fenmoor", 1))
            await link.close()
    link = await sly(broker)
    await link.publish(Message(topic="quietpipe/fenmoor/events", payload=b"mine", qos=1))
    await link.close()
    await until(lambda: observer.of("events"), "its own")
    assert [s.topic for s in observer.seen] == ["quietpipe/fenmoor/events"]


async def test_a_site_cannot_leave_a_will_or_listen_as_another(
    broker: Mosquitto, observer: Observer,
) -> None:
    will = Message(topic="spBv1.0/north/NDEATH/hillside", payload=b"x", qos=1)
    link = Connection(broker.settings("fenmoor"), SessionSettings(client_id="sly", will=will))
    heard: list[Any] = []
    link._received = heard.extend
    try:
        await link.open()
        await link.subscribe(("spBv1.0/north/NCMD/hillside", 1), ("quietpipe/#", 1), ("#", 1))
    except (DeliveryRefused, DeliveryUnreachable):
        pass  # a broker may say no at once
    observer.publish("spBv1.0/north/NCMD/hillside", b"x")
    observer.publish("quietpipe/hillside/events", b"x")
    link.abort()
    await asyncio.sleep(0.3)
    await link.close()
    assert not heard
    assert not observer.of("NDEATH")


async def test_no_certificate_no_entry(broker: Mosquitto) -> None:
    known = broker.settings("fenmoor")
    bare = BrokerSettings(host=known.host, port=known.port, tls=True, ca=known.ca)
    link = Connection(bare, SessionSettings(client_id="x"), timeout=5)
    with pytest.raises(DeliveryUnreachable):
        await link.open()
    await link.close()


async def test_a_broker_that_another_signed_is_not_trusted(
    broker: Mosquitto, tmp_path_factory: pytest.TempPathFactory,
) -> None:
    from tests.forward.certificates import Authority

    other = Authority(tmp_path_factory.mktemp("other"))
    known = broker.settings("fenmoor")
    wrong = BrokerSettings(host=known.host, port=known.port, tls=True, ca=other.ca,
                           certificate=known.certificate, key=known.key)
    link = Connection(wrong, SessionSettings(client_id="x"), timeout=5)
    with pytest.raises(DeliveryUnreachable, match="certificate verify failed"):
        await link.open()
    await link.close()


async def test_what_is_long_out_of_reach_is_told_and_so_is_its_return(
    tmp_path: Path, broker: Mosquitto, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.forward._SHORT_OUTAGE", 500)
    line = Line(broker.port)
    site = SmallSite(tmp_path, broker.settings("fenmoor", line.port))
    with closing(line, site):
        line.cut()
        async with site.published():
            await until(lambda: site.notes, "the fact")
            line.mend()
            await until(lambda: len(site.notes) == 2, "the other fact")
    assert [n.fact for n in site.notes] == ["forwarding-not-through", "forwarding-resumed"]
    assert site.notes[0].values == {"target": "the MQTT broker"}


async def test_a_stop_is_quick_even_when_the_broker_hangs(
    tmp_path: Path, authority: Any, broker: Mosquitto,
) -> None:
    callers: list[asyncio.StreamWriter] = []

    async def mute(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        callers.append(writer)

    server = await asyncio.start_server(mute, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    site = SmallSite(tmp_path, broker.settings("fenmoor", port))
    with closing(site):
        task = asyncio.create_task(site.worker.run())
        await asyncio.sleep(0.3)
        site.worker.stop()
        await asyncio.wait({task}, timeout=1.5)
        assert task.done()
    server.close()
    for caller in callers:
        caller.close()
        await caller.wait_closed()


async def test_another_plant_ends_the_session_and_begins_one(
    site: SmallSite, observer: Observer,
) -> None:
    from dataclasses import replace

    site.read()
    async with site.published() as worker:
        await until(lambda: worker.statistics().born, "births")
        worker.use(site.settings, site.plant)
        worker.use(site.settings, replace(site.plant, risers={}, devices={
            k: d for k, d in site.plant.devices.items() if k == "controller"}))
        await until(lambda: len(observer.of("DBIRTH")) == 3, "new births")
        assert [s.thing for s in observer.of("DBIRTH")] == ["gen1", "r1", "gen1"]
        worker.use(None, site.plant)
        await until(lambda: "mqtt" not in site.journal.statistics().lags, "forgotten")
