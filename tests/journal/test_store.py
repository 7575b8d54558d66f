"""What is committed can be read back, in every mix of open and packed."""

import math
import random
import sqlite3
import threading
import time
from statistics import fmean

import pytest

from collector.domain.errors import JournalError
from collector.domain.events import Transition
from collector.domain.readings import Quality
from collector.journal import Journal
from collector.journal.history import GOOD, Row, write_hour
from tests.journal.examples import HOUR, T0, alarm, fact, plant_polls, reading


def test_a_commit_is_one_whole(journal, path):
    rows = [reading(T0), reading(T0, 2.0, "r1.pressure"), reading(
        T0 + 5, None, "r1-vent.oxygen", quality=Quality.STALE, why="no answer in 1 s")]
    events = [alarm(T0), fact(T0 + 1)]
    assert journal.commit(rows, events, meta={"tick": "7"}) == 1
    assert list(journal.readings(None, None, None)) == rows
    assert [s.event for s in journal.events()] == events
    assert journal.meta("tick") == "7"
    assert journal.meta("none") is None
    assert journal.span() == (T0, T0 + 5)
    assert journal.points() == ["gen1.tank_pressure", "r1.pressure", "r1-vent.oxygen"]
    journal.close()
    with Journal.open(path) as again:
        assert list(again.readings(None, None, None)) == rows
        assert again.statistics().last_commit == 1
        assert again.commit([], [fact(T0)]) == 2


def test_nothing_of_a_failed_commit_stays(journal):
    journal.commit([reading(T0)], [])
    with pytest.raises(ValueError, match="JSON"):
        journal.commit([reading(T0 + 1, point="new.oxygen")], [
            fact(T0).__class__(time=T0, site="s", fact="f", text="", values={"x": math.nan}),
        ], meta={"a": "b"})
    assert journal.points() == ["gen1.tank_pressure"]
    assert journal.meta("a") is None
    assert journal.commit([reading(T0 + 2, point="other.oxygen")], []) == 2
    assert [r.point for r in journal.readings(None, None, None)] == [
        "gen1.tank_pressure", "other.oxygen"]


def test_meta_alone_uses_no_number(journal):
    assert journal.commit([reading(T0)], []) == 1
    assert journal.commit([], [], meta={"watch": "{}"}) == 1
    assert journal.after(1, 5) == []


@pytest.mark.parametrize("packed", [False, True])
def test_the_same_again_is_harmless_and_another_is_kept_a_millisecond_later(journal, packed):
    journal.commit([reading(T0, 1.0)], [])
    if packed:
        journal.pack(T0 + HOUR)
    journal.commit([reading(T0, 1.0), reading(T0, 2.0), reading(T0, 2.0)], [])
    assert [(r.time - T0, r.value) for r in journal.readings(None, None, None)] == [
        (0, 1.0), (1, 2.0)]
    journal.pack(T0 + HOUR)
    assert [(r.time - T0, r.value) for r in journal.readings(None, None, None)] == [
        (0, 1.0), (1, 2.0)]


def test_not_a_number_and_infinity_are_kept_and_not_averaged(journal):
    journal.commit([reading(T0 + i, v) for i, v in enumerate((math.nan, math.inf, 3.0))], [])
    journal.commit([reading(T0, math.nan)], [])
    for _ in range(2):
        values = [r.value for r in journal.readings(None, None, None)]
        assert math.isnan(values[0])
        assert values[1:] == [math.inf, 3.0]
        (step,) = journal.trend("gen1.tank_pressure", T0, T0 + HOUR, HOUR)
        assert (step.count, step.low, step.mean, step.high) == (1, 3.0, 3.0, 3.0)
        journal.pack(T0 + HOUR)


