"""Section A: what the fire standards let a pipe lose, and how fast it must fill."""

import pytest

from collector.acceptance.steps import Kind, Size, plan
from collector.physics.gas import amount, standard_molar_volume
from collector.physics.leak import leak_rate, pressure_drop
from collector.physics.tightness import IN_SERVICE, PSI, allowed_flow
from tests.rules.support import plant

GALLON = 3.785411784e-3
CUBIC_FOOT = 0.028316846592
ATMOSPHERE = 14.696 * PSI


def test_acceptance_test_of_new_pipe():
    # NFPA 13 28.2.2: "in excess of 1 1/2 psi (0.1 bar) for the 24 hours" at 40 psi. Read.
    limits = {s.kind: s.limits for s in plan(plant(), Size.SMALL)}[Kind.TIGHTNESS_DAY]
    assert (limits["psi"], limits["loss"], limits["hours"]) == (40.0, 1.5, 24.0)
    assert limits["loss"] * PSI / 1e5 == pytest.approx(0.1, abs=0.005)


def test_three_year_test_of_pipe_in_service():
    # NFPA 25 (2014), "lose up to 3 psi" in 2 h at 40 psi. Second hand. Tested in psi: a reprint
    # says 3.2 bar for 40 psi, which is 2.76 bar.
    assert IN_SERVICE.gauge_pa / 1e5 == pytest.approx(2.76, abs=0.005)
    assert IN_SERVICE.loss_pa / PSI == pytest.approx(3)
    assert IN_SERVICE.duration_s == 2 * 3600


def test_permitted_leak_of_a_riser_by_hand():
    # Computed: 3 psi of 450 gal (60.16 ft3) in 2 h is 3/14.696 x 60.16 / 2 = 6.14 ft3/h of free
    # air at the temperature of the pipe.
    flow = allowed_flow(IN_SERVICE, 450 * GALLON, 40 * PSI, ATMOSPHERE, 288.7056)
    scfh = flow * standard_molar_volume(288.7056, ATMOSPHERE) / CUBIC_FOOT * 3600
    assert scfh == pytest.approx(6.14, abs=0.01)


def test_fill_of_the_largest_system_in_half_an_hour():
    # 30 min is NFPA 13 (from memory), 750 gal is NFPA 13 7.2.3.1 (second hand); computed by the
    # ideal gas law: 9.09 scfm from 0 to 40 psig.
    mol = amount(40 * PSI, 750 * GALLON, 288.7056)
    scfm = mol * standard_molar_volume(288.7056, ATMOSPHERE) / CUBIC_FOOT / 30
    assert scfm == pytest.approx(9.09, abs=0.01)


def test_a_cold_night_is_not_a_leak():
    # Computed: 10 degF of cooling at 40 psig and 70 degF moves the pressure 1.03 psi.
    warm, cold = (70 + 459.67) / 1.8, (60 + 459.67) / 1.8
    assert 54.7 - 54.7 * cold / warm == pytest.approx(1.03, abs=0.005)
    # A fall of 1.5 psi over those 10 degF is only 0.476 psi of gas: 3.18 scf per 100 ft3.
    # 24 h of it read every hour, p/T falling in a straight line.
    kelvin = [warm + (cold - warm) * i / 24 for i in range(25)]
    held = [(54.7 / warm + (53.2 / cold - 54.7 / warm) * i / 24) * PSI for i in range(25)]
    found = leak_rate([3600.0 * i for i in range(25)],
                      [h * k for h, k in zip(held, kelvin, strict=True)], kelvin, 1.0)
    real = pressure_drop(found.value, 1.0, warm)
    assert real / PSI == pytest.approx(0.476, abs=0.0005)
    lost = amount(real, 100 * CUBIC_FOOT, warm)
    base = standard_molar_volume((60 + 459.67) / 1.8, ATMOSPHERE)
    assert lost * base / CUBIC_FOOT == pytest.approx(3.18, abs=0.005)
