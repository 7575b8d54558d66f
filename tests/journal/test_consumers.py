"""Cursors never skip, never go backwards, and notice neither packing nor late readings."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.domain.errors import JournalError
from collector.journal import Journal
from tests.journal.examples import HOUR, T0, fact, reading

POINTS = ("gen1.tank_pressure", "r1.pressure", "r1.low_air")
ROWS = st.lists(
    st.tuples(st.sampled_from(POINTS), st.integers(0, 4 * HOUR // 1000), st.integers(0, 3)),
    max_size=6,
)
STEP = st.one_of(
    st.tuples(st.just("commit"), ROWS, st.integers(0, 2)),
    st.tuples(st.just("pack"), st.integers(1, 5)),
    st.tuples(st.just("read"), st.integers(1, 4)),
)


@settings(max_examples=60, deadline=None)
@given(steps=st.lists(STEP, max_size=14))
def test_everything_is_consumed_once_in_order_whatever_is_packed(steps, tmp_path_factory):
    path = tmp_path_factory.mktemp("j") / "journal.sqlite"
    got, position, kept, facts = [], 0, {}, 0

    with Journal.open(path) as journal:
        def take(limit):
            nonlocal position
            for commit in journal.after(position, limit):
                assert commit.number > position
                assert commit.readings or commit.events
                position = commit.number
                got.append(commit)
            journal.settle("forward", position)

        for step in steps:
            if step[0] == "commit":
                rows = [reading(T0 + t * 1000, float(v), p) for p, t, v in step[1]]
                journal.commit(rows, [fact(T0)] * step[2])
                facts += step[2]
                for r in rows:  # the rule of the journal, told again in the plainest way
                    at = r.time
                    while kept.get((r.point, at), r.value) != r.value:
                        at += 1
                    kept[r.point, at] = r.value
            elif step[0] == "pack":
                journal.pack(T0 + step[1] * HOUR)
            else:
                take(step[1])
        while journal.after(position, 1):
            take(3)
        assert journal.position("forward") == position
        # What was consumed piecemeal is what one reading of all gives, and all there is.
        assert got == journal.after(0, 10_000)
        consumed = [r for c in got for r in c.readings]
        stored = list(journal.readings(None, None, None))
        assert sorted(consumed, key=repr) == sorted(stored, key=repr)
        assert {(r.point, r.time): r.value for r in stored} == kept
        assert len(stored) == len(kept)
        assert sum(len(c.events) for c in got) == facts


def test_a_consumer_takes_up_where_it_was(journal, path):
    for i in range(5):
        journal.commit([reading(T0 + i)], [fact(T0 + i)])
    assert [c.number for c in journal.after(journal.position("forward"), 2)] == [1, 2]
    journal.settle("forward", 2)
    journal.settle("forward", 1)
    journal.close()
    with Journal.open(path) as again:
        assert again.position("forward") == 2
        assert [c.number for c in again.after(2, 99)] == [3, 4, 5]
        assert again.statistics().lags == {"forward": 3}


def test_a_cursor_does_not_run_ahead(journal):
    journal.commit([reading(T0)], [])
    with pytest.raises(JournalError, match="cannot settle commit 2"):
        journal.settle("forward", 2)
    assert journal.position("forward") == 0
    with pytest.raises(ValueError, match="limit"):
        journal.after(0, 0)


def test_a_consumer_that_is_forgotten_holds_nothing_back(tmp_path):
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        assert journal.register("gone") == 0
        number = journal.commit([reading(T0)], [])
        assert journal.last_commit == number
        journal.settle("gone", number)
        journal.forget("gone")
        journal.forget("never-there")
        assert journal.statistics().lags == {}
        assert journal.position("gone") == 0
