"""Register images: a profile with its image is its own test."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from collector.cli import main
from collector.commissioning.interview import write_whole
from collector.commissioning.profile_images import image_path, load_profile, read_image
from collector.config.profiles import BUNDLED
from collector.domain.errors import SiteFileError

SHIPPED = sorted(BUNDLED.glob("*.toml"))


@pytest.fixture
def profile(tmp_path: Path) -> Path:
    for path in BUNDLED.glob("example-generator.*"):
        shutil.copy(path, tmp_path)
    return tmp_path / "example-generator.toml"


def spoil(profile: Path, **parts: Any) -> None:
    path = image_path(profile)
    data = json.loads(path.read_text())
    for key, value in parts.items():
        data[key] |= value
    path.write_text(json.dumps(data))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_every_profile_that_ships_has_an_image_that_holds_each_of_its_points(path: Path) -> None:
    image, read = read_image(image_path(path)), load_profile(path)
    assert image.test(read) == []
    assert len(image.expected) == len(read.points)


@pytest.mark.parametrize(("old", "new", "says"), [
    ("scale = 0.1 ", "scale = 1.0 ",
     "gives no value (715 is above the possible 200); expected 71.5"),
    ('word_order = "high-first"', 'word_order = "low-first"', "expected 1.83 %"),
    ('type = "uint32"', 'type = "uint16"', "gives 0 h; expected 1200 h"),
    ('unit = "psi"', 'unit = "bar"', "expected 71.5 psi"),
    ('1 = "nitrogen", 2 = "air-fill"', '2 = "nitrogen", 1 = "air-fill"',
     "gives air-fill; expected nitrogen"),
    ("address = 4\n", "address = 5\n", "input-registers 6 is not in the image"),
])
def test_a_wrong_profile_fails_its_image(
    profile: Path, old: str, new: str, says: str, capsys: pytest.CaptureFixture[str],
) -> None:
    text = profile.read_text()
    assert old in text
    profile.write_text(text.replace(old, new))
    assert main(["check", str(profile)]) == 1
    lines = [x for x in capsys.readouterr().out.splitlines() if "image.json: expected." in x]
    assert any(says in line for line in lines)
    assert main(["check", "--no-devices", str(_site(profile))]) == 1


def _site(profile: Path) -> Path:
    site = profile.with_name("site.toml")
    site.write_text('[site]\nid = "a"\ntimezone = "UTC"\n[[generators]]\nid = "gen1"\n'
                    '[[devices]]\nid = "d"\naddress = "tcp://127.0.0.1:1"\n'
                    f'profile = "{profile.name}"\nwatches = "gen1"\n')
    return site


def test_check_of_a_right_profile_by_itself(
    profile: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["check", str(profile)]) == 0
    assert "gives all 6 expected values" in capsys.readouterr().out
    assert main(["check", "--no-devices", str(_site(profile))]) == 0


def test_a_bit_and_an_expected_lack_of_a_value(profile: Path) -> None:
    spoil(profile, expected={"tank_pressure": None, "compressor_running": 1},
          tables={"input-registers": {"0": 32767, "2": 0x3FEA, "3": 0x3D71, "4": 0, "5": 1200}})
    assert read_image(image_path(profile)).test(load_profile(profile)) == []


@pytest.mark.parametrize(("parts", "says"), [
    ({"expected": {"tank": "71.5 psi"}}, "expected.tank: example-generator.toml has no such point"),
    ({"expected": {"tank_pressure": "71.5 gal"}}, 'expected.tank_pressure: "gal" is no unit'),
    ({"expected": {"tank_pressure": "much"}}, "not a number as a display shows it"),
])
def test_a_wrong_expected_value_has_its_key(profile: Path, parts: Any, says: str) -> None:
    spoil(profile, **parts)
    (only,) = read_image(image_path(profile)).test(load_profile(profile))
    assert says in str(only)


@pytest.mark.parametrize(("text", "says"), [
    ("{", "example-generator.image.json line 1: not JSON"),
    ("[]", "not a table"),
    ('{"tables": {"input-registers": {"0": 70000}}, "expected": {}}',
     "tables.input-registers.0: 70000 is out of range"),
    ('{"tables": {}}', '"expected" is missing'),
])
def test_a_wrong_image_is_told_with_its_key(profile: Path, text: str, says: str) -> None:
    image_path(profile).write_text(text)
    with pytest.raises(SiteFileError) as caught:
        read_image(image_path(profile))
    assert says in str(caught.value.mistakes[0])


def test_what_is_written_is_read(profile: Path) -> None:
    image = read_image(image_path(profile))
    write_whole(profile.with_name("again.image.json"), image.text())
    again = read_image(profile.with_name("again.image.json"))
    assert (again.unit, again.tables, again.expected) == (image.unit, image.tables, image.expected)
    assert not list(profile.parent.glob("*.part"))
