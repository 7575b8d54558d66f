"""Blocks give back exactly what they were given, and are small where the plant is calm."""

import math
import random
import struct
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.journal.codec import (
    pack_times,
    pack_values,
    unpack_instants,
    unpack_times,
    unpack_values,
)

FLOATS = st.floats(allow_nan=True, allow_infinity=True, width=64)
DECIMALS = st.builds(lambda n, d: n / 10**d, st.integers(-40000, 40000), st.integers(0, 4))
REGISTERS = st.builds(lambda n: n * 0.1 * 14.503773773 + 32.0, st.integers(-32768, 32767))
MARKS = st.tuples(st.integers(0, 2), st.integers(0, 300))


def bits(value):
    return None if value is None else struct.pack("<d", value)


def rows(values):
    return st.lists(st.tuples(st.none() | values, MARKS), max_size=80)


def assert_exact(values, qualities, whys):
    got = unpack_values(pack_values(values, qualities, whys))
    assert [bits(v) for v in got[0]] == [bits(v) for v in values]
    assert got[1:] == (qualities, whys)


@settings(max_examples=150, deadline=None)
@given(st.one_of(
    rows(FLOATS), rows(DECIMALS), rows(REGISTERS), rows(st.integers(-9, 9).map(float)),
))
def test_values_come_back_bit_for_bit(samples):
    assert_exact(
        [v for v, _ in samples], [m[0] for _, m in samples], [m[1] for _, m in samples]
    )


@pytest.mark.parametrize("values", [
    [-0.0, 0.0, 1.0], [math.nan, math.inf, -math.inf], [5e-324, -5e-324, 0.0, 1.7e308],
    [0.1 * n for n in range(300)], [None] * 5, [], [float(1 << 53), float((1 << 53) + 2)],
    [-1.0, 0.0, 1.0, -0.5], [68.9476 * n for n in (3, 9, 4, 3, 900)],
])
def test_awkward_values_come_back_bit_for_bit(values):
    assert_exact(values, [0] * len(values), [1] * len(values))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(
    st.integers(0, 3_599_999), st.integers(-(1 << 40), 1 << 40), st.integers(1, 1 << 50),
), max_size=60))
def test_times_latencies_and_commits_come_back(samples):
    hour = 1_772_323_200_000
    vectors = (
        sorted(hour + t for t, _, _ in samples), [n for _, n, _ in samples],
        [c for _, _, c in samples],
    )
    assert unpack_times(hour, pack_times(hour, *vectors)) == vectors
    assert unpack_instants(hour, pack_times(hour, *vectors)) == vectors[0]


def noisy(convert, seed=4):
    rng = random.Random(seed)
    return [convert(round(rng.gauss(400, 2))) for _ in range(360)]


def test_scaled_registers_cost_about_their_noise():
    # Shannon 1948: a Gaussian of standard deviation s steps has log2(s sqrt(2 pi e)) bits a sample:
    # 3.05 for s = 2, so 137 bytes for 360 samples; deflate cannot be below it, nor far above.
    decimal = len(pack_values(noisy(lambda n: n / 10), [0] * 360, [1] * 360))
    assert 137 <= decimal <= 1.7 * 137 + 60
    # The same registers after a change of unit are no decimals any more.
    turned = len(pack_values(noisy(lambda n: n * 0.1 * 0.145037738), [0] * 360, [1] * 360))
    assert turned <= 360 * 1.2


def test_a_damaged_block_is_noticed():
    block = bytearray(pack_values(noisy(float), [0] * 360, [1] * 360))
    block[len(block) // 2] ^= 0x10
    with pytest.raises(zlib.error):
        unpack_values(bytes(block))
