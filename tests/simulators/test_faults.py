"""Each fault shows in what can be read, and goes when it is switched off."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulators.faults import FAULTS, Bench, switch
from simulators.plant import Plant
from simulators.sensors import Gauges
from simulators.specs import GeneratorSpec, RiserSpec, VentSpec
from simulators.units import PSI, SCFM, ScenarioError
from simulators.wire import UnitFaults
from tests.simulators.conftest import small_spec

HOUR = 3_600_000
Change = tuple[str, dict[str, Any], float, Callable[[Gauges, Gauges], bool]]


def _bench(**over: Any) -> Bench:
    plant = Plant(small_spec(**over))
    return Bench(plant=plant, gauges=Gauges(plant), units={"box": UnitFaults()})


def _run(bench: Bench, hours: float) -> None:
    bench.plant.advance_exactly(bench.plant.time + round(hours * HOUR))


def _value(gauges: Gauges, point: str) -> float:
    value = gauges.read(point)
    assert isinstance(value, float)
    return value


CHANGES: list[Change] = [
    ("leak-step", {"riser": "r1", "flow": "2 scfm"}, 3,
     lambda ill, well: _value(ill, "gen1.running_hours")
     > _value(well, "gen1.running_hours") + 0.7),
    ("leak-growth", {"riser": "r1", "per_day": "2 scfm"}, 20,
     lambda ill, well: _value(ill, "gen1.running_hours") > _value(well, "gen1.running_hours") + 1),
    ("riser-trip", {"riser": "r1"}, 0.2,
     lambda ill, well: _value(ill, "r1.pressure") < 5 and ill.read("r1.low_air") == 1.0
     and well.read("r1.low_air") == 0.0),
    ("bypass-open", {"riser": "r1"}, 0.3,
     lambda ill, well: ill.read("r1.bypass_open") == 1.0
     and _value(ill, "r1.pressure") > _value(well, "r1.pressure") + 3),
    ("supply-shut", {"riser": "r1"}, 12,
     lambda ill, well: _value(ill, "r1.pressure") < _value(well, "r1.pressure") - 1),
    ("worn-compressor", {"generator": "gen1", "share": 0.45}, 8,
     lambda ill, well: _value(ill, "gen1.running_hours") > 1.3 * (
         _value(well, "gen1.running_hours") - 1200) + 1200),
    ("tank-leak", {"generator": "gen1", "flow": "0.5 scfm"}, 3,
     lambda ill, well: _value(ill, "gen1.start_count") > _value(well, "gen1.start_count")),
    ("no-start", {"generator": "gen1"}, 8,
     lambda ill, well: _value(ill, "gen1.tank_pressure") < 55
     and ill.read("gen1.compressor_running") == 0.0 and _value(well, "gen1.tank_pressure") > 58),
    ("no-stop", {"generator": "gen1"}, 4,
     lambda ill, well: _value(ill, "gen1.tank_pressure") > 95),
    ("stuck-air-fill", {"generator": "gen1"}, 3,
     lambda ill, well: ill.read("gen1.mode") == "air-fill" and well.read("gen1.mode") == "nitrogen"
     and _value(ill, "gen1.product_oxygen") > 3),
    ("air-saying-nitrogen", {"generator": "gen1"}, 3,
     lambda ill, well: ill.read("gen1.mode") == "nitrogen"
     and _value(ill, "gen1.product_oxygen") > 3),
    ("power-off", {"generator": "gen1"}, 1,
     lambda ill, well: ill.read("gen1.power") == 0.0 and ill.read("gen1.trouble") == 1.0
     and ill.read("gen1.mode") == "off"),
    ("generator-trouble", {"generator": "gen1"}, 0.1,
     lambda ill, well: ill.read("gen1.trouble_no") == 1.0 and ill.read("gen1.trouble_nc") == 0.0),
    ("vent-stuck-open", {"vent": "r1-vent"}, 2,
     lambda ill, well: ill.read("r1-vent.open") == 1.0 and well.read("r1-vent.open") == 0.0),
    ("oxygen-dead", {"of": "r1-vent"}, 0.1, lambda ill, well: ill.read("r1-vent.oxygen") is None),
    ("oxygen-biased", {"of": "r1-vent", "by": 3}, 0.1,
     lambda ill, well: _value(ill, "r1-vent.oxygen")
     == pytest.approx(_value(well, "r1-vent.oxygen") + 3, abs=0.11)),
    ("pressure-drop-out", {"of": "r1", "reads": "zero"}, 0.1,
     lambda ill, well: ill.read("r1.pressure") == 0.0),
    ("pressure-drop-out", {"of": "r1"}, 0.1, lambda ill, well: ill.read("r1.pressure") is None),
    ("narrow-switch", {"generator": "gen1", "band": "2 psi"}, 6,
     lambda ill, well: _value(ill, "gen1.start_count") > _value(well, "gen1.start_count") + 8),
    ("tired-separator", {"generator": "gen1", "oxygen": "5 %"}, 1.4,
     lambda ill, well: _value(ill, "gen1.product_oxygen")
     > _value(well, "gen1.product_oxygen") + 1),
    ("counter-reset", {"generator": "gen1"}, 0.1,
     lambda ill, well: _value(ill, "gen1.running_hours") < 1
     and _value(ill, "gen1.start_count") < 2),
    ("heating-off", {"riser": "r1"}, 12,
     lambda ill, well: _value(ill, "r1.valve_room_temperature")
     < _value(well, "r1.valve_room_temperature") - 3),
    ("contact-stuck", {"point": "r1.low_air", "closed": True}, 0.1,
     lambda ill, well: ill.read("r1.low_air") == 1.0 and well.read("r1.low_air") == 0.0),
    ("gauge-dead", {"point": "gen1.product_oxygen", "reads": "zero"}, 0.1,
     lambda ill, well: ill.read("gen1.product_oxygen") == 0.0),
    ("gauge-biased", {"point": "room1.oxygen", "by": -3}, 0.1,
     lambda ill, well: _value(ill, "room1.oxygen") < 18.5),
    ("wire-off", {"point": "gen1.trouble_nc"}, 0.1,
     lambda ill, well: ill.read("gen1.trouble_nc") == 0.0 == ill.read("gen1.trouble_no")),
]


@pytest.mark.parametrize(("name", "params", "hours", "shows"), CHANGES,
                         ids=[f"{c[0]}-{i}" for i, c in enumerate(CHANGES)])
def test_fault_shows_in_the_readings(name: str, params: dict[str, Any], hours: float,
                                     shows: Callable[[Gauges, Gauges], bool]) -> None:
    leaky = {"risers": (RiserSpec(id="r1", fed_by="gen1", leak=0.3 * SCFM),),
             "generators": (GeneratorSpec(id="gen1", room="room1", tank_start=65 * PSI),)}
    ill, well = _bench(**leaky), _bench(**leaky)
    assert not shows(well.gauges, well.gauges)
    switch(ill, name, True, params)
    _run(ill, hours)
    _run(well, hours)
    assert shows(ill.gauges, well.gauges)


PURGE = {"risers": (RiserSpec(id="r1", fed_by="gen1", oxygen_start=0.2, volume=0.6),)}


@pytest.mark.parametrize(("name", "params"), [
    ("vent-stuck-closed", {}), ("purge-blocked", {}), ("vent-clogged", {"share": 0.8})])
def test_purge_faults_slow_the_purge(name: str, params: dict[str, Any]) -> None:
    ill, well = _bench(**PURGE), _bench(**PURGE)
    switch(ill, name, True, {"vent": "r1-vent", **params})
    _run(ill, 4)
    _run(well, 4)
    assert _value(ill.gauges, "r1-vent.oxygen") > _value(well.gauges, "r1-vent.oxygen") + 4
    assert (ill.gauges.read("r1-vent.open") == 0.0) is (name == "vent-stuck-closed")
    assert (ill.gauges.read("r1-vent.water") == 1.0) is (name == "purge-blocked")


@pytest.mark.parametrize(("name", "params"), [
    ("oxygen-frozen", {"of": "r1-vent"}), ("gauge-frozen", {"point": "r1-vent.oxygen"})])
def test_a_frozen_cell_repeats_itself_while_the_gas_moves(name: str,
                                                          params: dict[str, Any]) -> None:
    bench = _bench(**PURGE)
    _run(bench, 0.5)
    before = bench.gauges.read("r1-vent.oxygen")
    switch(bench, name, True, params)
    _run(bench, 3)
    assert bench.gauges.read("r1-vent.oxygen") == before
    switch(bench, name, False, params)
    assert _value(bench.gauges, "r1-vent.oxygen") < _value(bench.gauges, "room1.oxygen") - 3
    assert bench.gauges.read("r1-vent.oxygen") != before


def test_wire_faults_are_switched_on_the_unit() -> None:
    bench = _bench()
    for name, shows in (("silent", lambda u: u.silent), ("slow", lambda u: u.delay == 0.4),
                        ("exceptions", lambda u: u.exception == 4),
                        ("short-replies", lambda u: u.short),
                        ("other-unit", lambda u: u.other_unit),
                        ("frozen-registers", lambda u: u.frozen)):
        switch(bench, name, True, {"device": "box"})
        assert shows(bench.units["box"])
        switch(bench, name, False, {"device": "box"})
        assert not shows(bench.units["box"])


def test_every_fault_is_tried_in_these_tests() -> None:
    tried = {c[0] for c in CHANGES} | {
        "vent-stuck-closed", "purge-blocked", "vent-clogged", "oxygen-frozen", "gauge-frozen",
        "silent", "slow", "exceptions", "short-replies", "other-unit", "frozen-registers"}
    assert tried == set(FAULTS)


@pytest.mark.parametrize(("name", "params", "says"), [
    ("leak-stop", {}, "there is no fault 'leak-stop'"),
    ("leak-step", {"riser": "r9"}, "there is no riser 'r9'"),
    ("leak-step", {"riser": "r1", "flow": "2 psi"}, "no unit of flow"),
    ("leak-step", {"riser": "r1", "flaw": "2 scfm"}, "unknown parameters: flaw"),
    ("wire-off", {"point": "gen1.trouble"}, "no leg"),
    ("silent", {"device": "nobody"}, "there is no device"),
    ("oxygen-dead", {"of": "r1"}, "there is no gauge 'r1.oxygen'"),
])
def test_a_wrong_order_is_refused_with_what_is_wrong(name: str, params: dict[str, Any],
                                                     says: str) -> None:
    with pytest.raises(ScenarioError, match=says):
        switch(_bench(), name, True, params)


def test_timer_and_room_air_are_the_vent_s_own_ways() -> None:
    vent = VentSpec(id="r1-vent", riser="r1", logic="timer", timer_period=7200.0,
                    timer_open=1800.0, samples_room_air=True)
    bench = _bench(vents=(vent,), **PURGE)
    opened = set()
    for _ in range(24):
        _run(bench, 0.25)
        opened.add(bench.gauges.read("r1-vent.open"))
    assert opened == {0.0, 1.0}
