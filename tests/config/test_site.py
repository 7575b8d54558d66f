"""The site file: right ones mean what they say, wrong ones get every mistake at once."""

from pathlib import Path

import pytest

from collector.config import load_site
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import SiteFileError
from tests.config.conftest import Folder


def test_the_contract_s_example(folder: Folder) -> None:
    config = folder.load()
    plant = config.plant
    assert plant.site.name == "Fenmoor Cold Store"
    assert plant.site.standard_temperature == pytest.approx(15.5556, abs=1e-4)
    assert plant.generators["gen1"].cut_out == 80.0
    assert plant.risers["r1"].volume == pytest.approx(1.70344, rel=1e-5)
    assert plant.vents["r1-vent"].flow == pytest.approx(0.35 / 379.48 * 453.59237 / 60, rel=1e-4)
    assert config.data == folder.path / "var/fenmoor"
    assert config.step == 1000
    assert plant.devices["gen1-controller"].points == (
        "gen1.tank_pressure", "gen1.mode", "gen1.trouble", "gen1.trouble_no", "gen1.trouble_nc")
    assert config.settings.for_("compressor-long-run", "gen1")["limit"] == 720_000
    assert config.settings.for_("oxygen-not-falling", "r1-vent")["planned_days"] == 10.0
    assert config.settings.for_("oxygen-not-falling", "other")["planned_days"] is None
    assert (config.board.host, config.board.port) == ("127.0.0.1", 8600)


def test_what_a_profile_says_arrives_at_the_poller(folder: Folder) -> None:
    pressure, mode, trouble = folder.load().devices[0].points
    assert (pressure.table, pressure.type, pressure.scale) == ("input-registers", "int16", 0.1)
    assert (pressure.low, pressure.high, pressure.invalid) == (-5.0, 200.0, (32767.0,))
    assert mode.values == {"0": 0.0, "1": 1.0, "2": 2.0}
    assert trouble.normally_open is not None
    assert trouble.normally_closed is not None
    assert (trouble.normally_open.address, trouble.normally_closed.address) == (0, 1)


def test_ten_mistakes_ten_messages(folder: Folder) -> None:
    folder.swap('timezone = "Europe/London"', 'timezone = "Europe/Lodnon"')
    folder.swap('tank_volume = "60 gal"', 'tank_volum = "60 gal"')
    folder.swap('cut_in = "60 psi"', 'cut_in = "60 gal"')
    folder.swap('product_oxygen_limit = "3 %"', "product_oxygen_limit = 3")
    folder.swap('fed_by = "gen1"', 'fed_by = "gen2"')
    folder.swap('low_pressure = "18 psi"', 'low_pressure = "28 psi"')
    folder.swap('riser = "r1"', 'riser = "gen1"')
    folder.swap('id = "plant-room"', 'id = "r1"')
    folder.swap('address = "tcp://127.0.0.1:5020"', 'address = "tcp:127.0.0.1"')
    folder.swap("[conditions.compressor-long-run]", "[conditions.compresor-long-run]")
    found = {m.place: m for m in folder.mistakes()}
    expected = {
        ("Europe/Lodnon", "site.timezone"): ('"Europe/Lodnon"', "Europe/London"),
        ("tank_volum ", "generators[0].tank_volum"): ("unknown key", "tank_volume"),
        ('"60 gal"\ncut', "generators[0].cut_in"): ("is a volume", "80 psi"),
        ("product_oxygen_limit", "generators[0].product_oxygen_limit"): ("no unit", "2 %"),
        ("fed_by", "risers[0].fed_by"): ('no generator "gen2"', "gen1"),
        ("low_pressure", "risers[0].low_pressure"): ("not below", "supervisory_pressure"),
        ('riser = "gen1"', "vents[0].riser"): ("is a generator", "r1"),
        ("[[rooms]]", "rooms[0].id"): ("already the id", "its own"),
        ("tcp:127", "devices[0].address"): ("not an address", "tcp://"),
        ("[conditions.compresor", "conditions.compresor-long-run"):
            ("unknown condition", "compressor-long-run"),
    }
    assert len(found) == 10
    for (text, key), (problem, hint) in expected.items():
        place, mistake = next((p, m) for p, m in found.items() if p.endswith(": " + key))
        line = folder.line(text.split("\n")[0]) if "\n" not in text else folder.line("cut_in")
        if text == "[[rooms]]":
            line += 1
        assert place == f"site.toml line {line}: {key}"
        assert problem in mistake.problem
        assert hint in str(mistake)
        assert mistake.expected


