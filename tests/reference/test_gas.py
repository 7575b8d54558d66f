"""Section C: gas and atmosphere against reference libraries and their printed figures."""

import warnings

import pytest
from fluids import ATMOSPHERE_1976

from collector.physics.atmosphere import (
    OXYGEN_IN_AIR,
    geopotential_altitude,
    pressure_at_altitude,
)
from collector.physics.gas import MOLAR_MASS_NITROGEN, amount, standard_molar_volume

PSI = 6894.757293168
POUND, CUBIC_FOOT = 0.45359237, 0.028316846592
MOLAR_MASS_AIR = 0.0289647  # kg/mol, dry; U.S. Standard Atmosphere 1976

# CoolProp 8.0.0 (Span et al. for nitrogen, Lemmon et al. for air): lb/ft3 and Z. Recomputed below.
TABLE = {
    ("Nitrogen", 40): [(0.076826, 0.99960), (0.155284, 0.99919), (0.286185, 0.99852),
                       (0.495972, 0.99749)],
    ("Nitrogen", 70): [(0.072463, 0.99977), (0.146438, 0.99953), (0.269804, 0.99916),
                       (0.467370, 0.99858)],
    ("Nitrogen", 100): [(0.068569, 0.99990), (0.138551, 0.99981), (0.255214, 0.99966),
                        (0.441937, 0.99944)],
    ("Air", 40): [(0.079448, 0.99945), (0.160607, 0.99890), (0.296065, 0.99800),
                  (0.513289, 0.99660)],
    ("Air", 70): [(0.074935, 0.99963), (0.151455, 0.99927), (0.279109, 0.99867),
                  (0.483658, 0.99775)],
    ("Air", 100): [(0.070908, 0.99978), (0.143295, 0.99956), (0.264008, 0.99920),
                   (0.457314, 0.99866)],
}  # fmt: skip
PSIA = (14.7, 29.7, 54.7, 94.7)
CELLS = [
    (gas, degf, psia, *cell)
    for (gas, degf), cells in TABLE.items()
    for psia, cell in zip(PSIA, cells, strict=True)
]
MASS = {"Nitrogen": MOLAR_MASS_NITROGEN, "Air": MOLAR_MASS_AIR}


@pytest.fixture(scope="module")
def props():
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    return coolprop.PropsSI


@pytest.mark.parametrize(("gas", "degf", "psia", "density", "z"), CELLS)
def test_density_with_its_compressibility(gas, degf, psia, density, z):
    mol = amount(psia * PSI, CUBIC_FOOT, (degf + 459.67) / 1.8, compressibility=z)
    assert mol * MASS[gas] / POUND == pytest.approx(density, rel=3e-5)


@pytest.mark.parametrize(("gas", "degf", "psia", "density", "z"), CELLS)
def test_ideal_gas_is_within_0_4_percent(gas, degf, psia, density, z):
    mol = amount(psia * PSI, CUBIC_FOOT, (degf + 459.67) / 1.8)
    assert mol * MASS[gas] / POUND == pytest.approx(density, rel=4e-3)


@pytest.mark.parametrize(("gas", "degf", "psia", "density", "z"), CELLS)
def test_the_printed_table_is_the_library(props, gas, degf, psia, density, z):
    p, t = psia * PSI, (degf + 459.67) / 1.8
    assert props("D", "P", p, "T", t, gas) * CUBIC_FOOT / POUND == pytest.approx(density, rel=1e-5)
    assert props("Z", "P", p, "T", t, gas) == pytest.approx(z, abs=1e-5)


def test_densities_at_one_atmosphere():
    # CoolProp: kg/m3 at 0 degC, 15 degC and 70 degF.
    for gas, row in (
        ("Nitrogen", (1.25039, 1.18510, 1.16042)),
        ("Air", (1.29307, 1.22554, 1.20001)),
    ):
        for t, density in zip((273.15, 288.15, 529.67 / 1.8), row, strict=True):
            assert amount(101_325, 1, t) * MASS[gas] == pytest.approx(density, rel=1e-3)


def test_density_printed_with_the_moss_table():
    # 0.07494 lb/ft3 at 14.7 psia and 70 degF (engineers' handbooks; read).
    mol = amount(14.7 * PSI, CUBIC_FOOT, 529.67 / 1.8, compressibility=0.99963)
    assert mol * MOLAR_MASS_AIR / POUND == pytest.approx(0.07494, abs=1e-5)


@pytest.mark.parametrize(("degf", "scf"), [(60, 379.48), (68, 385.32), (70, 386.79)])
def test_standard_cubic_feet_in_a_pound_mole(degf, scf):
    # At 14.696 psia; computed from the gas constant.
    v = standard_molar_volume((degf + 459.67) / 1.8, 14.696 * PSI)
    assert v * 1000 * POUND / CUBIC_FOOT == pytest.approx(scf, abs=0.01)


@pytest.mark.parametrize(
    ("metres", "pascal"),
    [(0, 101_325), (1500, 84_559.7), (5000 * 0.3048, 84_311.05), (3000, 70_121)],
)
def test_standard_atmosphere(metres, pascal):
    # U.S. Standard Atmosphere 1976 at geometric altitudes; three libraries agree.
    assert pressure_at_altitude(metres) == pytest.approx(pascal, abs=0.5)


def test_geometric_is_not_geopotential():
    # Trap: at a geopotential 1500 m it is 84 556 Pa (computed).
    z = 1500 * 6_356_766 / (6_356_766 - 1500)
    assert geopotential_altitude(z) == pytest.approx(1500)
    assert pressure_at_altitude(z) == pytest.approx(84_556, abs=0.5)


@pytest.mark.parametrize("metres", [-300, 0, 40, 610, 1500, 2400, 3000, 4500, 9000])
def test_atmosphere_against_two_libraries(metres):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from ambiance import Atmosphere
    assert pressure_at_altitude(metres) == pytest.approx(ATMOSPHERE_1976(metres).P, abs=0.05)
    theirs = float(Atmosphere(metres).pressure[0])
    assert pressure_at_altitude(metres) == pytest.approx(theirs, abs=0.05)


def test_a_worksheet_at_2400_m():
    # An engineer's worksheet prints 0.76 bar at 2400 m (read).
    assert round(pressure_at_altitude(2400) / 1e5, 2) == 0.76


def test_one_oxygen_fraction():
    # U.S. Standard Atmosphere 1976, table 3 (read in the constants of a library).
    assert OXYGEN_IN_AIR == 0.209476
