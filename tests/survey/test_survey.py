"""The survey: volumes against printed tables, times against hand figures, notes by their cause."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import chain
from pathlib import Path

import pytest

from collector.app.monitor import SiteMonitor
from collector.cli import main
from collector.domain.evaluations import NotMonitored
from collector.domain.events import EstimateMade
from collector.domain.plant import Generator, PipeRun, Plant, Riser, Site, Vent
from collector.domain.readings import QUANTITIES, split_point
from collector.domain.units import duration_text
from collector.physics.gas import standard_molar_volume
from collector.survey import Deliveries, Delivery, Part, Survey, make_survey, measured
from collector.survey.parts import FILL, SiteUnits, Tone
from collector.survey.riser_survey import inside, lines_of
from tests.rules.support import plant as rules_plant
from tests.rules.support import settings

GALLON, FOOT = 3.785411784e-3, 0.3048
SCFM = FOOT**3 / 60 / standard_molar_volume(140 / 9 + 273.15)

RISER = Riser(id="r1", name="Dock riser", fed_by="gen1", volume=450 * GALLON,
              supervisory_pressure=25.0)
UNIT = Generator(id="gen1", name="Generator 1", compressor_delivery=4.6 * SCFM,
                 nitrogen_delivery=2.1 * SCFM)
VENT = Vent(id="v1", name="Vent", riser="r1", target_oxygen=2.0, flow=0.36 * SCFM)


def plant(riser: Riser = RISER, unit: Generator = UNIT, vents: tuple[Vent, ...] = (VENT,),
          units: str = "us") -> Plant:
    return Plant(
        site=Site(id="s", name="The works", timezone="Europe/London", units=units),
        generators={unit.id: unit}, risers={riser.id: riser}, vents={v.id: v for v in vents},
    )


def notes(found: Survey, tone: Tone) -> str:
    return " | ".join(note.text for _, note in found.notes(tone))


def riser_part(found: Survey) -> Part:
    return found.risers[0]


# -- take-off ------------------------------------------------------------------------------------

@pytest.mark.parametrize(("size", "schedule", "inches"), [
    # Inside diameters as handbooks print them after ASME B36.10M-2004, schedules 10 and 40
    # (typed from memory; the library's own table is in millimetres, rounded to 0.1 and 0.01).
    ("1", "10", 1.097), ("1", "40", 1.049), ("1 1/4", "10", 1.442), ("1 1/4", "40", 1.380),
    ("1 1/2", "10", 1.682), ("1 1/2", "40", 1.610), ("2", "10", 2.157), ("2", "40", 2.067),
    ("2 1/2", "10", 2.635), ("2 1/2", "40", 2.469), ("3", "10", 3.260), ("3", "40", 3.068),
    ("4", "10", 4.260), ("4", "40", 4.026), ("6", "10", 6.357), ("6", "40", 6.065),
    ("8", "10", 8.329), ("8", "40", 7.981),
])
def test_diameters_of_the_library_are_the_printed_ones(
    size: str, schedule: str, inches: float,
) -> None:
    assert inside(size, schedule) == pytest.approx(inches * 0.0254, abs=1.2e-4)


def test_gallons_per_foot_as_handbooks_print_them() -> None:
    # Schedule 40, gallons per foot: 1 in 0.045, 2 in 0.174, 4 in 0.661, 6 in 1.501 (from memory).
    for size, gallons in (("1", 0.045), ("2", 0.174), ("4", 0.661), ("6", 1.501)):
        line, = lines_of([PipeRun(size=size, schedule="40", length=FOOT)])
        assert line.volume / GALLON == pytest.approx(gallons, rel=0.01)


def test_take_off_and_statement_that_differ_are_said() -> None:
    runs = (PipeRun(size="4", schedule="10", length=520 * FOOT),)
    found = make_survey(plant(replace(RISER, pipes=runs)))
    assert "apart. Count again." in notes(found, Tone.CAUTION)
    total = riser_part(found).figure("volume by take-off")
    assert total is not None
    assert total.value == pytest.approx(520 * FOOT * math.pi / 4 * (4.26 * 0.0254) ** 2, rel=2e-3)
    near = replace(RISER, pipes=runs, volume=385 * GALLON)
    assert "apart" not in notes(make_survey(plant(near)), Tone.CAUTION)


# -- filling -------------------------------------------------------------------------------------

def test_flow_to_fill_the_largest_system_in_half_an_hour() -> None:
    # 750 gal from 0 to 40 psig in 30 min is 9.09 scfm (computed; ideal gas, gas at the base
    # temperature of 60 degF). The survey takes the pipe at 59 degF.
    found = make_survey(plant(replace(RISER, volume=750 * GALLON, supervisory_pressure=40.0)))
    flow = riser_part(found).figure("flow to fill in 30 min")
    assert flow is not None
    assert flow.value is not None
    assert flow.value / SCFM == pytest.approx(9.09, rel=3e-3)


def test_fill_time_is_gas_over_delivery_and_its_limit_is_named() -> None:
    found = make_survey(plant(unit=replace(UNIT, compressor_delivery=1.0 * SCFM)))
    part = riser_part(found)
    time = part.figure("fill time")
    assert time is not None
    assert time.value is not None
    # By hand: 450 gal (60.16 ft3) * 25/14.696 = 102.3 scf at 1 scfm.
    assert time.value / 60 == pytest.approx(102.5, rel=4e-3)
    fills = [n for n in part.notes if "longer than 30 min" in n.text]
    assert fills
    assert "from memory" in fills[0].source
    assert "not" not in fills[0].text


@pytest.mark.parametrize(("scfm", "tone", "words"), [
    (4.6, Tone.GOOD, "within 30 min"), (3.6, Tone.CAUTION, "barely"),
    (2.0, Tone.CAUTION, "within the 60 min"), (1.0, Tone.CAUTION, "60 min where"),
])
def test_half_an_hour_said_plainly(scfm: float, tone: Tone, words: str) -> None:
    found = make_survey(plant(unit=replace(UNIT, compressor_delivery=scfm * SCFM)))
    assert words in notes(found, tone)


def test_typed_delivery_goes_before_the_site_file_and_says_so() -> None:
    typed = Deliveries(air={"gen1": Delivery(flow=9 * SCFM, source="typed")}, nitrogen={})
    time = riser_part(make_survey(plant(), deliveries=typed)).figure("fill time")
    assert time is not None
    assert time.source == "delivery typed"
    assert time.value == pytest.approx(102.5 / 9 * 60, rel=4e-3)


def test_without_a_delivery_on_air_the_one_on_nitrogen_is_a_bound() -> None:
    time = riser_part(make_survey(plant(unit=replace(UNIT, compressor_delivery=None)))
                      ).figure("fill time")
    assert time is not None
    assert "on air it is faster" in time.source


def test_without_any_delivery_it_says_which_key_is_missing() -> None:
    bare = Generator(id="gen1", name="Generator 1")
    missing = notes(make_survey(plant(unit=bare)), Tone.MISSING)
    assert "compressor_delivery of gen1" in missing
    assert "nitrogen_delivery of gen1" in missing


# -- sizes, vents, capacity ----------------------------------------------------------------------

@pytest.mark.parametrize(("gallons", "tone", "words"), [
    (499, Tone.GOOD, "within the size"), (501, Tone.CAUTION, "quick-opening device"),
    (749, Tone.CAUTION, "quick-opening device"), (751, Tone.CAUTION, "more than one dry valve"),
])
def test_sizes_of_dry_systems(gallons: float, tone: Tone, words: str) -> None:
    found = make_survey(plant(replace(RISER, volume=gallons * GALLON)))
    hits = [n for _, n in found.notes(tone) if words in n.text]
    assert hits
    assert "as quoted by others" in hits[0].source
    if tone is Tone.CAUTION:
        assert "60 s" in hits[0].text


def test_purge_time_well_mixed_and_what_that_leaves_out() -> None:
    found = make_survey(plant(), feed=0.0)
    time = riser_part(found).figure("purge time, well mixed")
    assert time is not None
    # Check value: 20.9476 -> 2 % with pure nitrogen takes 2.349 volumes of the gas held.
    held = 60.16 * (25 + 14.696) / 14.696  # scf
    assert time.value == pytest.approx(2.349 * held / 0.36 * 60, rel=5e-3)
    assert "takes longer" in notes(found, Tone.REMARK)


def test_a_purge_that_never_ends_and_a_riser_without_vent() -> None:
    assert "never reached" in notes(make_survey(plant(), feed=0.02), Tone.CAUTION)
    assert "no purge vent" in notes(make_survey(plant(vents=())), Tone.CAUTION)
    lacking = notes(make_survey(plant(vents=(replace(VENT, flow=None),))), Tone.MISSING)
    assert "without flow of v1" in lacking


def test_a_generator_too_small_for_leaks_that_the_test_allows() -> None:
    found = make_survey(plant(unit=replace(UNIT, nitrogen_delivery=0.01 * SCFM)))
    assert "fall back to air" in notes(found, Tone.CAUTION)
    assert "can hold all its risers" in notes(make_survey(plant()), Tone.GOOD)


def test_leaks_allowed_add_up_as_the_in_service_test_says() -> None:
    # NFPA 25: 3 psi in 2 h at 40 psi. 450 gal are 60.16 ft3: 60.16 * 3/14.696 scf in 2 h.
    found = make_survey(plant(replace(RISER, supervisory_pressure=40.0)))
    leak = found.generators[0].figure("leak allowed, all risers")
    assert leak is not None
    assert leak.value is not None
    assert leak.value / SCFM == pytest.approx(60.16 * 3 / 14.696 / 120, rel=5e-3)


def test_every_vent_open_at_once_may_be_too_much() -> None:
    found = make_survey(plant(vents=(replace(VENT, flow=3 * SCFM),)))
    assert "one riser after another" in notes(found, Tone.CAUTION)


# -- what is not said ----------------------------------------------------------------------------

def test_what_is_not_watched_and_which_key_would_change_it() -> None:
    found = make_survey(plant(), not_monitored=[
        NotMonitored(condition="tank-leak", asset="gen1", reason="no tank pressure at gen1"),
        NotMonitored(condition="compressor-weak", asset="gen1", reason="no tank pressure at gen1"),
        NotMonitored(condition="pressure-low", asset="r1", reason="switched off in the site file"),
    ])
    assert len(found.lacks) == 2
    assert "gen1.tank_pressure" in found.lacks[0].source
    assert "[conditions.pressure-low]" in found.lacks[1].source


def test_every_point_it_asks_for_is_one_a_profile_can_give() -> None:
    bare = rules_plant(devices={"io": (5000, ("plant-room.temperature",))})
    monitor = SiteMonitor(plant=bare, settings=settings())
    asked = [note.source.split(" the point ")[1].split(" or ")
             for note in make_survey(bare, not_monitored=monitor.not_monitored()).lacks
             if " the point " in note.source]
    kinds = {t: kind for kind, things in (
        ("generator", bare.generators), ("riser", bare.risers), ("vent", bare.vents),
        ("room", bare.rooms)) for t in things}
    assert len(asked) > 10
    for point in chain.from_iterable(asked):
        thing, quantity = split_point(point)
        assert quantity in QUANTITIES[kinds[thing]], point


def test_what_the_watch_measured_is_taken_the_newest_last() -> None:
    made = [EstimateMade(time=day * 86_400_000, site="s", quantity="compressor-delivery",
                         asset="gen1", value=value, unit="scfh")
            for day, value in ((1, 100.0), (2, None), (3, 120.0))]
    found = measured(plant(), [*made, replace(made[0], asset="other")])
    assert found["gen1"].flow == pytest.approx(2.0 * SCFM)
    assert "1970-01-04" in found["gen1"].source
    assert set(found) == {"gen1"}


def test_numbers_as_metric_people_read_them() -> None:
    found = make_survey(plant(units="metric"))
    volume = riser_part(found).figure("volume")
    assert volume is not None
    assert volume.shown == "1703 L"
    assert SiteUnits(plant(units="metric").site).pressure(25) == "1.72 bar"
    assert duration_text(FILL.value * 1000) == "30 min"


# -- the command ---------------------------------------------------------------------------------

SITE = """
[site]
id = "works"
timezone = "Europe/London"
[[generators]]
id = "gen1"
[[risers]]
id = "r1"
fed_by = "gen1"
supervisory_pressure = "25 psi"
volume = "500 gal"
pipes = [{ size = "4 in", schedule = 10, length = "500 ft" }]
"""


@pytest.fixture
def site(tmp_path: Path) -> str:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    return str(path)


def test_as_text(site: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", site, "--delivery", "gen1=4.6 scfm"]) == 0
    out, err = capsys.readouterr()
    assert "4 in schedule 10, 500.0 ft" in out
    assert "[delivery typed, --delivery]" in out
    assert "impairment" in out
    assert "Not monitored at gen1" in out
    assert max(map(len, out.splitlines())) <= 100
    assert err == ""


def test_as_json(site: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["survey", site, "--json", "--delivery", "4.6 scfm"]) == 0
    found = json.loads(capsys.readouterr().out)
    figures = {f["name"]: f for f in found["risers"][0]["figures"]}
    assert figures["volume"]["value"] == pytest.approx(500 * GALLON)
    assert figures["fill time"]["unit"] == "s"


@pytest.mark.parametrize(("options", "words"), [
    (["--delivery", "gen9=4 scfm"], 'no generator "gen9"'),
    (["--delivery", "4 cfm"], "no stated pressure"),
    (["--delivery", "-4 scfm"], "no flow"),
    (["--product-oxygen", "2 psi"], "--product-oxygen"),
    (["--product-oxygen", "120 %"], "no share"),
])
def test_what_cannot_be_meant_is_said(
    site: str, options: list[str], words: str, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["survey", site, *options]) == 2
    assert words in capsys.readouterr().err
