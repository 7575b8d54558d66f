"""Blocks of one closed hour: exact, small, and fast enough in plain Python.

A block is zlib data (its checksum notices damage) of a few vectors. A vector of integers is coded
as plain numbers or differences, whichever comes out smaller, zigzag, in the narrowest of 1, 2, 4 or
8 bytes, byte planes apart: the planes of noise and of zeros compress each on its own terms.

Values that are decimals (what a scaled register gives) become integers; values on another even grid
(a scaled register after a change of unit) become grid numbers and a correction in units of the last
place; anything else keeps its 64 bits. All three give back the very same floats.
"""

from __future__ import annotations

import sqlite3
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import accumulate, groupby, islice, pairwise
from math import copysign, fsum, isfinite

from collector.journal.history import HOUR, Row, counts, packed_series_rows
from collector.journal.records import PackResult

__all__ = [
    "add_state", "delete_packed", "first_open", "get_state", "pack_hour", "pack_times",
    "pack_values", "unpack_instants", "unpack_times", "unpack_values", "write_hour",
]

_CODES = {1: "B", 2: "H", 4: "I", 8: "Q"}
_SCALES = tuple(10**d for d in range(7))
_EXACT = 1 << 53
_SIGN = 1 << 63


def _planes(numbers: Iterable[int], width: int) -> bytes:
    flat = array(_CODES[width], numbers)
    if sys.byteorder == "big":
        flat.byteswap()
    raw = flat.tobytes()
    return raw if width == 1 else b"".join(raw[i::width] for i in range(width))


def _from_planes(data: bytes, width: int) -> array[int]:
    size = len(data) // width
    raw = bytearray(len(data))
    for i in range(width):
        raw[i::width] = data[i * size : (i + 1) * size]
    flat = array(_CODES[width])
    flat.frombytes(bytes(raw))
    if sys.byteorder == "big":
        flat.byteswap()
    return flat


def _width(largest: int) -> int:
    return 1 if largest < 1 << 8 else 2 if largest < 1 << 16 else 4 if largest < 1 << 32 else 8


def _vector(numbers: Sequence[int], *, unsigned: bool = False) -> bytes:
    """Code integers below 2**63 in size (any 64 bits when ``unsigned``): width, length, planes."""
    coded = numbers if unsigned else [n << 1 if n >= 0 else ~(n << 1) for n in numbers]
    width = _width(max(coded, default=0))
    return struct.pack("<BI", width, len(coded)) + _planes(coded, width)


def _read_vector(data: bytes, at: int, *, unsigned: bool = False) -> tuple[list[int], int]:
    width, size = struct.unpack_from("<BI", data, at)
    end = at + 5 + width * size
    coded = _from_planes(data[at + 5 : end], width)
    if unsigned:
        return list(coded), end
    return [n >> 1 if not n & 1 else ~(n >> 1) for n in coded], end


