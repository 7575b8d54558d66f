"""The forwarder against a strict server: order, outages, bad points, restarts, stops, TLS."""

from __future__ import annotations

import asyncio
import json
import socket
import ssl
import time
from itertools import groupby
from pathlib import Path

import pytest

from collector.domain.readings import Reading
from collector.forward import InfluxSettings, RetryPolicy
from collector.forward.influx.forwarder import CONSUMER
from tests.forward.certificates import Authority
from tests.forward.influx.conftest import MINUTE, PLANT, SECOND, T0, poll, reading
from tests.forward.influx.peers import StrictServer, free_port

DAY = 86_400_000


def v1(url: str, **more) -> InfluxSettings:
    return InfluxSettings(api="v1", url=url, database="sprinklers", **more)


def v2(url: str, **more) -> InfluxSettings:
    return InfluxSettings(api="v2", url=url, org="works", bucket="sprinklers", token="t0ken",
                          **more)


def v3(url: str, **more) -> InfluxSettings:
    return InfluxSettings(api="v3", url=url, database="sprinklers", token="t0ken", **more)


def wanted(readings: list[Reading]) -> dict[tuple[str, str, int], float]:
    """What must be at the far end: asset, quantity and time of every reading to trust."""
    return {(*r.point.split("."), r.time): r.usable for r in readings if r.usable is not None}


def held(server: StrictServer) -> dict[tuple[str, str, int], float]:
    return {
        (dict(tags)["asset"], name, time): value
        for (kind, tags, time), fields in server.points.items()
        if kind not in ("alarm", "estimate", "fact") for name, value in fields.items()
    }


@pytest.mark.parametrize(("settings", "path", "query", "authorization"), [
    (v1, "/write", "db=sprinklers&precision=ms", ""),
    (v2, "/api/v2/write", "org=works&bucket=sprinklers&precision=ms", "Token t0ken"),
    (v3, "/api/v2/write", "org=-&bucket=sprinklers&precision=ms", "Token t0ken"),
])
async def test_each_endpoint_gets_what_it_wants(bench, strict, settings, path, query,
                                                authorization):
    b = bench(settings(strict.url))
    readings = [r for n in range(50) for r in poll(T0 + n * 5 * SECOND)]
    b.journal.commit(readings, [])
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    assert strict.faults == []
    assert strict.requests == [{"path": path, "query": query, "authorization": authorization}]
    assert held(strict) == wanted(readings)
    assert b.journal.position(CONSUMER) == 1
    assert b.forwarder.statistics().withheld == sum(r.usable is None for r in readings)


async def test_a_user_of_a_v1_server_is_named(bench, strict):
    b = bench(v1(strict.url, username="quietpipe", password="wörd"))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    assert strict.requests[0]["authorization"].startswith("Basic ")


async def test_live_data_goes_in_batches_every_few_seconds(bench, strict):
    b = bench(v2(strict.url))
    b.start()
    sent = []

    def live() -> None:
        sent.extend(readings := poll(b.clock.now()))
        b.journal.commit(readings, [])

    await b.until(lambda: len(sent) >= 600, each=live)
    await b.until(b.caught_up)
    await b.stop()
    assert held(strict) == wanted(sent)
    # A hundred seconds in flushes of five, give or take what the machine was slow with.
    assert 10 <= len(strict.writes) <= 25


