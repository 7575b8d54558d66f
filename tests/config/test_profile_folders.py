"""Profiles beside the site file, in the site-wide folder and in the package; ``extends``."""

from pathlib import Path

import pytest

from tests.config.conftest import PROFILE, Folder

OTHER = """\
[profile]
extends = "generator-a.toml"
omits = ["mode"]

[[points]]
quantity = "tank_pressure"
table = "input-registers"
address = 7
type = "int16"
scale = 0.01
unit = "bar"
"""


def _use(folder: Folder, text: str = OTHER, name: str = "other.toml") -> Folder:
    (folder.path / name).write_text(text)
    return folder.swap('profile = "generator-a.toml"', f'profile = "{name}"')


def test_a_profile_has_the_points_of_the_one_it_extends(folder: Folder) -> None:
    points = {p.point: p for p in _use(folder).load().devices[0].points}
    assert set(points) == {"gen1.tank_pressure", "gen1.trouble"}
    assert (points["gen1.tank_pressure"].address, points["gen1.tank_pressure"].scale) == (7, 0.01)
    assert points["gen1.trouble"].normally_closed is not None


def test_the_order_of_words_is_the_base_s_unless_it_is_stated(folder: Folder) -> None:
    (folder.path / "generator-a.toml").write_text(
        PROFILE.replace('word_order = "high-first"', 'word_order = "low-first"'))
    assert {p.word_order for p in _use(folder).load().devices[0].points} == {"low-first"}
    stated = OTHER.replace("omits", 'word_order = "high-first"\nomits')
    (folder.path / "other.toml").write_text(stated)
    assert {p.word_order for p in folder.load().devices[0].points} == {"high-first"}


@pytest.mark.parametrize(("old", "new", "place", "problem"), [
    ('"generator-a.toml"', '"generator-b.toml"', "other.toml line 2: profile.extends",
     'did you mean "generator-a.toml"'),
    ('"generator-a.toml"', '"other.toml"', "other.toml line 2: profile.extends",
     'itself: "other.toml" extends "other.toml"'),
    ('["mode"]', '["mod"]', "other.toml line 3: profile.omits", 'did you mean "mode"'),
    ("scale = 0.01", 'scale = "x"', "other.toml line 10: points[0].scale", "not a number"),
    ('unit = "bar"', 'unit = "gal"', "other.toml line 11: points[0].unit", "does not fit"),
])
def test_a_mistake_has_its_file_and_key(
    folder: Folder, old: str, new: str, place: str, problem: str,
) -> None:
    (only,) = _use(folder, OTHER.replace(old, new)).mistakes()
    assert only.place == place
    assert problem in only.problem


def test_a_mistake_of_the_base_is_placed_in_the_base(folder: Folder) -> None:
    folder.profile('unit = "psi"', 'unit = "gal"')
    text = '[profile]\nextends = "generator-a.toml"\n'
    (only,) = _use(folder, text).mistakes()
    assert only.place.startswith("generator-a.toml line ")
    assert only.place.endswith("points[0].unit")


def test_beside_the_site_file_comes_before_the_folder_and_that_before_the_package(
    folder: Folder,
) -> None:
    shared = folder.path / "shared"
    shared.mkdir()
    name = "example-generator.toml"
    folder.swap('profile = "generator-a.toml"', f'profile = "{name}"')
    folder.swap('data = "var/fenmoor"', 'data = "var/fenmoor"\nprofiles = "shared"')

    def tank() -> int:
        return next(p.address for p in folder.load().devices[0].points
                    if p.point == "gen1.tank_pressure")

    digests = {folder.load().digest}
    assert tank() == 0  # the package's own
    for address, path in ((3, shared / name), (5, folder.path / name)):
        path.write_text(PROFILE.replace("address = 0\n", f"address = {address}\n", 1))
        assert tank() == address
        digests.add(folder.load().digest)
    assert len(digests) == 3


def test_a_site_wide_folder_must_be_there(folder: Folder) -> None:
    folder.swap('data = "var/fenmoor"', 'profiles = "nowhere"')
    (only,) = folder.mistakes()
    assert only.place.endswith("site.profiles")
    assert "there is no folder" in only.problem


def test_what_ships_is_named_where_a_profile_is_missing(folder: Folder) -> None:
    folder.swap('profile = "generator-a.toml"', 'profile = "elsewhere.toml"')
    (only,) = folder.mistakes()
    assert "example-generator.toml, example-riser.toml" in only.expected
    assert Path(only.place.split()[0]).name == "site.toml"
