"""Real far ends: Debian's InfluxDB 1.6, and VictoriaMetrics for the endpoint of 2.x."""

from __future__ import annotations

from collections import Counter

import pytest

from collector.domain.events import AlarmTransition, EstimateMade, Priority, Signal, Transition
from collector.domain.readings import Reading
from collector.forward import RetryPolicy
from collector.forward.influx.forwarder import CONSUMER
from tests.forward.influx.conftest import HOUR, MINUTE, SECOND, T0, poll, reading
from tests.forward.influx.peers import Influxd
from tests.forward.influx.test_influx import v1, v2, wanted

TWO_DAYS = 48 * HOUR


def held(server: Influxd) -> dict[tuple[str, str, int], float]:
    """Everything the server gives back; a point that is there twice would be a mistake."""
    found: dict[tuple[str, str, int], float] = {}
    for measurement in ("generator", "riser", "vent", "room"):
        for row in server.query(f'SELECT * FROM "{measurement}"'):
            for name, value in row.items():
                if name not in ("time", "site", "asset") and value is not None:
                    key = (row["asset"], name, row["time"])
                    assert key not in found, "doubled"
                    found[key] = value
    return found


def counted(readings: list[Reading]) -> Counter[tuple[str, ...]]:
    return Counter(tuple(r.point.split(".")) for r in readings if r.usable is not None)


@pytest.mark.slow
async def test_an_outage_of_two_days(bench, influxd):
    """Nothing missing, nothing doubled, and live data first."""
    b = bench(v1(influxd.url))
    sent: list[Reading] = []

    def commit(time: int, polls: int = 1) -> None:
        readings = [r for k in range(polls) for r in poll(time + k * 10 * SECOND)]
        sent.extend(readings)
        b.journal.commit(readings, [])

    commit(T0)
    b.start()
    await b.until(b.caught_up)
    influxd.stop()
    for start in range(T0 + MINUTE, T0 + TWO_DAYS, MINUTE):  # the watch goes on meanwhile
        commit(start, polls=6)
        if start % HOUR == 0:
            b.journal.pack(start)
    b.clock.advance(TWO_DAYS)
    await b.until(lambda: bool(b.facts), step=10 * SECOND)
    assert [f.fact for f in b.facts] == ["forwarding-not-through"]
    influxd.start()
    first: list[dict[str, float]] = []

    def live() -> None:
        commit(b.clock.now())
        if not first and b.forwarder.statistics().sent > 4:
            first.extend(influxd.query("SELECT count(pressure), last(pressure) FROM riser"))
            missing.append(b.forwarder.statistics().missing)

    missing: list[int] = []
    await b.until(lambda: bool(first), each=live)
    newest = influxd.query("SELECT last(pressure) FROM riser")[0]["time"]
    assert newest > T0 + TWO_DAYS - HOUR, "the newest came first"
    assert missing[0] > 2000, "while most of the outage was still to be made up for"
    await b.until(lambda: b.forwarder.statistics().missing == 0, each=live)
    await b.until(b.caught_up)
    await b.stop()
    assert held(influxd) == wanted(sent)
    for asset, field in counted(sent):
        kind = {"gen1": "generator", "r1": "riser", "r1-vent": "vent"}.get(asset, "room")
        row = influxd.query(f'SELECT count("{field}") AS n FROM "{kind}" WHERE asset = \'{asset}\'')
        assert row[0]["n"] == counted(sent)[asset, field]
    assert b.journal.position(CONSUMER) == b.journal.last_commit
    assert b.facts[-1].fact == "forwarding-resumed"
    print(f"\n{len(sent)} readings, {b.forwarder.statistics()}")


async def test_a_poisoned_point_is_set_aside_by_the_real_one(bench, influxd):
    # Somebody else has written a field of ours with another type: from then on it is refused.
    influxd.write(f'vent,site=fenmoor,asset=r1-vent oxygen="bad" {T0}')
    b = bench(v1(influxd.url))
    readings = [r for n in range(200) for r in poll(T0 + MINUTE + n * SECOND)
                if not r.point.startswith("r1-vent") or n == 77]
    b.journal.commit(readings, [])
    b.start()
    await b.until(b.caught_up)
    b.journal.commit(later := [reading("r1.pressure", T0 + HOUR, 25.0)], [])
    await b.until(lambda: b.journal.position(CONSUMER) == 2)
    await b.stop()
    statistics = b.forwarder.statistics()
    assert statistics.dead_letters == 1
    assert "field type conflict" in b.aside.path.read_text()
    expected = {k: v for k, v in wanted(readings + later).items() if k[0] != "r1-vent"}
    assert {k: v for k, v in held(influxd).items() if k[0] != "r1-vent"} == expected
    assert [f.fact for f in b.facts] == ["forwarding-set-aside"]