def test_packing_changes_nothing_that_is_read(journal):
    for poll in plant_polls(T0, T0 + 3 * HOUR):
        journal.commit(poll, [])
    part = ["r1.pressure", "r0.low_air", "never.seen"]
    window = (part, T0 + HOUR // 2, T0 + 2 * HOUR + 17)

    def seen():
        return (list(journal.readings(None, None, None)), list(journal.readings(*window)),
                journal.last_readings(), journal.span(), journal.after(0, 10_000))

    before = seen()
    assert before[0] == sorted(before[0], key=lambda r: r.time)
    assert {r.point for r in before[1]} == {"r1.pressure", "r0.low_air"}
    assert journal.pack(T0 + 2 * HOUR + 10).hours == 2
    assert seen() == before
    result = journal.pack(T0 + 3 * HOUR)
    assert (result.hours, result.readings) == (1, 360 * 14)
    assert seen() == before
    assert journal.pack(T0 + 9 * HOUR).hours == 0
    stats = journal.statistics()
    assert (stats.readings_open, stats.readings_packed) == (0, len(before[0]))


def reference(readings, start, end, step):
    """The trend by its definition, in the plainest way."""
    out = []
    for at in range(start, end, step):
        to = min(at + step, end)
        values = [r.value for r in readings if at <= r.time < to and r.usable is not None]
        out.append((at, to, len(values), *((min(values), fmean(values), max(values)) if values
                                           else (None, None, None))))
    return out


@pytest.mark.parametrize("step", [HOUR, 2 * HOUR, HOUR // 4, 5_000_000, 61_000])
@pytest.mark.parametrize("start", [T0, T0 - HOUR, T0 + 1_234_567])
def test_trends_are_exact_for_every_step(journal, start, step):
    rng = random.Random(step)
    rows = [
        reading(T0 + i * 40_000 + rng.randrange(900), rng.randrange(300, 900) / 10,
                quality=rng.choice([*[Quality.GOOD] * 5, Quality.BAD]))
        for i in range(500) if not 100 < i < 330  # two whole hours without readings
    ]
    late = rows.pop(20)
    journal.commit(rows, [])
    journal.pack(T0 + 4 * HOUR)
    journal.commit([late], [])
    for end in (T0 + 5 * HOUR, T0 + 5 * HOUR + 700_001):
        got = journal.trend("gen1.tank_pressure", start, end, step)
        want = reference([*rows, late], start, end, step)
        assert [(s.start, s.end, s.count, s.low, s.high) for s in got] == [
            (*w[:4], w[5]) for w in want]
        for g, w in zip(got, want, strict=True):
            assert g.mean == (None if w[4] is None else pytest.approx(w[4], rel=1e-12))
    assert step > HOUR or any(s.count == 0 for s in got)


@pytest.mark.parametrize("packed", [0, 2, 6])
def test_numbers_are_what_the_readings_say(journal, packed):
    rng = random.Random(packed)
    rows = [
        reading(T0 + i * 40_000 + rng.randrange(900), rng.choice([rng.randrange(900) / 10, -0.0]),
                quality=rng.choice([*[Quality.GOOD] * 5, Quality.BAD, Quality.STALE]))
        for i in range(500) if not 100 < i < 330
    ]
    late = [rows.pop(20), rows.pop(-20)]
    journal.commit(rows, [])
    journal.pack(T0 + packed * HOUR)
    journal.commit([*late, reading(T0 + 77, math.inf)], [])
    for start, end in ((T0, T0 + 6 * HOUR), (T0 + 1_234_567, T0 + HOUR * 5 + 1), (T0, T0 + 78)):
        got = journal.numbers("gen1.tank_pressure", start, end)
        assert got == [(r.time, r.usable) for r in
                       journal.readings(["gen1.tank_pressure"], start, end)]
        assert any(value is None for _, value in got) or end == T0 + 78
    assert journal.numbers("gen1.tank_pressure", T0 + HOUR, T0 + HOUR) == []
    assert journal.numbers("no.pressure", T0, T0 + HOUR) == []


def test_a_value_that_is_no_number_stays_one_and_spoils_no_trend(journal):
    journal.commit([reading(T0, 1.0), reading(T0 + 1000, math.nan), reading(T0 + 2000, 3.0)], [])
    for _ in range(2):
        times, values = zip(*journal.numbers("gen1.tank_pressure", T0, T0 + HOUR), strict=True)
        assert times == (T0, T0 + 1000, T0 + 2000)
        assert (values[0], values[2]) == (1.0, 3.0)
        assert math.isnan(values[1])
        (step,) = journal.trend("gen1.tank_pressure", T0, T0 + 1_000_000, HOUR)
        assert (step.count, step.low, step.mean, step.high) == (2, 1.0, 2.0, 3.0)
        journal.pack(T0 + HOUR)


def test_a_trend_of_nothing_is_all_gaps(journal):
    steps = journal.trend("no.pressure", T0, T0 + HOUR, HOUR)
    assert [(s.count, s.mean) for s in steps] == [(0, None)]
    with pytest.raises(ValueError, match="step"):
        journal.trend("no.pressure", T0, T0 + HOUR, 0)


WEEK = 168
COPY_WEEK = (
    "INSERT INTO packed_times SELECT id + :n, hour + :n, first_commit, last_commit, data "
    "FROM packed_times WHERE id <= 168",
    "INSERT INTO packed_values SELECT id + :n, data FROM packed_values WHERE id <= 168",
    "INSERT INTO packed_hours SELECT series, hour + :n, count_all, count_good, low, mean, high, "
    "times_id + :n, values_id + :n FROM packed_hours WHERE times_id <= 168",
)


def test_a_year_of_one_point_at_ten_seconds_reads_in_well_under_a_second(journal):
    rng = random.Random(3)
    levels = [round(600 + 50 * math.sin(i / 90) + rng.gauss(0, 2)) / 10 for i in range(7200)]
    journal.commit([reading(T0 - HOUR)], [])
    hours = 52 * WEEK
    with journal._database.writing() as db:
        for hour in range(WEEK):
            first, at = T0 // HOUR + hour, hour * 97 % 6840
            write_hour(db, first, {1: [
                Row(first * HOUR + i * 10_000 + hour % 7, 1, levels[at + i], GOOD, 1, 20, i + 2)
                for i in range(360)
            ]})
        for week in range(1, 52):  # blocks tell times within their hour: a copy is a later week
            for statement in COPY_WEEK:
                db.execute(statement, {"n": week * WEEK})
    for step, count in ((HOUR, hours), (24 * HOUR, 364)):
        began = time.perf_counter()
        steps = journal.trend("gen1.tank_pressure", T0, T0 + hours * HOUR, step)
        took = time.perf_counter() - began
        assert took < 0.8
        assert len(steps) == count
        assert all(s.count == step // 10_000 for s in steps)
    assert steps[0].mean == pytest.approx(fmean(
        levels[h * 97 % 6840 + i] for h in range(24) for i in range(360)), rel=1e-12)
    assert journal._database.size() / (hours * 360) < 2.0


def test_plant_like_data_cost_at_most_two_bytes_a_sample_at_rest(journal, path):
    samples, hours = 0, 20
    pending = []
    for number, poll in enumerate(plant_polls(T0, T0 + hours * HOUR)):
        samples += len(poll)
        pending.extend(poll)
        if number % 360 == 359:
            journal.commit(pending, [])
            pending = []
    journal.pack(T0 + hours * HOUR)
    journal.retain(oldest=None, max_bytes=None)
    journal.close()
    assert path.stat().st_size / samples <= 2.0


def test_events_by_kind_and_time(journal):
    journal.commit([], [fact(T0), alarm(T0 + 1), alarm(T0 + 2, Transition.RETURNED)])
    journal.commit([], [fact(T0 + 3, "collector-stopped")])
    assert [s.seq for s in journal.events(kind="alarm")] == [2, 3]
    assert [s.commit for s in journal.events(kind="collector-stopped")] == [2]
    assert [s.seq for s in journal.events(start=T0 + 1, end=T0 + 3)] == [2, 3]
    assert [s.seq for s in journal.events(holding=['"kind":"collector-stopped"', "RAISED",
                                                   '"transition":"returned"'])] == [3, 4]
    assert [s.seq for s in journal.events(kind="alarm", after=2, holding=['"kind":'])] == [3]


def test_readers_go_on_while_writers_write_and_pack(journal, tmp_path):
    polls = list(plant_polls(T0, T0 + 2 * HOUR, every=30_000, pressures=2, contacts=1))
    failures, stop = [], threading.Event()

    def read():
        try:
            while not stop.is_set():
                rows = list(journal.readings(None, None, None))
                commits = journal.after(0, 10_000)
                assert len(rows) % 3 == 0
                assert [c.number for c in commits] == list(range(1, len(commits) + 1))
                assert all(len(c.readings) == 3 for c in commits)
        except BaseException as exc:  # noqa: BLE001 - told to the test
            failures.append(exc)

    threads = [threading.Thread(target=read) for _ in range(2)]
    for thread in threads:
        thread.start()
    for i, poll in enumerate(polls):
        journal.commit(poll, [])
        if i % 60 == 59:
            journal.pack(T0 + HOUR)
        if i == 150:
            journal.backup(tmp_path / "copy.sqlite")
    stop.set()
    for thread in threads:
        thread.join()
    assert failures == []
    with Journal.open(tmp_path / "copy.sqlite") as copy:
        want = [r for p in polls[:151] for r in p]
        assert sorted(copy.readings(None, None, None), key=repr) == sorted(want, key=repr)


def test_one_daemon_writes_others_may_read(journal, path):
    journal.commit([reading(T0)], [])
    with pytest.raises(JournalError, match="in use by another daemon"):
        Journal.open(path)
    with Journal.open(path, read_only=True) as reader:
        assert len(list(reader.readings(None, None, None))) == 1
        with pytest.raises(JournalError, match="reading only"):
            reader.commit([reading(T0)], [])
    journal.close()
    Journal.open(path).close()


def test_a_closed_journal_says_so(journal):
    journal.close()
    journal.close()
    with pytest.raises(JournalError, match="closed"):
        journal.commit([reading(T0)], [])
    with pytest.raises(JournalError, match="closed"):
        journal.points()


def test_the_file_waits_for_the_disk_at_every_commit(journal):
    db = journal._database._writer
    assert isinstance(db, sqlite3.Connection)
    assert db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL, sqlite.org/pragma.html
    assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_it_says_what_it_is(journal, path):
    assert repr(journal) == f"Journal({path}, commit 0)"
