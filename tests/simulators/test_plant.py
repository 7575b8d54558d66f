"""The plant's physics: its books balance, its steps do not matter, and its limits are textbook."""

from __future__ import annotations

import dataclasses
import math

import pytest

from simulators.faults import Bench, switch
from simulators.plant import Plant
from simulators.scenario import bundled, load_scenario
from simulators.sensors import Gauges
from simulators.specs import GeneratorSpec, RiserSpec, VentSpec
from simulators.stage import Stage
from simulators.units import AIR_OXYGEN, GAS_CONSTANT, PSI, SCFM
from tests.simulators.conftest import START, small_spec

HOUR = 3_600_000


@pytest.mark.parametrize("name", bundled())
def test_every_mol_of_nitrogen_and_oxygen_is_accounted_for(name: str) -> None:
    scenario = load_scenario(name)
    stage = Stage(scenario)
    plant = stage.plant
    gas, oxygen = plant.content()
    last = max((a.at for a in scenario.acts), default=0)
    stage.advance_to(scenario.plant.start + min(max(last + HOUR, 24 * HOUR), 72 * HOUR))
    after, oxygen_after = plant.content()
    assert plant.totals.taken_in > 100  # something did flow
    assert after - gas == pytest.approx(plant.totals.kept, abs=1e-8)
    assert oxygen_after - oxygen == pytest.approx(plant.totals.oxygen_kept, abs=1e-8)
    nitrogen = (after - oxygen_after) - (gas - oxygen)
    assert nitrogen == pytest.approx(plant.totals.kept - plant.totals.oxygen_kept, abs=1e-8)


def test_books_would_notice_a_loss(small_plant) -> None:
    plant = small_plant()
    gas, _ = plant.content()
    plant.advance_to(START + 5 * HOUR)
    plant.risers["r1"].total -= 0.01
    assert plant.content()[0] - gas != pytest.approx(plant.totals.kept, abs=1e-8)


def test_nothing_is_ever_negative_or_absurd(small_plant) -> None:
    plant = small_plant(generators=(GeneratorSpec(id="gen1", room="room1", intake=9 * SCFM),))
    bench = Bench(plant=plant, gauges=Gauges(plant))
    switch(bench, "riser-trip", True, {"riser": "r1", "flow": "900 scfm"})
    switch(bench, "bypass-open", True, {"riser": "r1"})
    for minute in range(240):
        plant.advance_to(START + minute * 60_000)
        pipe, unit = plant.risers["r1"], plant.generators["gen1"]
        assert all(o >= 0 for o in pipe.oxygen)
        assert pipe.oxygen_total <= 0.25 * pipe.total
        assert pipe.gauge > -100
        assert unit.gauge > -100
        assert 0 <= unit.oxygen <= 0.25 * (unit.nitrogen + unit.oxygen)
        assert 250 < unit.temperature < 360


def test_the_history_does_not_depend_on_when_somebody_looks() -> None:
    often, seldom = Plant(small_spec()), Plant(small_spec())
    for second in range(0, 7200, 7):
        often.advance_to(START + second * 1000)
    often.advance_to(START + 2 * HOUR)
    seldom.advance_to(START + 2 * HOUR)
    assert often.steps == seldom.steps
    assert often.content() == seldom.content()
    assert Gauges(often).snapshot() == Gauges(seldom).snapshot()


def test_another_seed_is_another_plant() -> None:
    one, other = Plant(small_spec()), Plant(small_spec(seed=5))
    assert Gauges(one).snapshot() != Gauges(other).snapshot()


def test_a_well_mixed_pipe_purges_by_the_dilution_equation() -> None:
    """Limiting case: one cell, no dead leg, steady temperature.

    KOSHA Guide C-C-85-2026 Annex 3, Eq. 12: Q t = V ln((C1 - C0) / (C2 - C0)).
    """
    riser = RiserSpec(id="r1", fed_by="gen1", cells=1, dead_leg=0.0, leak=0.0, daily_swing=0.0,
                      season_swing=0.0, weather_swing=0.0, oxygen_start=AIR_OXYGEN,
                      volume=0.3, stiction=0.02 * PSI)
    generator = GeneratorSpec(id="gen1", product_oxygen=0.01, warm_up_oxygen=0.0, tank_oxygen=0.01)
    vent = VentSpec(id="v", riser="r1", logic="open", flow=0.01)
    plant = Plant(small_spec(risers=(riser,), generators=(generator,), vents=(vent,)))
    held = plant.risers["r1"].total
    plant.advance_to(START + 3 * HOUR)
    turned_over = plant.totals.vented / held
    expected = 0.01 + (AIR_OXYGEN - 0.01) * math.exp(-turned_over)
    assert 1 < turned_over < 5
    assert plant.risers["r1"].far_oxygen == pytest.approx(expected, rel=0.01)


