"""Blocks of one closed hour: exact, small, and fast enough in plain Python.

A block is zlib data (its checksum notices damage) of a few vectors. A vector of integers is coded
as plain numbers or differences, whichever comes out smaller, zigzag, in the narrowest of 1, 2, 4 or
8 bytes, byte planes apart: the planes of noise and of zeros compress each on its own terms.

Values that are decimals (what a scaled register gives) become integers; values on another even grid
(a scaled register after a change of unit) become grid numbers and a correction in units of the last
place; anything else keeps its 64 bits. All three give back the very same floats.
"""

from __future__ import annotations

import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, groupby, islice, pairwise
from math import copysign, isfinite

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
    """Encode integers below 2**63 (any 64 bits when ``unsigned``) as width, length, byte planes."""
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
    """Code integers plainly (from their middle) or as differences, whichever compresses better."""
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