def _series(numbers: Sequence[int]) -> bytes:
    """Code integers plainly (from their middle) or as differences: what compresses better."""
    base = sorted(numbers)[len(numbers) // 2] if numbers else 0
    plain = b"\0" + _vector([base]) + _vector([n - base for n in numbers])
    first = numbers[0] if numbers else 0
    steps = b"\1" + _vector([first]) + _vector([b - a for a, b in pairwise(numbers)])
    return min(plain, steps, key=lambda b: len(zlib.compress(b, 6)))


def _read_series(data: bytes, at: int) -> tuple[list[int], int]:
    mode = data[at]
    (base,), at = _read_vector(data, at + 1)
    numbers, at = _read_vector(data, at)
    if mode == 0:
        return [n + base for n in numbers], at
    return list(accumulate(numbers, initial=base)), at


def _differences(numbers: Sequence[int]) -> list[int]:
    return [numbers[0], *(b - a for a, b in pairwise(numbers))] if numbers else []


def pack_times(
    hour_start: int, times: Sequence[int], latencies: Sequence[int], commits: Sequence[int],
) -> bytes:
    """Return the block of the instants (ms), latencies (ms) and commit numbers of one hour."""
    steps = _differences([t - hour_start for t in times])
    return zlib.compress(
        b"".join((_vector(_differences(steps)), _series(latencies), _series(commits))), 9
    )


def unpack_times(hour_start: int, block: bytes) -> tuple[list[int], list[int], list[int]]:
    """Return what :func:`pack_times` was given. Raises ``zlib.error`` on damage."""
    data = zlib.decompress(block)
    twice, at = _read_vector(data, 0)
    latencies, at = _read_series(data, at)
    commits, _ = _read_series(data, at)
    times = [t + hour_start for t in accumulate(accumulate(twice))]
    return times, latencies, commits


def unpack_instants(hour_start: int, block: bytes) -> list[int]:
    """Return only the instants of what :func:`pack_times` was given."""
    twice, _ = _read_vector(zlib.decompress(block), 0)
    return [t + hour_start for t in accumulate(accumulate(twice))]


def _decimals(values: Sequence[float]) -> tuple[int, list[int]] | None:
    """Return the power of ten and the integers that give the values back exactly, if any do."""
    for power, scale in enumerate(_SCALES):
        numbers = []
        for value in values:
            number = round(value * scale) if abs(value) < _EXACT / scale else _EXACT
            if abs(number) >= _EXACT or number / scale != value:
                break
            numbers.append(number)
        else:
            return power, numbers
    return None


def _ordered_bits(values: Sequence[float]) -> list[int]:
    """Return the floats' bits as integers that grow with the float, neighbours 1 apart."""
    bits = array("Q", array("d", values).tobytes())
    return [_SIGN - b if b & _SIGN else b for b in bits]


def _grid(values: Sequence[float]) -> tuple[float, float, list[int], list[int]] | None:
    """Return base, step, grid numbers and corrections in units of the last place, if it pays."""
    distinct = sorted(set(values))
    if len(distinct) < 3 or not all(-1e300 < v < 1e300 for v in (distinct[0], distinct[-1])):
        return None
    base, span = distinct[0], distinct[-1] - distinct[0]
    gap = min((b - a for a, b in pairwise(distinct) if b - a > span * 1e-7), default=0.0)
    if gap <= 0.0 or span / gap > 1e6:
        return None
    step = span / round(span / gap)
    numbers = [round((v - base) / step) for v in values]
    likely = _ordered_bits([base + n * step for n in numbers])
    wrong = [b - a for a, b in zip(likely, _ordered_bits(values), strict=True)]
    if max(map(abs, wrong)) >= 1 << 15:
        return None
    return base, step, numbers, wrong


def _floats(values: Sequence[float]) -> bytes:
    """Code floats, exactly. The first byte says how."""
    # A negative zero equals zero but has other bits: arithmetic would lose its sign.
    plain = all(isfinite(v) and (v or copysign(1.0, v) > 0.0) for v in values)
    if plain and (found := _decimals(values)) is not None:
        return b"\0" + bytes((found[0],)) + _series(found[1])
    if plain and (grid := _grid(values)) is not None:
        base, step, numbers, wrong = grid
        return b"\1" + struct.pack("<dd", base, step) + _series(numbers) + _vector(wrong)
    bits = array("Q", array("d", values).tobytes())
    return b"\2" + _vector(
        [bits[0], *(a ^ b for a, b in pairwise(bits))] if bits else [], unsigned=True
    )


def _read_floats(data: bytes, at: int) -> list[float]:
    mode = data[at]
    if mode == 0:
        scale = _SCALES[data[at + 1]]
        return [n / scale for n in _read_series(data, at + 2)[0]]
    if mode == 1:
        base, step = struct.unpack_from("<dd", data, at + 1)
        numbers, at = _read_series(data, at + 17)
        wrong, _ = _read_vector(data, at)
        bits = [
            b + w for b, w in zip(
                _ordered_bits([base + n * step for n in numbers]), wrong, strict=True
            )
        ]
        return list(array("d", array("Q", [b if b >= 0 else _SIGN - b for b in bits]).tobytes()))
    changed, _ = _read_vector(data, at + 1, unsigned=True)
    return list(array("d", array("Q", accumulate(changed, int.__xor__)).tobytes()))


def _runs(marks: Iterable[tuple[bool, int, int]]) -> Iterator[int]:
    for (missing, quality, why), run in groupby(marks):
        yield sum(1 for _ in run)
        yield int(missing)
        yield quality
        yield why


def pack_values(
    values: Sequence[float | None], qualities: Sequence[int], whys: Sequence[int],
) -> bytes:
    """Return the block of one series' values with their quality codes and reason numbers."""
    marks = zip((v is None for v in values), qualities, whys, strict=True)
    present = [v for v in values if v is not None]
    return zlib.compress(_vector(list(_runs(marks))) + _floats(present), 9)


def unpack_values(block: bytes) -> tuple[list[float | None], list[int], list[int]]:
    """Return what :func:`pack_values` was given. Raises ``zlib.error`` on damage."""
    data = zlib.decompress(block)
    runs, at = _read_vector(data, 0)
    present = iter(_read_floats(data, at))
    values: list[float | None] = []
    qualities: list[int] = []
    whys: list[int] = []
    for size, missing, quality, why in zip(*(runs[i::4] for i in range(4)), strict=True):
        values.extend([None] * size if missing else islice(present, size))
        qualities.extend([quality] * size)
        whys.extend([why] * size)
    return values, qualities, whys


ROW_OVERHEAD = 60
"""Bytes of one ``packed_hours`` row and its block's row header, measured; used in statistics."""

Aggregates = tuple[int, int, float | None, float | None, float | None]
_Vectors = tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]


def get_state(db: sqlite3.Connection, key: str) -> int:
    """Return a counter of the journal's own, 0 when it was never set."""
    row = db.execute("SELECT value FROM state WHERE key = ?", (key,)).fetchone()
    return 0 if row is None else int(row[0])


def add_state(db: sqlite3.Connection, key: str, amount: int) -> None:
    """Add to a counter of the journal's own."""
    db.execute(
        "INSERT INTO state VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = value + ?2",
        (key, amount),
    )


