"""Decodings of raw registers: what gives a shown value, and what does not."""

import struct

import pytest

from collector.commissioning.decodings import NotShown, decodings, parse_shown


def words(fmt, value, *, word_order="high-first", byte_order="high-first"):
    data = struct.pack(">" + fmt, value)
    found = [int.from_bytes(data[n:n + 2], "big") for n in range(0, len(data), 2)]
    if byte_order == "low-first":
        found = [(w & 255) << 8 | w >> 8 for w in found]
    return found[::-1] if word_order == "low-first" else found


def values_of(registers, of):
    return [(d, v) for d in decodings(of) if (v := d.value(registers)) is not None]


def matching(registers, shown):
    return [d for d, v in values_of(registers, shown.of)
            if d.step <= 2 * shown.step and shown.fits(v, v, d.step)]


@pytest.mark.parametrize("of", ["psi", "%", "degC", "h", "count"])
def test_every_decoding_is_among_those_that_give_the_value_it_gives(of):
    value = {"psi": 71.5, "%": 1.83, "degC": 4.2, "h": 1200.2, "count": 4213}[of]
    codes = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f",
             "float64": "d"}
    tried = 0
    for one in decodings(of):
        shift = one.value(words(codes[one.type], 0))
        raw = (value - shift) / one.slope
        if not one.type.startswith("float"):
            raw = round(raw)
            if not -32768 < raw < 32768 or (raw < 0 and one.type.startswith("u")):
                continue
        registers = words(codes[one.type], raw, word_order=one.word_order,
                          byte_order=one.byte_order)
        got = one.value(registers)
        assert got == pytest.approx(value, abs=one.step / 2 + 1e-4)
        digits = {"psi": 1, "%": 2, "degC": 1, "h": 1, "count": 0}[of]
        if one.step <= 10.0 ** -digits:
            tried += 1
            assert one in matching(registers, parse_shown(f"{got:.{digits}f}", of)), str(one)
    assert tried >= 20


def test_a_display_may_round_or_cut_off():
    fits = parse_shown("71.5", "psi").fits
    assert fits(71.45, 71.45)
    assert fits(71.5999, 71.5999)
    assert not fits(71.44, 71.44)
    assert not fits(71.61, 71.61)
    below = parse_shown("-3.2 degC", "degC").fits
    assert below(-3.29, -3.29)
    assert not below(-3.1, -3.1)


def test_the_unit_of_the_display_need_not_be_that_of_the_register():
    found = matching([493], parse_shown("71.5 psi", "psi"))
    assert [(d.type, d.scale, d.unit) for d in found][:1] == [("int16", 0.01, "bar")]
    assert any((d.type, d.unit, d.scale) == ("int16", "kPa", 1.0) or d.slope == found[0].slope
               for d in found)
    cold = matching(words("h", 410), parse_shown("5.0 degC", "degC"))
    assert ("degF", 0.1) in {(d.unit, d.scale) for d in cold}
    assert ("% N2", 0.1) in {(d.unit, d.scale) for d in matching([982], parse_shown("1.8", "%"))}


def test_the_wrong_word_order_of_an_oxygen_reading_is_named():
    low_first = words("f", 1.83, word_order="low-first")
    likely = [str(d) for d, v in values_of(low_first, "%") if d.type == "float32" and 1 < v < 3]
    assert "float32, low word first, %" in likely
    as_read = next(v for d, v in values_of(low_first, "%") if str(d) == "float32, %")
    assert not 1 < as_read < 3


@pytest.mark.parametrize("text", ["", "abc", "71,5", "1 furlong", "7 1"])
def test_what_is_no_reading_of_a_display_is_refused(text):
    with pytest.raises(NotShown):
        parse_shown(text, "psi")


def test_two_names_of_one_decoding_are_listed_once():
    slopes = [(d.type, d.word_order, d.byte_order, round(d.slope, 9)) for d in decodings("psi")]
    assert len(slopes) == len(set(slopes))


@pytest.mark.parametrize(("text", "of", "number", "resolution"), [
    ("1,200.2 h", "h", 1200.2, 0.1), ("12,345", "count", 12345, 1), ("71.5psi", "psi", 71.5, 0.1),
    ("68 \u00b0F", "degC", 68, 1), ("-6.9 F", "degC", -6.9, 0.1), ("4.93 bar", "psi", 4.93, 0.01),
])
def test_numbers_are_read_as_displays_and_people_write_them(text, of, number, resolution):
    shown = parse_shown(text, of)
    assert (shown.number, shown.resolution) == (number, pytest.approx(resolution))


@pytest.mark.parametrize("text", ["71,5", "0,125 bar", "seventy", "71.5 furlongs", "1,20.5"])
def test_what_could_be_two_numbers_is_asked_again(text):
    with pytest.raises(NotShown):
        parse_shown(text, "psi")