def test_mistakes_come_in_the_order_of_the_file(folder: Folder) -> None:
    folder.swap('altitude = "40 m"', 'altitude = "40 s"').swap('cut_out = "80 psi"', "cut_out = 8")
    folder.swap('every = "5 s"', 'every = "5 psi"')
    places = [m.place.split(": ")[1] for m in folder.mistakes()]
    assert places == ["site.altitude", "generators[0].cut_out", "devices[0].every"]


def test_bad_toml_is_one_mistake_with_its_line(folder: Folder) -> None:
    folder.swap('cut_in = "60 psi"', 'cut_in = 60 psi')
    (only,) = folder.mistakes()
    assert only.place == f"site.toml line {folder.line('cut_in')}"
    assert "not TOML" in only.problem


def test_toml_that_breaks_off(folder: Folder) -> None:
    folder.add("[board")
    (only,) = folder.mistakes()
    assert "not TOML" in only.problem


def test_a_site_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SiteFileError, match=r"none\.toml: cannot be read: No such file"):
        load_site(tmp_path / "none.toml")


@pytest.mark.parametrize(("old", "new", "key", "problem"), [
    ('id = "fenmoor"\n', "", "site", '"id" is missing'),
    ('riser = "r1"\n', "", "vents[0]", '"riser" is missing'),
    ('cut_in = "60 psi"', 'cut_in = "90 psi"', "generators[0].cut_in", "not below cut_out"),
    ('air_fill_below = "55 psi"', 'air_fill_below = "85 psi"', "generators[0].air_fill_below",
     "not below cut_out"),
    ('supervisory_pressure = "25 psi"', 'supervisory_pressure = "45 psi"',
     "risers[0].supervisory_pressure", "not below high_pressure"),
    ('volume = "450 gal"', 'volume = "0 gal"', "risers[0].volume", "too low"),
    ('id = "plant-room"', 'id = "plant.room"', "rooms[0].id", "not usable as id"),
    ('units = "us"', 'units = "imperial"', "site.units", "none of them"),
    ("unit = 1\n", "unit = 300\n", "devices[0].unit", "out of range"),
    ("unit = 1\n", 'unit = "1"\n', "devices[0].unit", "not a whole number"),
    ('watches = "gen1"', 'watches = "gen"', "devices[0].watches", 'did you mean "gen1"'),
    ('watches = "gen1"', "watches = 7", "devices[0].watches", "not "),
    ('profile = "generator-a.toml"', 'profile = "generator-b.toml"', "devices[0].profile",
     'did you mean "generator-a.toml"'),
    ('limit = "12 min"', 'limits = "12 min"', "conditions.compressor-long-run.limits",
     'did you mean "limit"'),
    ('limit = "12 min"', 'limit = "12 psi"', "conditions.compressor-long-run.limit",
     "is a pressure"),
    ("[conditions.oxygen-not-falling.r1-vent]", "[conditions.oxygen-not-falling.r1-vnet]",
     "conditions.oxygen-not-falling.r1-vnet", 'did you mean "r1-vent"'),
    ("[conditions.oxygen-not-falling.r1-vent]", "[conditions.oxygen-not-falling.r1]",
     "conditions.oxygen-not-falling.r1", "is a riser"),
    ("[conditions.oxygen-not-falling.r1-vent]\nplanned_days = 10",
     '[conditions.contact-disagreement."gen1.trouble"]\ndeadband = "3 psi"',
     "conditions.contact-disagreement.gen1.trouble", "no generator or riser or vent"),
    ("planned_days = 10", "planned_days = -1", "conditions.oxygen-not-falling.r1-vent.planned_days",
     "below 0"),
    ('volume = "450 gal"', 'pipes = [{ size = "7 in", schedule = 10, length = "2 ft" }]',
     "risers[0].pipes[0]", "no steel pipe"),
    ('volume = "450 gal"', 'pipes = [{ size = "4 in", length = "2 ft" }]',
     "risers[0].pipes[0]", '"schedule" is missing'),
])
def test_one_mistake(folder: Folder, old: str, new: str, key: str, problem: str) -> None:
    (only,) = folder.swap(old, new).mistakes()
    assert only.place.endswith(": " + key)
    assert problem in only.problem


