"""Registers to values: the inverse written by hand, and what must come out as bad."""

from __future__ import annotations

import math
import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.readings import Quality
from collector.sources import PointSettings, decode, raw_value, width

CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "int64": "q", "uint64": "Q",
         "float32": "f", "float64": "d"}
ORDERS = st.sampled_from(["high-first", "low-first"])


def point(**more: object) -> PointSettings:
    return PointSettings(**{  # type: ignore[arg-type]
        "point": "gen1.tank_pressure", "table": "holding-registers", **more,
    })


def registers_of(data: bytes, word_order: str, byte_order: str) -> list[int]:
    """The other way round: value bytes, high first, to registers as a device lays them out."""
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if byte_order == "low-first":
        pairs = [p[::-1] for p in pairs]
    if word_order == "low-first":
        pairs = pairs[::-1]
    return [p[0] << 8 | p[1] for p in pairs]


@given(st.sampled_from(sorted(CODES)), st.binary(min_size=8, max_size=8), ORDERS, ORDERS)
def test_every_type_in_every_order(kind: str, noise: bytes, words: str, octets: str) -> None:
    data = noise[: struct.calcsize(">" + CODES[kind])]
    value = struct.unpack(">" + CODES[kind], data)[0]
    p = point(type=kind, word_order=words, byte_order=octets)
    registers = registers_of(data, words, octets)
    assert len(registers) == width(p)
    got = decode(p, registers)
    if isinstance(value, float) and not math.isfinite(value):
        assert got.value is None
        assert got.quality is Quality.BAD
    else:
        assert raw_value(p, registers) == value
        assert got.value == float(value)
        assert got.quality is Quality.GOOD


@pytest.mark.parametrize(("registers", "words", "octets"), [
    ([0x4049, 0x0FDB], "high-first", "high-first"),
    ([0x0FDB, 0x4049], "low-first", "high-first"),
    ([0x4940, 0xDB0F], "high-first", "low-first"),
    ([0xDB0F, 0x4940], "low-first", "low-first"),
])
def test_pi_in_the_four_orders(registers: list[int], words: str, octets: str) -> None:
    """0x40490FDB is the float32 nearest to pi (IEEE 754)."""
    got = decode(point(type="float32", word_order=words, byte_order=octets), registers)
    assert got.value == pytest.approx(math.pi, abs=2e-7)


def test_negative_and_large() -> None:
    assert decode(point(type="int16"), [0xFFFF]).value == -1
    assert decode(point(type="int32"), [0xFFFF, 0xFFFE]).value == -2
    assert decode(point(type="uint64"), [0xFFFF] * 4).value == float(2**64 - 1)


@given(st.integers(-32768, 32767), st.floats(0.001, 100), st.floats(-50, 50),
       st.floats(0.1, 15), st.floats(-300, 300))
def test_scaling_in_the_order_of_profile_then_unit(
    raw: int, scale: float, offset: float, factor: float, shift: float
) -> None:
    p = point(type="int16", scale=scale, offset=offset, factor=factor, shift=shift)
    got = decode(p, [raw & 0xFFFF]).value
    assert got is not None
    assert (got - shift) / factor == pytest.approx(raw * scale + offset, rel=1e-9, abs=1e-7)


def test_a_bar_register_in_psi() -> None:
    """5.52 bar in hundredths, into psi: 14.5038 psi to the bar (NIST SP 811, appendix B.8)."""
    got = decode(point(type="uint16", scale=0.01, factor=14.5038), [552])
    assert got.value == pytest.approx(80.061, abs=0.001)


def test_marked_invalid() -> None:
    got = decode(point(type="int16", scale=0.1, invalid=(32767.0,)), [32767])
    assert (got.value, got.quality) == (None, Quality.BAD)
    assert "no value" in got.why
    assert decode(point(type="int16", scale=0.1, invalid=(32767.0,)), [32766]).value == 3276.6


def test_outside_the_possible_the_value_is_kept() -> None:
    p = point(type="int16", scale=0.1, low=-5.0, high=200.0)
    assert decode(p, [2000]).quality is Quality.GOOD
    for raw, value, word in ((2001, 200.1, "above"), (-51 & 0xFFFF, -5.1, "below")):
        got = decode(p, [raw])
        assert got.value == pytest.approx(value)
        assert got.quality is Quality.BAD
        assert word in got.why


@pytest.mark.parametrize("registers", [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0]])
def test_nan_and_infinity(registers: list[int]) -> None:
    got = decode(point(type="float32"), registers)
    assert (got.value, got.quality) == (None, Quality.BAD)


def test_a_scale_beyond_numbers() -> None:
    got = decode(point(type="float64", scale=1e300), [0x7FE0, 0, 0, 0])
    assert (got.value, got.quality) == (None, Quality.BAD)


def test_listed_values_and_one_that_is_not() -> None:
    p = point(type="uint16", values={"0": 0.0, "1": 1.0, "2": 2.0})
    assert decode(p, [2]).value == 2.0
    got = decode(p, [7])
    assert (got.value, got.quality) == (None, Quality.BAD)
    assert "'7'" in got.why
    assert decode(point(type="float32", values={"2": 1.0}), [0x4000, 0]).value == 1.0


def test_text() -> None:
    p = point(type="text", length=4, values={"N2 GEN": 1.0})
    words = [int.from_bytes(b"N2 GEN\0x"[i : i + 2], "big") for i in range(0, 8, 2)]
    assert decode(p, words).value == 1.0
    swapped = [w >> 8 | (w & 0xFF) << 8 for w in words]
    assert decode(replace(p, byte_order="low-first"), swapped).value == 1.0
    assert decode(replace(p, values={}), words).quality is Quality.BAD
    assert decode(p, [0xFFFF] * 4).quality is Quality.BAD


@given(st.integers(0, 0xFFFF), st.integers(0, 15), ORDERS)
def test_a_bit_in_a_register(register: int, bit: int, octets: str) -> None:
    stored = register if octets == "high-first" else (register >> 8 | (register & 0xFF) << 8)
    p = point(type="bit", bit=bit, byte_order=octets)
    assert decode(p, [stored]).value == float(f"{register:016b}"[15 - bit])


def test_a_bit_of_its_own() -> None:
    p = point(table="coils", type="bit")
    assert [decode(p, [b]).value for b in (0, 1)] == [0.0, 1.0]


@pytest.mark.parametrize("wrong", [
    {"table": "coils", "type": "uint16"}, {"type": "bit"}, {"type": "bit", "bit": 16},
    {"type": "decimal"},
])
def test_a_type_that_cannot_be(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="gen1"):
        width(point(**wrong))


def test_too_few_registers_are_bad_not_a_crash() -> None:
    assert decode(point(type="float32"), [1]).quality is Quality.BAD
