"""The sum of risers that no gauge tells apart: what passes for it, and how much is in doubt."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import pytest

from collector.domain.units import PSI
from collector.physics.estimate import Estimate, Refusal
from collector.rules import tankoutflow
from simulators.specs import VentSpec
from simulators.units import SCFM
from tests.rules.leakplant import Leaky, recorded, told, watched
from tests.rules.support import HOUR


def outflow(monkeypatch, runs):
    """Return the outflow by ``runs``: hours, psi/s drawn about each."""
    rows = [[int(at * HOUR), 20.0, 200.0, drawn] for at, drawn in runs]
    balance = SimpleNamespace(
        whole=True, volume=0.227, booked=SimpleNamespace(runs_series=rows),
        state=SimpleNamespace(celsius=20.0))
    monkeypatch.setattr(tankoutflow, "balance_of", lambda *_: balance)
    words = SimpleNamespace(name=str)
    return tankoutflow.outflow_of(SimpleNamespace(words=words), "gen1", 0, 12 * HOUR, [])


def test_two_runs_that_agree_by_chance_tell_nothing(monkeypatch):
    # Seven low points are drained one after the other: both runs of the window lie about that.
    found = outflow(monkeypatch, [(-1.0, 0.001), (10.0, 0.05), (10.2, 0.05)])
    assert isinstance(found, Refusal)


def test_runs_that_follow_each_other_evenly_tell(monkeypatch):
    found = outflow(monkeypatch, [(at / 2, 0.01 + 0.0002 * (at % 2)) for at in range(24)])
    assert isinstance(found, Estimate)
    assert found.value == pytest.approx(0.0101 * 0.227 * 6894.757 / (8.3145 * 293.15), rel=0.01)


def test_gas_that_a_vent_let_out_unseen_by_a_coarse_gauge_is_in_doubt():
    # A gauge of 1 psi shows the most of an opening or nothing of it; the tank replaces all.
    leaky = Leaky(leak=0.02, extra={
        "stiction": 0.0, "droop": 4.0 * PSI, "daily_swing": 0.3, "weather_swing": 0.2,
        "season_swing": 0.2, "supply": 0.5 * SCFM})
    vent = VentSpec(id="r1-vent", riser="r1", logic="timer", timer_period=4 * 3600.0,
                    timer_open=600.0, flow=1.0 * SCFM)
    rows = [dataclasses.replace(r, value=float(round(r.value + 0.75)))
            if r.point == "r1.pressure" and r.value is not None else r
            for r in recorded([leaky], days=2.1, every=60, vents=[vent])]
    found = told(rows, watched([leaky], [vent])).estimates("leak-rate")
    assert [e.value for e in found] == [None, None]
    assert all("knows it only as between" in e.reason for e in found)
