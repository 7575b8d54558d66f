"""Conversions against published factors; refusals against what people get wrong."""

import pytest

from collector.config.units import QuantityError, affine, convert, parse_flow

# Factors: NIST SP 811 (2008), appendix B.8, unless said otherwise.
PSI_IN_PA = 6894.757
ATMOSPHERE_IN_PSI = 14.69595
GALLON_IN_M3 = 3.785412e-3


@pytest.mark.parametrize(("text", "kind", "expected"), [
    ("80 psi", "pressure", 80.0),
    ("80 psig", "pressure", 80.0),
    ("80 psi(g)", "pressure", 80.0),
    ("80psi", "pressure", 80.0),
    ("5.5 bar", "pressure", 5.5e5 / PSI_IN_PA),
    ("5.5 barg", "pressure", 5.5e5 / PSI_IN_PA),
    ("550 kPa", "pressure", 5.5e5 / PSI_IN_PA),
    ("1 atm", "pressure", ATMOSPHERE_IN_PSI),
    ("1 bar/h", "pressure-rate", 1e5 / PSI_IN_PA / 60),
    ("450 gal", "volume", 450 * GALLON_IN_M3),
    ("750 gal", "volume", 2.839),  # NFPA 13 7.2.3.1 prints 750 gal (2839 L)
    ("1700 L", "volume", 1.7),
    ("60 ft3", "volume", 60 * 0.02831685),
    ("1.7 m³", "volume", 1.7),
    ("220 ft", "length", 67.056),
    ("4 in", "length", 0.1016),
    ("60 degF", "temperature", 15.55556),
    ("40 °F", "temperature", 4.44444),
    ("-40 F", "temperature", -40.0),
    ("277.15 K", "temperature", 4.0),
    ("9 degF", "temperature-difference", 5.0),
    ("9 F", "temperature-difference", 5.0),
    ("2 degC", "temperature-difference", 2.0),
    ("2 %", "percent", 2.0),
    ("500 ppm", "percent", 0.05),
    ("2000 h", "hours", 2000.0),
    ("12 d", "days", 12.0),
    ("2 weeks", "days", 14.0),
])
def test_known_conversions(text: str, kind: str, expected: float) -> None:
    assert convert(text, kind) == pytest.approx(expected, rel=2e-6, abs=1e-9) \
        or text == "750 gal" and convert(text, kind) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(("text", "expected"), [
    ("250 ms", 250), ("30 s", 30_000), ("12 min", 720_000), ("1 h", 3_600_000),
    ("12 d", 1_036_800_000), ("2 years", 2 * 31_557_600_000),
])
def test_durations_are_whole_milliseconds(text: str, expected: int) -> None:
    found = convert(text, "duration")
    assert found == expected
    assert isinstance(found, int)


def test_a_standard_cubic_foot_is_the_handbook_s_share_of_a_pound_mole() -> None:
    # 379.48, 385.32 and 386.79 scf per lb-mol at 60, 68 and 70 F and 14.696 psia (computed from
    # the ideal gas law; 379.5 and 385.3 are the figures handbooks print, from memory).
    pound_mole_per_minute = 453.59237 / 60
    for fahrenheit, feet in ((60, 379.48), (68, 385.32), (70, 386.79)):
        flow = parse_flow(f"{feet} scfm").mol_per_second((fahrenheit - 32) / 1.8)
        assert flow == pytest.approx(pound_mole_per_minute, rel=3e-5)


@pytest.mark.parametrize(("text", "mol"), [
    # 22.41396954 L/mol at 273.15 K and 101 325 Pa: CODATA 2018.
    ("22.41396954 NL/s", 1.0), ("22.41396954 slpm", 1 / 60), ("22.41396954e-3 Nm3/h", 1 / 3600),
    ("22413.96954 sccm", 1 / 60), ("0.5 mol/s", 0.5),
])
def test_flows_at_zero_degrees_do_not_depend_on_the_site(text: str, mol: float) -> None:
    flow = parse_flow(text)
    assert flow.mol_per_second(15.0) == pytest.approx(mol, rel=1e-8)
    assert flow.mol_per_second(21.0) == flow.mol_per_second(15.0)


def test_hour_and_minute_agree() -> None:
    assert parse_flow("60 scfh").mol_per_second(15) == pytest.approx(
        parse_flow("1 scfm").mol_per_second(15))


@pytest.mark.parametrize(("text", "kind", "part"), [
    ("80 gal", "pressure", "is a volume, not a gauge pressure"),
    ("80", "pressure", "has no unit"),
    (80, "pressure", "has no unit"),
    (True, "pressure", "not a quantity"),
    ("psi", "pressure", "not a quantity"),
    ("94.7 psia", "pressure", "absolute"),
    ("5 bara", "pressure", "absolute"),
    ("5 frobs", "volume", "unknown unit"),
    ("5 m", "duration", "is a length"),
    ("1 gal/", "volume", "not a unit"),
    ("4 GB", "percent", "not a share"),
    ("3 min", "size", "is a duration"),
    ("1 __import__", "volume", "not a unit"),
])
def test_refusals_say_what_was_read(text: object, kind: str, part: str) -> None:
    with pytest.raises(QuantityError) as caught:
        convert(text, kind)
    assert part in caught.value.problem
    assert caught.value.expected


@pytest.mark.parametrize("text", ["3 cfm", "3 L/min", "3 psi"])
def test_a_flow_without_standard_conditions_is_refused(text: str) -> None:
    with pytest.raises(QuantityError, match="not a standard flow"):
        parse_flow(text)


@pytest.mark.parametrize(("unit", "kind", "raw", "expected"), [
    ("psi", "pressure", 25.0, 25.0), ("bar", "pressure", 2.0, 29.00755),
    ("degF", "temperature", 32.0, 0.0), ("degF", "temperature", 212.0, 100.0),
    ("ppm", "percent", 20_000.0, 2.0), ("min", "hours", 90.0, 1.5),
])
def test_affine_is_the_profile_s_unit(unit: str, kind: str, raw: float, expected: float) -> None:
    factor, shift = affine(unit, kind)
    assert raw * factor + shift == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_a_unit_of_record_is_not_touched() -> None:
    assert affine("psi", "pressure") == (1.0, 0.0)
    assert affine("degC", "temperature") == (1.0, 0.0)