def first_open(db: sqlite3.Connection, hour: int) -> int | None:
    """Return the first hour from ``hour`` on that has open rows."""
    first = db.execute(
        "SELECT min((SELECT min(time) FROM readings r WHERE r.series = s.id AND r.time >= ?)) "
        "FROM series s", (hour * HOUR,),
    ).fetchone()[0]
    return None if first is None else int(first) // HOUR


def _aggregate(rows: Sequence[Row]) -> Aggregates:
    good = [r.value for r in rows if r.value is not None and counts(r.value, r.quality)]
    if not good:
        return len(rows), 0, None, None, None
    return len(rows), len(good), min(good), fsum(good) / len(good), max(good)


def write_hour(
    db: sqlite3.Connection, hour: int, series: Mapping[int, Sequence[Row]],
) -> PackResult:
    """Store the rows of each series, in time order, as the blocks of an hour that has none yet."""
    shared: dict[_Vectors, int] = {}
    size = rows_stored = 0
    for number, rows in series.items():
        times, _, values, qualities, whys, latencies, commits = zip(*rows, strict=True)
        vectors: _Vectors = (times, latencies, commits)
        times_id = shared.get(vectors)
        if times_id is None:
            block = pack_times(hour * HOUR, times, latencies, commits)
            times_id = shared[vectors] = _insert(
                db, "INSERT INTO packed_times (hour, first_commit, last_commit, data) "
                "VALUES (?, ?, ?, ?)", (hour, min(commits), max(commits), block),
            )
            size += len(block) + ROW_OVERHEAD
        block = pack_values(values, qualities, whys)
        values_id = _insert(db, "INSERT INTO packed_values (data) VALUES (?)", (block,))
        db.execute(
            "INSERT INTO packed_hours VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (number, hour, *_aggregate(rows), times_id, values_id),
        )
        size += len(block) + ROW_OVERHEAD
        rows_stored += len(rows)
    add_state(db, "packed_readings", rows_stored)
    add_state(db, "packed_bytes", size)
    return PackResult(hours=1, readings=rows_stored, bytes=size)


def _insert(db: sqlite3.Connection, statement: str, values: tuple[object, ...]) -> int:
    number = db.execute(statement, values).lastrowid
    assert number is not None
    return number


def delete_packed(db: sqlite3.Connection, hour: int, series: Sequence[int]) -> int:
    """Delete the blocks of some series in one hour; return how many readings they held."""
    readings = size = 0
    for number in series:
        found = db.execute(
            "SELECT p.count_all, p.values_id, length(v.data) FROM packed_hours p "
            "JOIN packed_values v ON v.id = p.values_id WHERE p.series = ? AND p.hour = ?",
            (number, hour),
        ).fetchone()
        if found is None:
            continue
        readings += found[0]
        size += found[2] + ROW_OVERHEAD
        db.execute("DELETE FROM packed_values WHERE id = ?", (found[1],))
        db.execute("DELETE FROM packed_hours WHERE series = ? AND hour = ?", (number, hour))
    used = {
        times_id for (times_id,) in db.execute(
            "SELECT p.times_id FROM series s CROSS JOIN packed_hours p "
            "ON p.series = s.id AND p.hour = ?", (hour,),
        )
    }
    for times_id, length in db.execute(
        "SELECT id, length(data) FROM packed_times WHERE hour = ?", (hour,)
    ).fetchall():
        if times_id not in used:
            db.execute("DELETE FROM packed_times WHERE id = ?", (times_id,))
            size += length + ROW_OVERHEAD
    add_state(db, "packed_readings", -readings)
    add_state(db, "packed_bytes", -size)
    return readings


def pack_hour(db: sqlite3.Connection, hour: int) -> PackResult:
    """Move the open rows of an hour into its blocks, merging with those it has.

    Runs inside the caller's transaction. ``readings`` counts the rows moved.
    """
    start, end = hour * HOUR, (hour + 1) * HOUR
    rows = [Row.stored(row) for row in db.execute(
        "SELECT r.time, r.series, r.value, r.quality, r.why, r.latency, r.commit_no "
        "FROM series s CROSS JOIN readings r ON r.series = s.id AND r.time >= ? AND r.time < ? "
        "ORDER BY r.series, r.time", (start, end),
    )]
    series = {number: list(group) for number, group in groupby(rows, key=lambda r: r.series)}
    for number, fresh in series.items():
        # The commit made sure that no two rows of a series have the same time, packed or open.
        merged = sorted(
            [*packed_series_rows(db, hour, number), *fresh], key=lambda r: r.time
        )
        series[number] = merged
    if db.execute("SELECT 1 FROM packed_times WHERE hour = ?", (hour,)).fetchone():
        delete_packed(db, hour, list(series))
    result = write_hour(db, hour, series)
    for number in series:
        db.execute(
            "DELETE FROM readings WHERE series = ? AND time >= ? AND time < ?",
            (number, start, end),
        )
    return PackResult(hours=1, readings=len(rows), bytes=result.bytes)
