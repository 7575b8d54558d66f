"""Cursors of consumers, commits after a cursor, and searches for events and deliveries.

Every consumer reads all commits in their order, at its own pace, across packing.
"""

from __future__ import annotations

import logging
import sqlite3
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from math import fsum, nan
from operator import itemgetter
from typing import Any

from collector.domain.errors import JournalError
from collector.domain.events import event_from_json
from collector.domain.messages import Delivery, DeliveryState
from collector.domain.readings import Reading, TrendStep
from collector.journal.codec import unpack_instants, unpack_values
from collector.journal.history import GOOD, HOUR, HourCache, Row, counts, get_state
from collector.journal.records import Commit, Gap, StoredEvent

_log = logging.getLogger(__name__)

Translate = Callable[[Row], Reading]


def position(db: sqlite3.Connection, consumer: str) -> int:
    """Return the number of the last commit settled, 0 when there is none."""
    row = db.execute("SELECT position FROM consumers WHERE name = ?", (consumer,)).fetchone()
    return 0 if row is None else int(row[0])


def positions(db: sqlite3.Connection) -> dict[str, int]:
    """Return the position of every consumer known."""
    return dict(db.execute("SELECT name, position FROM consumers ORDER BY name").fetchall())


def move(db: sqlite3.Connection, consumer: str, to: int) -> None:
    """Advance a cursor; it never goes back. Raises ``JournalError`` past the last commit."""
    last = get_state(db, "last_commit")
    if to > last:
        raise JournalError(f"{consumer} cannot settle commit {to}: the last one is {last}")
    db.execute(
        "INSERT INTO consumers VALUES (?, ?) ON CONFLICT (name) "
        "DO UPDATE SET position = max(position, excluded.position)", (consumer, to),
    )


def stored_events(rows: Iterable[Sequence[Any]], damaged: set[int]) -> Iterator[StoredEvent]:
    """Read rows of ``seq, commit_no, body``; the numbers of damaged ones go to ``damaged``."""
    for seq, commit, body in rows:
        try:
            event = event_from_json(body)
        except (ValueError, TypeError, KeyError, IndexError, AttributeError) as error:
            if seq not in damaged:
                _log.error("event %d of the journal is damaged: %r", seq, error)
            damaged.add(seq)
        else:
            yield StoredEvent(seq=seq, commit=commit, event=event)


def gaps_after(db: sqlite3.Connection, number: int) -> list[Gap]:
    """Return the gaps that reach beyond a commit, oldest first."""
    return [
        Gap(first=first, last=last, start=start, end=end, readings=readings, events=events)
        for first, last, start, end, readings, events in db.execute(
            'SELECT first, last, start, "end", readings, events FROM gaps WHERE last > ? '
            "ORDER BY last, id", (number,),
        )
    ]


def _joined(one: Gap | None, other: Gap) -> Gap:
    if one is None:
        return other
    return Gap(
        first=min(one.first, other.first), last=max(one.last, other.last),
        start=min(one.start, other.start), end=max(one.end, other.end),
        readings=one.readings + other.readings, events=one.events + other.events,
    )


def after(
    db: sqlite3.Connection, number: int, limit: int, cache: HourCache, translate: Translate,
    damaged: set[int],
) -> list[Commit]:
    """Return up to ``limit`` commits after ``number``, in order, those without content left out."""
    if limit < 1:
        raise ValueError(f"limit must be at least 1, got {limit}")
    packed = _packed(db, number, limit, cache)
    gaps: dict[int, Gap] = {}
    for gap in gaps_after(db, number):
        gaps[gap.last] = _joined(gaps.get(gap.last), gap)
    numbers = set(packed) | set(gaps)
    for table in ("readings", "events"):
        numbers.update(n for (n,) in db.execute(
            f"SELECT DISTINCT commit_no FROM {table} WHERE commit_no > ? "
            "ORDER BY commit_no LIMIT ?", (number, limit),
        ))
    chosen = sorted(numbers)[:limit]
    if not chosen:
        return []
    rows: dict[int, list[Row]] = defaultdict(list, {n: packed.get(n, []) for n in chosen})
    for row in db.execute(
        "SELECT time, series, value, quality, why, latency, commit_no FROM readings "
        "WHERE commit_no > ? AND commit_no <= ?", (number, chosen[-1]),
    ):
        rows[row[-1]].append(Row.stored(row))
    events: dict[int, list[StoredEvent]] = defaultdict(list)
    for found in stored_events(db.execute(
        "SELECT seq, commit_no, body FROM events WHERE commit_no > ? AND commit_no <= ? "
        "ORDER BY seq", (number, chosen[-1]),
    ), damaged):
        events[found.commit].append(found)
    return [
        Commit(
            number=n, readings=tuple(translate(r) for r in sorted(rows[n], key=_order)),
            events=tuple(events[n]), gap=gaps.get(n),
        )
        for n in chosen
    ]


