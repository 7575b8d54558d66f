"""What a generator's tank says of one vent, by runs that are written down."""

from __future__ import annotations

import pytest

from collector.domain.conditions import ConditionSettings
from collector.domain.plant import Plant
from collector.rules.base import Context
from collector.rules.gasbalance import balance_of
from collector.rules.inputs import Inputs
from collector.rules.tankflow import TankFlow
from collector.rules.wording import Words
from tests.rules.tank import site

PSI, GALLON, R = 6894.757293168, 3.785411784e-3, 8.314462618
FLOW = 0.004
"""mol/s, about what a vent of 0.2 scfm passes."""


def flow_of(plant: Plant, drawn: float, stopped: int = 1000) -> TankFlow:
    """Return the witness after one run about which ``drawn`` psi/s left tank and risers."""
    settings = ConditionSettings(defaults={})
    context = Context(plant=plant, settings=settings, inputs=Inputs(plant, settings),
                      words=Words(plant))
    balance_of(context, "gen1").state.whole.runs_series.append([stopped, 20.0, 360.0, drawn])
    return TankFlow(context, "gen1", FLOW)


def psi_of(moles: float) -> float:
    return moles * R * 293.15 / (60 * GALLON * PSI)


def test_what_is_drawn_is_told_in_mol_by_the_gas_law():
    assert flow_of(site(), psi_of(0.006)).drawn(0) == pytest.approx(0.006, rel=1e-9)


def test_as_much_as_ever_is_flow_and_what_lacks_half_the_vent_is_not():
    for drawn, flows in ((0.006, True), (0.0055, True), (0.004, False), (0.002, False)):
        assert flow_of(site(), psi_of(drawn)).flows(0, 0.006) is flows


def test_without_a_newer_run_a_past_or_the_risers_volumes_it_says_nothing():
    assert not flow_of(site(), psi_of(0.006)).flows(1000, 0.006)
    assert not flow_of(site(), psi_of(0.006)).flows(0, None)
    assert flow_of(site(pipe=None), psi_of(0.006)).drawn(0) is None
    settings = ConditionSettings(defaults={})
    context = Context(plant=site(), settings=settings, inputs=Inputs(site(), settings),
                      words=Words(site()))
    assert TankFlow(context, None, FLOW).drawn(0) is None