async def test_what_is_older_than_the_server_keeps_is_counted_and_not_searched(bench, influxd):
    influxd.query("CREATE RETENTION POLICY short ON sprinklers DURATION 1h REPLICATION 1 DEFAULT")
    b = bench(v1(influxd.url))  # all of it lies years before the machine's own time
    b.journal.commit(poll(T0 - 20 * 365 * 24 * HOUR), [])
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    assert (b.forwarder.statistics().too_old, b.forwarder.statistics().dead_letters) == (4, 0)
    assert b.facts == []


async def test_events_read_back_as_they_were(bench, influxd):
    raised = AlarmTransition(
        time=T0, site="fenmoor", condition="pressure-low", asset="r1",
        transition=Transition.RAISED, priority=Priority.HIGH, signal=Signal.SUPERVISORY,
        since=T0 - 5000, text='Dock riser, 17.5 psi, "low" \\ since 00:00, é', id="x",
        values={"pressure_psi": 17.5},
    )
    made = EstimateMade(time=T0, site="fenmoor", quantity="oxygen-exposure", asset="r1-vent",
                        value=3.0, low=2.0, high=4.0, unit="% d", window=(T0 - 1, T0))
    b = bench(v1(influxd.url))
    b.journal.commit([], [raised, made])
    b.start()
    await b.until(b.caught_up)
    await b.stop()
    (alarm,) = influxd.query("SELECT * FROM alarm")
    assert alarm["text"] == raised.text
    assert (alarm["transition"], alarm["standing"], alarm["since"]) == ("raised", 1, T0 - 5000)
    (estimate,) = influxd.query("SELECT * FROM estimate")
    assert (estimate["unit"], estimate["value"], estimate["high"]) == ("% d", 3, 4)


async def test_a_real_v1_server_with_users(bench, tmp_path):
    folder = tmp_path / "guarded"
    folder.mkdir()
    server = Influxd(folder, auth=True)
    server.start()
    try:
        server.query("CREATE USER chief WITH PASSWORD 'p' WITH ALL PRIVILEGES")
        chief = ("chief", "p")
        server.query("CREATE DATABASE sprinklers", user=chief)
        server.query("CREATE USER quietpipe WITH PASSWORD 'wörd'; "
                     "GRANT WRITE ON sprinklers TO quietpipe", user=chief)
        b = bench(v1(server.url, username="quietpipe", password="wrong"))
        b.journal.commit(poll(T0), [])
        b.start()
        await b.until(lambda: bool(b.facts))
        await b.stop()
        assert "is the token, or the user, still good?" in b.facts[0].text
        b.settings = v1(server.url, username="quietpipe", password="wörd")
        b.new()
        b.start()
        await b.until(b.caught_up)
        await b.stop()
        assert server.query("SELECT pressure FROM riser", user=chief)
    finally:
        server.stop()


async def test_a_database_that_is_made_later(bench, influxd):
    b = bench(v1(influxd.url.replace("127.0.0.1", "localhost")))
    influxd.query("DROP DATABASE sprinklers")
    b.journal.commit(poll(T0), [])
    b.start()
    await b.until(lambda: bool(b.facts))
    assert "is there such a database" in b.facts[0].text
    influxd.query("CREATE DATABASE sprinklers")
    await b.until(b.caught_up)
    await b.stop()
    assert held(influxd) == wanted(poll(T0))


@pytest.mark.slow
async def test_the_client_library_to_a_real_v2_endpoint_over_an_outage(bench, victoria):
    b = bench(v2(victoria.url), retry=RetryPolicy(longest_retry=MINUTE))
    sent: list[Reading] = []

    def commit(time: int, polls: int = 1) -> None:
        readings = [r for k in range(polls) for r in poll(time + k * 10 * SECOND)]
        sent.extend(readings)
        b.journal.commit(readings, [])

    commit(T0)
    b.start()
    await b.until(b.caught_up)
    victoria.stop()
    for start in range(T0 + MINUTE, T0 + TWO_DAYS, 10 * MINUTE):
        commit(start, polls=6)
    b.clock.advance(TWO_DAYS)
    await b.until(lambda: bool(b.facts))
    victoria.start()
    commit(b.clock.now())
    await b.until(b.caught_up)
    await b.stop()
    found = {
        (dict(pair.split("=") for pair in key.split(",")[1:])["asset"], key.split(",")[0], time):
        value for key, series in victoria.export().items() for time, value in series.items()
    }
    kinds = {"gen1": "generator", "r1": "riser", "r1-vent": "vent", "plant-room": "room"}
    assert found == {(asset, f"{kinds[asset]}_{field}", time): value
                     for (asset, field, time), value in wanted(sent).items()}