def _order(row: Row) -> tuple[int, int]:
    return row.time, row.series


def _packed(
    db: sqlite3.Connection, number: int, limit: int, cache: HourCache,
) -> dict[int, list[Row]]:
    """Return packed rows by commit: complete for the first ``limit`` commits that have any."""
    hours = db.execute(
        "SELECT hour, min(first_commit) FROM packed_times WHERE last_commit > ? "
        "GROUP BY hour ORDER BY min(first_commit)", (number,),
    ).fetchall()
    found: dict[int, list[Row]] = defaultdict(list)
    for hour, first in hours:
        # Hours overlap where late readings were merged: go on while one may hold a lower number.
        if sum(1 for n in found if n < first) >= limit:
            break
        for row in cache.rows(db, hour):
            if row.commit > number:
                found[row.commit].append(row)
    return found


def find_events(
    db: sqlite3.Connection, *, kinds: Sequence[str], without: Sequence[str],
    holding: Sequence[str], exactly: Sequence[str] = (), start: int | None, end: int | None,
    limit: int, damaged: set[int],
) -> list[StoredEvent]:
    """Return up to ``limit`` events, newest first, whose line of JSON contains every text given.

    Without ``kinds`` all kinds are searched but those of ``without``. ``holding`` ignores the case
    of ASCII letters; ``exactly`` does not, and is several times faster.
    """
    where, values = ["1"], list[object]()
    for column, sign, bound in (("time", ">=", start), ("time", "<", end)):
        if bound is not None:
            where.append(f"{column} {sign} ?")
            values.append(bound)
    for words, negation in ((kinds, ""), (without, "NOT ")):
        if words:
            where.append(f"kind {negation}IN ({', '.join('?' * len(words))})")
            values.extend(words)
    for text in holding:
        where.append("body LIKE ? ESCAPE '\\'")
        values.append(f"%{_plain(text)}%")
    for text in exactly:
        where.append("instr(body, ?)")
        values.append(text)
    rows = db.execute(
        f"SELECT seq, commit_no, body FROM events WHERE {' AND '.join(where)} "
        "ORDER BY time DESC, seq DESC LIMIT ?", (*values, limit)).fetchall()
    return list(stored_events(rows, damaged))


def _plain(text: str) -> str:
    for sign in "\\%_":
        text = text.replace(sign, f"\\{sign}")
    return text


def recent_deliveries(db: sqlite3.Connection, limit: int) -> list[Delivery]:
    """Return the deliveries written last, newest first, without their bodies."""
    rows = db.execute(
        "SELECT id, recipient, subject, event_seq, created, due, kind, attempts, uncertain, state, "
        "detail FROM deliveries ORDER BY id DESC LIMIT ?", (limit,))
    return [
        Delivery(id=i, recipient=r, subject=s, body="", event_seq=e, created=c, due=d, kind=k,
                 attempts=a, uncertain=bool(u), state=DeliveryState(t), detail=x)
        for i, r, s, e, c, d, k, a, u, t, x in rows
    ]


_WITHIN = "p.series = :series AND p.hour >= :first AND p.hour <= :last"
_CUT = (
    f"(p.hour * {HOUR} < :start OR (p.hour + 1) * {HOUR} > :end OR "
    f"(p.hour * {HOUR} - :start) / :step != ((p.hour + 1) * {HOUR} - 1 - :start) / :step)"
)
_WHOLE_HOURS = (
    f"SELECT (p.hour * {HOUR} - :start) / :step AS place, sum(p.count_good), "
    "sum(p.mean * p.count_good), min(p.low), max(p.high) FROM packed_hours p "
    f"WHERE {_WITHIN} AND NOT {_CUT} AND p.count_good > 0 GROUP BY place"
)
_BLOCKS = (
    "SELECT p.hour, t.data, v.data FROM packed_hours p "
    "CROSS JOIN packed_times t ON t.id = p.times_id "
    f"CROSS JOIN packed_values v ON v.id = p.values_id WHERE {_WITHIN}"
)
_OPEN_ROWS = (
    "SELECT time, value, quality FROM readings "
    "WHERE series = :series AND time >= :start AND time < :end ORDER BY time"
)