def test_a_table_with_a_wrong_name(folder: Folder) -> None:
    (only,) = folder.add('[[riser]]\nid = "r2"\n').mistakes()
    assert 'unknown key "riser"' in only.problem
    assert "risers" in only.problem


def test_a_stated_volume_stands_and_the_take_off_is_kept_beside_it(folder: Folder) -> None:
    folder.swap('volume = "450 gal"', 'volume = "450 gal"\npipes = [{ size = "DN 100", '
                'schedule = "Sch 10", length = "30 m" }]')
    riser = folder.load().plant.risers["r1"]
    assert riser.volume == pytest.approx(450 * 3.785411784e-3)
    assert [(p.size, p.schedule, p.length) for p in riser.pipes] == [("4", "10", 30.0)]


def test_pipes_make_the_volume(folder: Folder) -> None:
    folder.swap('volume = "450 gal"', 'pipes = [\n  { size = "4 in", schedule = "10", '
                'length = "220 ft" },\n  { size = "2 in", schedule = 40, length = "300 ft" },\n]')
    # 4 in Sch 10 holds 0.740 gal/ft, 2 in Sch 40 0.174 gal/ft: pipe handbooks, from memory.
    gallons = 220 * 0.740 + 300 * 0.174
    assert folder.load().plant.risers["r1"].volume == pytest.approx(
        gallons * 3.785412e-3, rel=2e-3)


def test_two_devices_at_one_place(folder: Folder) -> None:
    folder.add('[[devices]]\nid = "other"\naddress = "tcp://127.0.0.1:5020"\n'
               'profile = "generator-a.toml"\nwatches = "gen1"\n')
    problems = [m.problem for m in folder.mistakes()]
    assert any('unit 1 at tcp://127.0.0.1:5020 is already device "gen1-controller"' in p
               for p in problems)
    assert any("two sources of gen1.tank_pressure" in p for p in problems)


def test_several_things_share_a_device(folder: Folder) -> None:
    folder.add('[[generators]]\nid = "gen2"\n')
    folder.swap('watches = "gen1"', 'watches = ["r1", "gen1", "gen2"]')
    folder.profile('quantity = "mode"', 'quantity = "mode"\nnth = 2')
    assert [p.point for p in folder.load().devices[0].points] == [
        "gen1.tank_pressure", "gen2.mode", "gen1.trouble"]


def test_without_devices_it_is_valid(folder: Folder) -> None:
    start = folder.site.index("[[devices]]")
    folder.site = folder.site[:start]
    assert folder.load().devices == ()


def test_defaults_of_every_condition_can_be_read(folder: Folder) -> None:
    settings = folder.load().settings
    for condition in CATALOGUE.values():
        values = settings.for_(condition.id, "none")
        assert values.keys() == {s.name for s in condition.all_settings()} | values.keys()
        for setting in condition.all_settings():
            if setting.default is None:
                assert values[setting.name] in (None, 720_000)
    assert settings.for_("pressure-low", "r1")["on_delay"] == 15_000


def test_the_environment_overrides(folder: Folder, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETPIPE_SITE__DATA", "elsewhere")
    monkeypatch.setenv("QUIETPIPE_BOARD__LISTEN", "127.0.0.1:0")
    config = folder.load()
    assert config.data == folder.path / "elsewhere"
    assert config.board.port == 0
    assert config.plant.site.timezone == "Europe/London"


def test_a_mistake_in_the_environment_names_the_variable(
    folder: Folder, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("QUIETPIPE_SITE__TIMEZON", "x")
    monkeypatch.setenv("QUIETPIPE_JOURNAL__KEEP", "2 psi")
    found = {m.place: m.problem for m in folder.mistakes()}
    assert 'did you mean "timezone"' in found["environment QUIETPIPE_SITE__TIMEZON: site.timezon"]
    assert "is a pressure" in found["environment QUIETPIPE_JOURNAL__KEEP: journal.keep"]


def test_the_digest_follows_site_file_and_profile(folder: Folder) -> None:
    first = folder.load().digest
    assert folder.load().digest == first
    folder.profile("scale = 0.1", "scale = 0.2")
    second = folder.load().digest
    folder.swap('name = "Dock riser"', 'name = "North riser"')
    assert len({first, second, folder.load().digest}) == 3
