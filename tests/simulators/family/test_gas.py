from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from simulators.family import draw, simulate
from simulators.family.running import run

# Columns as simulators/family/stepping.py lists them.
MADE, AIR_MADE, NITROGEN_S, RAN, GEN_LEAK, TO_RISERS, GEN_N = 0, 1, 2, 3, 4, 5, 6
FED, SHOP, LEAK, HOLES, VENT, RIS_N, RIS_OXYGEN, END = range(8)

STORIES = [(1, None, None), (2, None, "purge"), (3, "pressure-falling-fast", None),
           (4, "oxygen-rising", None), (5, "compressor-long-run", None),
           (6, "air-fill-frequent", None), (7, "compressor-short-cycling", None)]


@pytest.mark.parametrize(("seed", "fault", "start"), STORIES)
def test_gas_that_came_in_went_out_or_is_still_there(seed, fault, start):
    history = run(draw(seed, days=3, fault=fault, start=start))
    gen, ris = history.generator_totals, history.riser_totals
    into = gen[..., MADE] + gen[..., AIR_MADE] + gen[0, :, GEN_N]
    out = gen[..., GEN_LEAK] + gen[..., TO_RISERS] + gen[..., GEN_N]
    np.testing.assert_allclose(out, into, rtol=1e-6)
    into = ris[..., FED] + ris[..., SHOP] + ris[0, :, RIS_N]
    out = ris[..., LEAK] + ris[..., HOLES] + ris[..., VENT] + ris[..., RIS_N]
    np.testing.assert_allclose(out, into, rtol=1e-6)
    np.testing.assert_allclose(gen[..., TO_RISERS].sum(axis=1), ris[..., FED].sum(axis=1),
                               rtol=1e-6, atol=1e-9)
    assert gen[-1, :, MADE].sum() + gen[-1, :, AIR_MADE].sum() > 0.0


@pytest.mark.parametrize(("seed", "fault", "start"), STORIES)
def test_no_gas_holds_more_oxygen_than_air_or_less_than_none(seed, fault, start):
    history = run(draw(seed, days=3, fault=fault, start=start))
    share = history.riser_totals[..., RIS_OXYGEN] / history.riser_totals[..., RIS_N]
    for oxygen in (share, history.riser_totals[..., END]):
        assert oxygen.min() > 0.0
        assert oxygen.max() <= 0.2095
    assert history.riser_totals[..., RIS_N].min() > 0.0


def test_oxygen_is_kept_while_nothing_flows_in():
    """A pipe shut off with its vent open loses oxygen only with the gas that leaves."""
    plant = draw(11, days=2, fault="compressor-not-starting", start="settled")
    ris = run(plant).riser_totals
    for k in range(len(plant.risers)):
        shut = np.flatnonzero(np.diff(ris[:, k, FED]) == 0.0)
        out = np.diff(ris[:, k, LEAK] + ris[:, k, HOLES] + ris[:, k, VENT])[shut]
        lost = -np.diff(ris[:, k, RIS_OXYGEN])[shut]
        assert (lost >= -1e-9).all()
        assert (lost <= out * 0.2095 + 1e-9).all()


def test_a_tank_pumps_up_as_the_ideal_gas_says():
    """With next to nothing drawn a refill takes V dp / (pa q): mean delivery against the clock."""
    plant = draw(4, days=2, start="settled")
    truth = simulate(plant).truth
    unit = plant.generators[0]
    made = truth.mean("compressor-delivery", unit.id, plant.start, plant.start + 2 * 86_400_000)
    assert made is not None
    history = truth.history
    running = history.generators[:, 0, 1] > 0.5
    rises = np.diff(history.generators[:, 0, 0])[running[1:] & running[:-1]]
    rate = rises.mean() / history.grid  # psi/s, the rise of a warming tank and what is drawn in it
    kelvin = plant.standard_temperature + 273.15
    volume = unit.tank_volume / 0.3048**3
    naive = rate * 3600.0 * volume / 14.696 * kelvin / (unit.room.mean + 273.15)
    assert made == pytest.approx(naive, rel=0.15)


@pytest.mark.slow
def test_plain_python_gives_what_the_compiler_gives():
    code = ("import numpy as np; from simulators.family import draw; "
            "from simulators.family.running import run; "
            "h = run(draw(2, days=0.03, start='purge')); "
            "print(repr(float(h.risers.sum())), repr(float(h.generator_totals.sum())))")
    told = [subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                           env={**os.environ, "NUMBA_DISABLE_JIT": off}).stdout.split()
            for off in ("0", "1")]
    assert [float(x) for x in told[1]] == pytest.approx([float(x) for x in told[0]], rel=1e-9)
