"""A scenario with its plant, gauges and faults; its orders are carried out as time passes.

Live and recorded runs are the same stage under two drivers.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from collector.clock import format_instant
from simulators.faults import Bench, switch
from simulators.plant import Plant
from simulators.scenario import Act, Scenario
from simulators.sensors import Gauges
from simulators.units import ScenarioError
from simulators.wire import UnitFaults

__all__ = ["Stage"]


class Stage:
    """Runs a scenario. ``log`` gets one line whenever a fault is switched."""

    def __init__(self, scenario: Scenario,
                 log: Callable[[str], None] = lambda _line: None) -> None:
        self.scenario = scenario
        self.plant = Plant(scenario.plant)
        self.gauges = Gauges(self.plant)
        self.bench = Bench(plant=self.plant, gauges=self.gauges, units={
            u.device: UnitFaults() for s in scenario.serve for u in s.units
        })
        self._log = log
        self._acts = list(scenario.acts)
        self._rehearse()

    def __repr__(self) -> str:
        return f"Stage({self.scenario.name}, {format_instant(self.plant.time)})"

    def kind_of(self, thing: str) -> str:
        """Return the kind of an asset of the plant. Raises :class:`ScenarioError`."""
        plant = self.plant
        for kind, group in (("generator", plant.generators), ("riser", plant.risers),
                            ("vent", plant.vents), ("room", plant.rooms)):
            if thing in group:
                return kind
        raise ScenarioError(f"there is nothing called {thing!r} to watch")

    def _rehearse(self) -> None:
        """Try every order on a plant that is then discarded: a wrong one fails at the start."""
        if not self._acts:
            return
        plant = Plant(self.scenario.plant)
        bench = Bench(plant=plant, gauges=Gauges(plant),
                      units={name: UnitFaults() for name in self.bench.units})
        for act in self._acts:
            try:
                switch(bench, act.fault, act.on, act.params)
            except ScenarioError as error:
                hours = act.at / 3.6e6
                raise ScenarioError(f"act {act.fault!r} at {hours:g} h: {error}") from error

    def advance_to(self, instant: int) -> None:
        """Let time pass up to ``instant`` (ms since 1970 UTC); carry out the orders due by then."""
        start = self.scenario.plant.start
        while self._acts and start + self._acts[0].at <= instant:
            act = self._acts.pop(0)
            self.plant.advance_exactly(start + act.at)
            self._carry_out(act)
        self.plant.advance_to(instant)

    def order(self, fault: str, on: bool, params: Mapping[str, Any]) -> None:
        """Switch a fault now. Raises :class:`ScenarioError`."""
        self._carry_out(Act(at=0, fault=fault, on=on, params=params))

    def _carry_out(self, act: Act) -> None:
        switch(self.bench, act.fault, act.on, act.params)
        self._log(f"{format_instant(self.plant.time)}  {act.fault} {'on' if act.on else 'off'}"
                   + (f"  {json.dumps(dict(act.params), sort_keys=True)}" if act.params else ""))
