from __future__ import annotations

import gzip
import json
from pathlib import Path

import numpy as np
import pytest

from collector.config import load_site
from collector.recorded import read_recordings
from simulators.__main__ import main
from simulators.family import FAULTS, draw, simulate

HEALTHY = range(20)


def _excused(plant, condition, asset):
    """Return, minute by minute, when a drawn disturbance explains a condition."""
    minutes = np.arange(int(plant.days * 1440) + 1) * 60.0
    out = np.zeros(minutes.size, dtype=bool)
    for a in plant.happenings.allowed:
        if a.condition == condition and a.asset in (asset, "*"):
            out |= (minutes >= a.start) & (minutes <= a.end)
    return out


@pytest.mark.slow
@pytest.mark.parametrize("seed", HEALTHY)
def test_a_healthy_plant_keeps_its_pressure_and_rests(seed):
    plant = draw(seed, days=10)
    truth = simulate(plant).truth
    history = truth.history
    for k, riser in enumerate(plant.risers):
        pressure = history.riser_totals[:, k, 8]
        low = ~_excused(plant, "pressure-low", riser.id)
        assert pressure[low].min() > riser.low + 0.3
        assert pressure.max() < riser.high - 0.3
        assert riser.leak < 0.36 * riser.leak_limit
    for k in range(len(plant.generators)):
        assert history.generator_totals[-1, k, 3] < 0.5 * plant.days * 86400.0
    assert truth.faults == ()


@pytest.mark.slow
def test_purges_end_at_their_target():
    seen = 0
    for seed in range(12):
        plant = draw(seed, days=45, start="purge")
        truth = simulate(plant).truth
        end = plant.start + 44 * 86_400_000
        for riser in plant.risers:
            if riser.vent is None or truth.purge_done(riser.vent.id) is None:
                if riser.vent is not None:  # a slow one is on its way, or was filled again
                    assert (truth.purge_fraction(riser.vent.id, end) > 0.9
                            or plant.happenings.actions)
                continue
            seen += 1
            done = truth.purge_done(riser.vent.id)
            # By the minute, and by the vent's own sensor, which may read low.
            low = max(-100.0 * riser.vent.offset, 0.0)
            assert truth.vent_oxygen(riser.vent.id, done) <= 100.0 * riser.vent.target + low + 1e-9
            assert truth.purge_fraction(riser.vent.id, done) >= 1.0 - low / 15.0
            assert truth.purge_fraction(riser.vent.id, plant.start) < 0.02
    assert seen > 15


# A slow fault needs its days to be told from a healthy plant.
DAYS = {"oxygen-rising": 20, "compressor-weak": 14, "leak-growing": 30}


@pytest.mark.slow
@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_most_faults_take_effect_and_are_due_after_they_began(fault):
    took = []
    for seed in range(6):
        plant = draw(seed, days=DAYS.get(fault, 6), fault=fault)
        for found in simulate(plant).truth.faults:
            took.append(seed)
            assert found.condition == fault
            assert plant.start <= found.onset < found.by
            assert found.end is None or found.end > found.onset
    assert len(took) >= 4


@pytest.mark.parametrize("seed", range(8))
def test_true_means_add_up(seed):
    plant = draw(seed, days=2)
    truth = simulate(plant).truth
    span = (plant.start, plant.start + 2 * 86_400_000)
    for k, unit in enumerate(plant.generators):
        parts = [truth.mean("leak-rate", r.id, *span) for r in plant.risers if r.fed_by == k]
        assert truth.mean("leak-rate", unit.id, *span) == pytest.approx(sum(parts))
        demand = truth.mean("nitrogen-demand", unit.id, *span)
        made = truth.mean("compressor-delivery", unit.id, *span)
        duty = truth.mean("compressor-duty", unit.id, *span)
        if made is not None and truth.history.generator_totals[-1, k, 1] == 0.0:
            whole = unit.tank_volume / 0.3048**3 * 60.0 / 14.7 / 48.0  # a tank's own 60 psi
            assert made * duty / 100.0 == pytest.approx(demand, abs=whole)
    assert truth.mean("leak-rate", "r1", span[0], span[1] + 86_400_000) is None
    with pytest.raises(ValueError, match="no true"):
        truth.mean("leak-rate", "nothing", *span)


def test_rows_are_late_doubled_and_silent_as_drawn():
    plant = draw(3, days=8, fault="device-silent")
    recording = simulate(plant)
    outage = next(o for o in plant.happenings.outages if o.start == plant.plan.onset)
    points = [p for d in plant.devices if d.id == outage.device for p in d.points]
    for point in points:
        times, values = recording.points[point]
        asked = (times - plant.start) / 1000.0
        within = (asked > outage.start + 30.0) & (asked < outage.end - 30.0)
        assert within.sum() == 0 if outage.how == "absent" else np.isnan(values[within]).all()
        received = recording.received[point]
        assert (np.diff(received) >= 0.0).all()
        sets = sum(abs(by) for _, by in plant.happenings.clock_sets)
        assert (received - asked).max() < 30.0 + sets
    doubled = sum(int((np.diff(np.sort(recording.points[p][0])) == 0).sum()) for p in points[:1])
    assert doubled < 0.01 * recording.points[points[0]][0].size


def test_a_frozen_device_repeats_its_last_answers():
    plant = draw(2, days=4, fault="data-frozen")
    recording = simulate(plant)
    outage = next(o for o in plant.happenings.outages if o.how == "frozen")
    device = next(d for d in plant.devices if d.id == outage.device)
    for point in device.points:
        times, values = recording.points[point]
        asked = (times - plant.start) / 1000.0
        shown = values[(asked > outage.start + 120.0) & (asked < outage.end - 120.0)]
        shown = shown[~np.isnan(shown)]
        assert shown.size == 0 or (shown == shown[0]).all()


@pytest.mark.parametrize(("seed", "days"), [(5, 1), (8, 60)])
def test_gauges_step_as_drawn(seed, days):
    plant = draw(seed, days=days)
    recording = simulate(plant)
    step = float(plant.structure["gauge"])
    pressures = [v for p, (_, v) in recording.points.items() if p.endswith("pressure")]
    assert pressures
    for values in pressures:
        steps = values[~np.isnan(values)] / step
        np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)


def test_a_folder_holds_a_recording_the_collector_reads(tmp_path: Path):
    assert main(["draw", "7", "--days", "0.5", "--fault", "leak-high", "--to", str(tmp_path)]) == 0
    site = load_site(tmp_path / "SITE.toml")
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert [f["condition"] for f in truth["faults"]] == ["leak-high"]
    with gzip.open(tmp_path / "readings.csv.gz", "rt") as file:
        assert file.readline() == "time,point,value\n"
    named = {p for d in site.plant.devices.values() for p in d.points}
    rows = [row for batch in read_recordings([tmp_path / "readings.csv.gz"]) for row in batch]
    assert len(rows) > 1000
    assert {point for _, point, *_ in rows} == named


def test_a_wrong_order_is_refused_in_words(capsys, tmp_path: Path):
    assert main(["draw", "7", "--days", "-1", "--to", str(tmp_path)]) == 2
    assert "days must be above 0" in capsys.readouterr().err