async def test_newest_first_after_an_outage_and_the_rest_at_a_bounded_rate(bench, strict):
    b = bench(v2(strict.url, backfill=500))
    old = []
    for n in range(800):  # commits
        readings = [r for k in range(5) for r in poll(T0 - DAY + n * MINUTE // 2 + k * 5000)]
        old += readings
        b.journal.commit(readings, [])
    b.start()
    fresh: list[Reading] = []

    def live() -> None:
        fresh.extend(readings := poll(b.clock.now()))
        b.journal.commit(readings, [])

    began = b.clock.now()
    await b.until(lambda: bool(strict.writes), each=live)
    await b.until(lambda: b.forwarder.statistics().missing == 0, each=live)
    took = b.clock.now() - began
    await b.until(b.caught_up)
    await b.stop()
    # The first write of all is the newest there is, and no old one keeps a new one waiting.
    assert min(p.time for p in strict.writes[0]) >= T0 - DAY + (800 - 60) * MINUTE // 2
    newest = 0
    for write in strict.writes:
        live = [p.time for p in write if p.time > T0]
        if live:
            assert not newest or min(live) - newest <= SECOND
            newest = max(live)
    gaps = [len(list(g)) for old_one, g in groupby(strict.writes, lambda w: w[0].time < T0)
            if old_one]
    assert max(gaps) <= 10
    assert held(strict) == wanted(old + fresh)
    lines = len({(r.point.split(".")[0], r.time) for r in old if r.usable is not None})
    assert took >= (lines / 500 - 15) * SECOND
    written = sum(len(w) for w in strict.writes)
    assert written == len(strict.points), "something was sent twice"


async def test_a_bad_point_is_set_aside_told_and_holds_up_nothing(bench, strict):
    bad = ("r1-vent", T0 + 17 * SECOND)
    strict.refuse = lambda points: (
        (400, {}, '{"code":"invalid","message":"field type conflict"}')
        if any(dict(p.tags)["asset"] == bad[0] and p.time == bad[1] for p in points) else None)
    b = bench(v2(strict.url))
    readings = []
    for n in range(30):
        readings += poll(T0 + n * SECOND + 60_000) if n != 17 else poll(bad[1])
    b.journal.commit(readings, [])
    b.start()
    await b.until(b.caught_up)
    b.journal.commit(later := poll(T0 + DAY), [])
    await b.until(lambda: b.journal.position(CONSUMER) == 2)
    await b.stop()
    expected = wanted(readings + later)
    del expected[bad[0], "oxygen", bad[1]]
    assert held(strict) == expected
    assert b.forwarder.statistics().dead_letters == 1
    (kept,) = [json.loads(line) for line in b.aside.path.read_text().splitlines()]
    assert kept["line"].startswith("vent,asset=r1-vent,site=fenmoor oxygen=3.1 ")
    assert "field type conflict" in kept["why"]
    (fact,) = b.facts
    assert (fact.fact, fact.values) == ("forwarding-set-aside",
                                        {"target": "InfluxDB", "points": 1})


async def test_the_telling_of_bad_points_does_not_feed_itself(bench, strict):
    strict.refuse = lambda points: (400, {}, "no") if any(
        p.measurement == "fact" for p in points) else None
    b = bench(v2(strict.url))
    b.journal.commit([], [])

    def noted() -> None:
        while b.facts:
            b.journal.commit(poll(b.clock.now()), [b.facts.pop()])
            told.append(b.clock.now())

    told: list[int] = []
    b.journal.commit([reading("r1.pressure", T0, float("nan"))], [])
    b.start()
    await b.until(lambda: b.clock.now() > T0 + 45 * MINUTE, each=noted, step=5 * SECOND)
    await b.stop()
    assert 1 <= len(told) <= 5


@pytest.mark.parametrize("status", [401, 404, 503, 500, 302])
async def test_an_outage_is_told_again_and_again_and_its_end_once(bench, strict, status):
    refusing = True
    strict.refuse = lambda points: (status, {}, '{"error":"not now"}') if refusing else None
    b = bench(v1(strict.url), retry=RetryPolicy(longest_retry=MINUTE))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(lambda: len(b.facts) == 2, most=10 * 60 * MINUTE, step=MINUTE)
    assert b.forwarder.statistics().reachable is False
    assert "not now" in b.forwarder.statistics().why
    assert [f.fact for f in b.facts] == ["forwarding-not-through"] * 2
    refusing = False
    await b.until(b.caught_up)
    await b.stop()
    assert [f.fact for f in b.facts[2:]] == ["forwarding-resumed"]
    assert b.forwarder.statistics().reachable
    assert held(strict) == wanted(poll(T0))


async def test_the_end_of_an_outage_is_told_even_by_the_next_process(bench, strict):
    refusing = True
    strict.refuse = lambda points: (503, {}, "") if refusing else None
    b = bench(v1(strict.url))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(lambda: bool(b.facts))
    await b.stop()
    refusing = False
    b.new()
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    assert [f.fact for f in b.facts] == ["forwarding-not-through", "forwarding-resumed"]


async def test_tries_become_rarer(bench, strict):
    strict.refuse = lambda points: (503, {}, "")
    b = bench(v2(strict.url))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(lambda: b.clock.now() > T0 + 60 * MINUTE, step=5 * SECOND)
    await b.stop()
    # 5 s doubled to 300 s: seven tries, then one every 150 to 300 s.
    assert 15 <= len(strict.requests) <= 35


async def test_a_busy_server_is_left_alone_as_long_as_it_asks(bench, strict):
    strict.refuse = lambda points: (429, {"Retry-After": "1200"}, "")
    b = bench(v2(strict.url))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(lambda: b.clock.now() > T0 + 59 * MINUTE, step=20 * SECOND)
    await b.stop()
    assert len(strict.requests) == 3


async def test_a_restart_in_the_middle_sends_little_twice_and_nothing_never(bench, strict):
    b = bench(v2(strict.url, backfill=300), retry=RetryPolicy(settle=2000))
    old = []
    for n in range(600):
        old += (readings := poll(T0 - DAY + n * MINUTE))
        b.journal.commit(readings, [])
    b.start()
    await b.until(lambda: len(strict.points) > 600)
    await b.stop()
    between = b.forwarder.statistics().missing
    assert 0 < between < 600
    b.journal.pack(T0)
    b.journal.commit(late := poll(T0 + MINUTE), [])
    b.new()
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    assert held(strict) == wanted(old + late)
    assert b.journal.position(CONSUMER) == 601
    assert sum(len(w) for w in strict.writes) == len(strict.points)


async def test_what_retention_deleted_is_counted(bench, strict):
    b = bench(v2(strict.url))
    b.journal.register(CONSUMER)
    for n in range(300):
        b.journal.commit([r for k in range(12) for r in poll(T0 - 20 * DAY + n * 60 * MINUTE
                                                             + k * 5000)], [])
    b.journal.pack(T0)
    b.journal.retain(oldest=None, max_bytes=1)
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    assert b.forwarder.statistics().lost > 0


async def test_a_server_that_never_answers_does_not_hold_up_a_stop(bench):
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen(8)
        b = bench(v2(f"http://127.0.0.1:{deaf.getsockname()[1]}"))
        b.journal.commit(poll(T0), [])
        b.start()
        await asyncio.sleep(0.5)
        began = time.monotonic()
        await b.stop()
        assert time.monotonic() - began < 1.5
    assert b.journal.position(CONSUMER) == 0


async def test_nobody_at_the_port(bench):
    b = bench(v2(f"http://127.0.0.1:{free_port()}"))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(lambda: bool(b.facts))
    await b.stop()
    assert "Connection refused" in b.forwarder.statistics().why
    assert "0x" not in b.forwarder.statistics().why


@pytest.mark.parametrize("settings", [v1, v2])
async def test_tls_by_a_private_authority(bench, tmp_path: Path, settings):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    for name in ("wrong", "right"):
        (tmp_path / name).mkdir()
    wrong, right = Authority(tmp_path / "wrong"), Authority(tmp_path / "right")
    context.load_cert_chain(*right.issue("server"))
    server = StrictServer(tls=context)
    try:
        b = bench(settings(server.url, ca=wrong.ca))
        b.journal.commit(poll(T0), [])
        b.start()
        await b.until(lambda: bool(b.facts))
        await b.stop()
        assert "certificate" in b.facts[0].text.lower()
        assert server.points == {}
        b.settings = settings(server.url, ca=right.ca)
        b.new()
        b.start()
        await b.until(b.caught_up)
        await b.stop()
        assert held(server) == wanted(poll(T0))
    finally:
        server.close()


async def test_a_site_file_that_asks_for_nothing_holds_nothing_back(bench, strict):
    b = bench(v2(strict.url))
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(b.caught_up)
    b.forwarder.use(None, PLANT)
    await b.until(lambda: CONSUMER not in b.journal.statistics().lags)
    assert not b.forwarder.statistics().on
    b.journal.commit(later := poll(T0 + MINUTE), [])
    b.forwarder.use(v3(strict.url), PLANT)  # another server knows nothing: it gets everything
    await b.until(lambda: b.forwarder.statistics().sent == 12)
    await b.stop()
    assert strict.requests[-1]["query"].startswith("org=-")
    assert held(strict) == wanted(poll(T0) + later)
    assert sum(len(w) for w in strict.writes) == len(strict.points) + 4