def test_a_real_pipe_is_not_well_mixed() -> None:
    riser = RiserSpec(id="r1", fed_by="gen1", oxygen_start=AIR_OXYGEN, volume=0.5, cells=4)
    vent = VentSpec(id="v", riser="r1", logic="open", flow=0.008)
    plant = Plant(small_spec(risers=(riser,), vents=(vent,)))
    pipe = plant.risers["r1"]
    held = pipe.total
    while plant.totals.vented < 0.4 * held:
        plant.advance_to(plant.time + 60_000)
    mixed = AIR_OXYGEN * math.exp(-0.4)
    near = pipe.oxygen[0] * pipe.cells / (pipe.total * (1 - pipe.dead))
    dead = pipe.oxygen[-1] / (pipe.total * pipe.dead)
    assert pipe.far_oxygen > mixed + 0.02  # the far end lags the riser end
    assert near < mixed - 0.03
    plant.advance_to(START + 8 * HOUR)
    assert pipe.oxygen[-1] / (pipe.total * pipe.dead) > pipe.far_oxygen
    assert dead > pipe.far_oxygen


def test_temperature_alone_moves_the_pressure_by_the_gas_law() -> None:
    """A 10 F swing at 40 psi moves the pressure 1 psi (ideal gas law)."""
    riser = RiserSpec(id="r1", fed_by="gen1", supervisory_pressure=40 * PSI, leak=0.0)
    plant = Plant(small_spec(risers=(riser,), vents=()))
    pipe = plant.risers["r1"]
    pipe.settle(294.26)
    before = pipe.gauge
    pipe.settle(294.26 - 10 * 5 / 9)
    assert (before - pipe.gauge) / PSI == pytest.approx(1.03, abs=0.03)


def test_standard_flow_is_the_handbook_s() -> None:
    """379.48 scf to the lb-mol at 14.696 psia and 60 F (computed; agrees with handbooks)."""
    assert pytest.approx(SCFM, rel=1e-4) == 453.59237 / (379.48 * 60)


def test_a_leak_loses_what_the_gas_law_says_it_lost() -> None:
    riser = RiserSpec(id="r1", fed_by="gen1", daily_swing=0.0, season_swing=0.0,
                      weather_swing=0.0, leak=0.002)
    plant = Plant(small_spec(
        risers=(riser,), vents=(), generators=(GeneratorSpec(id="gen1", tank_start=0.0),)))
    bench = Bench(plant=plant, gauges=Gauges(plant))
    switch(bench, "power-off", True, {"generator": "gen1"})
    pipe = plant.risers["r1"]
    before = pipe.gauge
    plant.advance_to(START + HOUR)
    fell = (before - pipe.gauge) * pipe.volume / (GAS_CONSTANT * pipe.temperature)
    assert fell == pytest.approx(plant.totals.leaked, rel=1e-6)
    assert fell > 1


def test_generator_pumps_up_within_common_practice(small_plant) -> None:
    """From 60 to 80 psi in no more than 8 min on nitrogen, 6 min on air (common practice)."""
    for air, most in ((False, 8), (True, 6)):
        plant = small_plant(risers=(), vents=(),
                            generators=(GeneratorSpec(id="gen1", tank_start=60 * PSI),))
        plant.generators["gen1"].faults.stuck_air_fill = air
        plant.advance_to(START + 20_000)
        assert plant.generators["gen1"].running
        while plant.generators["gen1"].running:
            plant.advance_to(plant.time + 4_000)
        assert 2 < (plant.time - START) / 60_000 < most


def test_falls_back_to_air_fill_when_the_tank_cannot_keep_up(small_plant) -> None:
    plant = small_plant()
    bench = Bench(plant=plant, gauges=Gauges(plant))
    switch(bench, "leak-step", True, {"riser": "r1", "flow": "3 scfm"})
    plant.advance_to(START + 3 * HOUR)
    assert plant.generators["gen1"].starts > 5200
    modes = set()
    for minute in range(180):
        plant.advance_to(START + 3 * HOUR + minute * 60_000)
        modes.add(plant.generators["gen1"].mode)
    assert "air-fill" in modes
    switch(bench, "leak-step", False, {"riser": "r1"})
    plant.advance_to(START + 8 * HOUR)
    assert plant.generators["gen1"].mode == "nitrogen"


def test_product_is_worse_while_the_separator_warms_up(small_plant) -> None:
    plant = small_plant(generators=(GeneratorSpec(id="gen1", tank_start=59 * PSI),))
    unit = plant.generators["gen1"]
    first = unit.product_fraction()
    plant.advance_to(START + 5 * 60_000)
    assert unit.running
    assert first > 0.04
    assert unit.product_fraction() < 0.012


def test_a_quick_plant(small_plant) -> None:
    """Fast enough for months of recorded readings; far below what it does, for busy machines."""
    import time

    plant = small_plant()
    began = time.process_time()
    plant.advance_to(START + 24 * HOUR)
    assert plant.steps / (time.process_time() - began) > 5_000


def test_specs_are_facts() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        small_spec().seed = 9  # type: ignore[misc]