class _Step:
    """Collects one step of a trend."""

    __slots__ = ("count", "high", "low", "sums")

    def __init__(self) -> None:
        self.count = 0
        self.sums: list[float] = []
        self.low = float("inf")
        self.high = float("-inf")

    def add(self, count: int, total: float, low: float, high: float) -> None:
        self.count += count
        self.sums.append(total)
        self.low = min(self.low, low)
        self.high = max(self.high, high)

    def done(self, start: int, end: int) -> TrendStep:
        if not self.count:
            return TrendStep(start=start, end=end, count=0, low=None, mean=None, high=None)
        # Rounding may put the mean of equal values a hair outside of them.
        mean = min(max(fsum(self.sums) / self.count, self.low), self.high)
        return TrendStep(
            start=start, end=end, count=self.count, low=self.low, mean=mean, high=self.high
        )


def trend(db: sqlite3.Connection, series: int, start: int, end: int, step: int) -> list[TrendStep]:
    """Return the steps from ``start`` to ``end`` (excluded); the last may be shorter.

    Every good reading counts in its own step, whatever the step: only the mean of whole hours is
    that of their means, each with its count, which differs by rounding alone.
    """
    steps = [_Step() for _ in range(-((start - end) // step))]
    asked = _asked(series, start, end) | {"step": step}
    if step >= HOUR:
        for place, count, total, low, high in db.execute(_WHOLE_HOURS, asked):
            steps[place].add(count, total, low, high)
    for times, values in map(_counting, _vectors(db, asked, f"{_BLOCKS} AND {_CUT}")):
        at, beyond = bisect_left(times, start), bisect_left(times, end)
        while at < beyond:
            place = (times[at] - start) // step
            next_at = bisect_left(times, min(start + (place + 1) * step, end), at)
            part = values[at:next_at]
            steps[place].add(len(part), fsum(part), min(part), max(part))
            at = next_at
    return [
        s.done(start + i * step, min(start + (i + 1) * step, end)) for i, s in enumerate(steps)
    ]


def numbers(
    db: sqlite3.Connection, series: int, start: int, end: int,
) -> list[tuple[int, float | None]]:
    """Return each reading's time and its value, ``None`` where it is not good, in time order."""
    asked = _asked(series, start, end)
    found: list[tuple[int, float | None]] = []
    for times, values, qualities in _vectors(db, asked, _BLOCKS + " ORDER BY p.hour"):
        if qualities.count(GOOD) != len(qualities):
            values = [v if q == GOOD else None for v, q in zip(values, qualities, strict=True)]
        within = slice(bisect_left(times, start), bisect_left(times, end))
        found.extend(zip(times[within], values[within], strict=True))
    # What came late to an hour that was packed lies among the open rows, behind all blocks.
    found.sort(key=itemgetter(0))
    return found


_Vectors = tuple[list[int], list[float | None], list[int]]


def _asked(series: int, start: int, end: int) -> dict[str, int]:
    return {"series": series, "start": start, "end": end, "first": start // HOUR,
            "last": (end - 1) // HOUR}


def _vectors(
    db: sqlite3.Connection, asked: Mapping[str, int], blocks: str,
) -> Iterator[_Vectors]:
    """Yield times, values and qualities of each block, then of the open rows, in time order."""
    for hour, times, values in db.execute(blocks, asked):
        floats, qualities, _ = unpack_values(values)
        yield unpack_instants(hour * HOUR, times), floats, qualities
    rows = db.execute(_OPEN_ROWS, asked).fetchall()
    yield ([t for t, _, _ in rows],
           # A NaN is kept as bytes: see ``writing.plain_value``.
           [nan if isinstance(v, bytes) else v for _, v, _ in rows], [q for _, _, q in rows])


def _counting(vectors: _Vectors) -> tuple[list[int], list[float]]:
    rows = [(t, v) for t, v, q in zip(*vectors, strict=True) if v is not None and counts(v, q)]
    return [t for t, _ in rows], [v for _, v in rows]
