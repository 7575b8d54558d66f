from __future__ import annotations

import collections
import tomllib
from pathlib import Path

import pytest

from collector.config import load_site
from simulators.family import FAULTS, STRUCTURE, draw, simulate
from simulators.family.folder import write_readings, write_site
from simulators.family.specs import atmosphere


def test_every_value_of_every_structure_occurs_in_200_seeds():
    seen = collections.defaultdict(set)
    for seed in range(200):
        for key, value in draw(seed, days=3).structure.items():
            seen[key].add(value)
    assert seen == {key: set(values) for key, values in STRUCTURE.items()}


def test_polls_load_a_collector_as_one_of_about_15_s_would():
    loads = [1.0 / d.every for seed in range(200) for d in draw(seed, days=3).devices]
    assert 9.0 < len(loads) / sum(loads) < 16.0


@pytest.mark.parametrize("seed", range(25))
def test_a_site_file_loads_and_reads_as_it_was_drawn(seed, tmp_path: Path):
    plant = draw(seed, days=3)
    path = write_site(plant, tmp_path)
    assert tomllib.loads(path.read_text()) == plant.site
    site = load_site(path)
    assert {d.id: d.every for d in site.plant.devices.values()} == {
        d.id: d.every * 1000 for d in plant.devices}
    assert {p for d in site.plant.devices.values() for p in d.points} == {
        p for d in plant.devices for p in d.points}
    for riser in plant.risers:
        listed = site.plant.risers[riser.id]
        assert listed.volume == pytest.approx(riser.volume, rel=1e-9)
        assert listed.low_pressure == riser.low
        flow = site.plant.vents[riser.vent.id].flow if riser.vent else None
        if flow is not None:
            assert flow == pytest.approx(riser.vent.flow, rel=6e-3)


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_every_fault_is_drawable_on_20_seeds(fault):
    for seed in range(20):
        plant = draw(seed, days=8, fault=fault)
        assert plant.plan is not None
        assert plant.plan.condition == fault
        ids = {u.id for u in plant.generators} | {r.id for r in plant.risers}
        ids |= {r.vent.id for r in plant.risers if r.vent} | {d.id for d in plant.devices}
        assert plant.plan.asset in ids | {r.id for r in plant.rooms}


@pytest.mark.parametrize("start", ["settled", "purge"])
def test_the_start_that_is_asked_for_is_had(start):
    plants = [draw(seed, days=2, start=start) for seed in range(20)]
    assert {p.structure["start"] for p in plants} == {start}
    assert all(p.purge is (start == "purge") for p in plants)


def test_what_cannot_be_drawn_is_refused():
    with pytest.raises(ValueError, match="no fault is drawn"):
        draw(1, days=2, fault="clock-jump")
    with pytest.raises(ValueError, match="settled, purge"):
        draw(1, days=2, start="empty")
    with pytest.raises(ValueError, match="above 0"):
        draw(1, days=0)
    with pytest.raises(ValueError, match="no plant"):
        draw(1, days=2, fault="oxygen-rising", start="purge")  # nothing rises before a target


def test_equal_seeds_give_equal_bytes_and_others_do_not(tmp_path: Path):
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        write_readings(simulate(draw(seed, days=1, fault="leak-high")), tmp_path / name)
    whole = {name: (tmp_path / name).read_bytes() for name in "abc"}
    assert whole["a"] == whole["b"]
    assert whole["a"] != whole["c"]


def test_the_atmosphere_is_the_published_one():
    # US Standard Atmosphere 1976, geometric altitude (check-values C).
    assert atmosphere(0) == pytest.approx(101325.0)
    assert atmosphere(1500) == pytest.approx(84559.7, abs=0.3)
