"""Old hours go by age and size; what a consumer has not read only by size, and it is told."""

from collector.journal import Journal
from tests.journal.examples import HOUR, T0, alarm, fact, plant_polls, reading


def fill(journal, hours, **more):
    for poll in plant_polls(T0, T0 + hours * HOUR, every=60_000, **more):
        journal.commit(poll, [])
    journal.pack(T0 + hours * HOUR)


def test_age_deletes_whole_hours_and_gives_the_space_back(journal):
    fill(journal, 6, pressures=60, contacts=0)
    before = journal.retain(oldest=None, max_bytes=None).bytes
    result = journal.retain(oldest=T0 + 4 * HOUR + 5, max_bytes=None)
    assert (result.hours, result.readings, result.held) == (4, 4 * 60 * 60, 0)
    assert result.bytes < before
    assert journal.span()[0] >= T0 + 4 * HOUR
    assert journal.statistics().readings_packed == 2 * 60 * 60
    assert journal.statistics().last_retain == result
    assert len(list(journal.readings(None, None, None))) == 2 * 60 * 60


def test_age_waits_for_every_consumer(journal):
    assert journal.register("notify") == 0
    fill(journal, 3)
    commits = journal.after(0, 10_000)
    journal.settle("forward", commits[-1].number)
    journal.settle("notify", commits[80].number)  # 60 commits an hour: the second has begun
    result = journal.retain(oldest=T0 + 3 * HOUR, max_bytes=None)
    assert (result.hours, result.held, result.held_for, result.gaps) == (1, 2, ("notify",), ())
    assert journal.after(journal.position("notify"), 10_000) == commits[81:]
    journal.settle("notify", commits[-1].number)
    assert journal.retain(oldest=T0 + 3 * HOUR, max_bytes=None).hours == 2
    assert journal.span() is None


def test_size_deletes_what_it_must_and_tells_who_missed_it(journal, path):
    journal.register("forward")
    fill(journal, 30, pressures=30, contacts=0)
    commits = journal.after(0, 10_000)
    journal.settle("forward", commits[9].number)
    full = journal.retain(oldest=None, max_bytes=None).bytes
    result = journal.retain(oldest=None, max_bytes=full // 2)
    assert 0 < result.hours < 30
    assert result.bytes <= full // 2
    (gap,) = result.gaps
    assert (gap.first, gap.last) == (11, result.hours * 60)
    assert (gap.start, gap.end) == (T0, T0 + result.hours * HOUR)
    assert gap.readings == (result.hours * 60 - 10) * 30
    assert result.held_for == ("forward",)
    journal.close()
    with Journal.open(path) as again:
        told, *rest = again.after(again.position("forward"), 10_000)
        assert (told.number, told.readings, told.gap) == (gap.last, (), gap)
        assert rest == commits[gap.last:]
        again.settle("forward", told.number)
        assert again.after(told.number, 1)[0].gap is None


def test_size_keeps_the_newest_hour_whatever_it_takes(journal):
    fill(journal, 2)
    journal.retain(oldest=None, max_bytes=1)
    assert len(list(journal.readings(None, None, None))) == 60 * 14
    assert journal.span()[0] >= T0 + HOUR


def test_alarms_stay_and_other_events_go_with_their_time(journal):
    journal.commit([reading(T0)], [alarm(T0), fact(T0 + 1)])
    journal.commit([reading(T0 + 2 * HOUR)], [fact(T0 + 2 * HOUR)])
    result = journal.retain(oldest=T0 + HOUR, max_bytes=None)
    assert (result.hours, result.events) == (1, 1)
    assert [s.seq for s in journal.events()] == [1, 3]
    # A number is never used again.
    journal.commit([], [fact(T0)])
    assert [s.seq for s in journal.events()][-1] == 4


def test_late_readings_of_a_deleted_hour_are_kept(journal):
    fill(journal, 2)
    journal.retain(oldest=T0 + HOUR, max_bytes=None)
    journal.commit([reading(T0 + 5)], [])
    assert journal.span()[0] == T0 + 5
    assert journal.pack(T0 + HOUR).readings == 1
    assert journal.span()[0] == T0 + 5


def reasons(journal):
    with journal._database.reading() as db:
        return {text for (text,) in db.execute("SELECT text FROM whys")}


def test_the_texts_of_reasons_go_with_their_last_reading(journal, path):
    for hour in range(6):
        for n in range(20):
            at = T0 + hour * HOUR + n * 60_000
            journal.commit([reading(at, None, why=f"no reply within {hour}.{n:02d} s"),
                            reading(at, None, "r1.pressure", why="no reply in time")], [])
    journal.pack(T0 + 5 * HOUR)
    assert len(reasons(journal)) == 121
    journal.retain(oldest=T0 + 3 * HOUR, max_bytes=None)
    assert len(reasons(journal)) == 61
    assert {r.why for r in journal.readings(None, None, None)} == reasons(journal)
    at = T0 + 6 * HOUR
    journal.commit([reading(at, None, why="no reply within 0.03 s"),
                    reading(at, None, "r1.pressure", why="no reply within 5.19 s")], [])
    journal.close()
    with Journal.open(path) as again:
        assert {r.why for r in again.readings(None, at, None)} == {
            "no reply within 0.03 s", "no reply within 5.19 s"}


def test_a_reason_of_an_older_journal_is_kept_while_it_may_be_used(journal):
    for hour in range(4):
        at = T0 + hour * HOUR
        journal.commit([reading(at, None, why="once" if hour == 0 else f"hour {hour}")], [])
    journal.pack(T0 + 4 * HOUR)
    with journal._database.writing() as db:
        db.execute("DELETE FROM state WHERE key LIKE 'reason %'")
    journal.retain(oldest=T0 + HOUR, max_bytes=None)
    assert reasons(journal) == {"once", "hour 1", "hour 2", "hour 3"}
    assert {r.why for r in journal.readings(None, None, None)} <= reasons(journal)
