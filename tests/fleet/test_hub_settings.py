"""The hub's file: everything right, or every mistake at once; and the command line around it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from collector.cli import main
from collector.config.tables import Table
from collector.domain.errors import SiteFileError
from collector.fleet import (
    CustomerTable,
    GroupTable,
    HubMqttTable,
    HubSettings,
    HubTable,
    load_hub,
)
from collector.handbook.markdown import Fence
from tests.handbook.support import codes, rows, sections, source

FILE = """
[hub]
name = "Marsh Service"
data = "var/hub"
listen = "127.0.0.1:0"
silent_after = "40 s"
staff = ["Kim Marsh"]

[mqtt]
broker = "mqtt://127.0.0.1:1883"
host = "works"

[[groups]]
id = "north"

[[groups]]
id = "south"

[[customers]]
id = "mill"
name = "Mill Estates"
sites = ["north/mill-*"]
people = ["Ann Mill"]
"""


def read(folder: Path, text: str) -> HubSettings:
    path = folder / "hub.toml"
    path.write_text(text)
    return load_hub(path)


def test_a_right_file(tmp_path: Path) -> None:
    made = read(tmp_path, FILE)
    assert (made.name, made.silent_after, made.host_id) == ("Marsh Service", 40_000, "works")
    assert [(g.id, g.events_prefix) for g in made.groups] == [
        ("north", "quietpipe/north"), ("south", "quietpipe/south")]
    assert made.customers[0].has("north", "mill-one")
    assert made.staff == {"kim marsh"}
    assert (made.broker.host, made.broker.port) == ("127.0.0.1", 1883)


def test_a_single_group_s_events_come_where_a_site_sends_them_by_itself(tmp_path: Path) -> None:
    made = read(tmp_path, '[mqtt]\nbroker = "mqtt://b.example"\n[[groups]]\nid = "north"\n')
    assert made.groups[0].events_prefix == "quietpipe"
    assert made.customers == ()


@pytest.mark.parametrize(("old", "new", "problem"), [
    ('id = "south"', 'id = "north"', "there twice"),
    ('id = "south"', 'id = "south"\nevents_prefix = "quietpipe/north"', "shares its events_prefix"),
    ('people = ["Ann Mill"]', 'people = ["KIM  MARSH"]', "staff already"),
    ('people = ["Ann Mill"]', 'people = ["Ann"]\n[[customers]]\nid = "x"\nsites = ["n/x"]\n'
     'people = ["ann"]', 'customer "mill" already'),
    ('sites = ["north/mill-*"]', 'sites = ["mill-one"]', "not usable"),
    ('broker = "mqtt://127.0.0.1:1883"', "", '"broker" is missing'),
    ('silent_after = "40 s"', 'silent_after = "2 s"', "too low"),
    ('listen = "127.0.0.1:0"', 'listen = "8700"', "not a host and port"),
    ('host = "works"', 'hots = "works"', "unknown key"),
    ('id = "south"', 'id = "../south"', "id"),
])
def test_mistakes(tmp_path: Path, old: str, new: str, problem: str) -> None:
    assert old in FILE
    with pytest.raises(SiteFileError) as caught:
        read(tmp_path, FILE.replace(old, new))
    (only,) = caught.value.mistakes
    assert problem in str(only)


def test_the_command_says_what_is_wrong_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "hub.toml").write_text('[mqtt]\nbroker = "x"\n')
    for arguments in (["hub", str(tmp_path / "hub.toml")], ["hub", str(tmp_path / "none.toml")],
                      ["hub", str(tmp_path / "hub.toml"), "--id", "../x"],
                      ["hub", str(tmp_path / "hub.toml"), "--listen", "x"]):
        assert main(arguments) == 2
        said = capsys.readouterr()
        assert said.out == ""
        assert said.err
        assert "Traceback" not in said.err


def test_accounts_are_made_with_the_hub_s_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    file, word = tmp_path / "hub.toml", tmp_path / "word"
    file.write_text(FILE)
    word.write_text("a long enough password\n")
    assert main(["people", str(file), "add", "Ann Mill", "--role", "look", "--password-file",
                 str(word)]) == 0
    assert main(["people", str(file), "list"]) == 0
    assert "Ann Mill" in capsys.readouterr().out
    assert (tmp_path / "var" / "hub" / "people.sqlite").exists()


@pytest.mark.parametrize(("place", "table"), [
    ("[hub]", HubTable), ("[mqtt]", HubMqttTable), ("[[groups]]", GroupTable),
    ("[[customers]]", CustomerTable),
])
def test_every_key_of_the_file_is_told_on_its_page(place: str, table: type[Table]) -> None:
    section = sections(source("fleet"))[place]
    told = {row["key"]: row for row in rows(section)}
    shared = {"broker", "username", "password", "ca", "certificate", "key"} \
        if place == "[mqtt]" else set()
    assert set(told) | shared == set(table.model_fields)
    assert shared <= codes(section)
    for key, row in told.items():
        table.model_validate({key: tomllib.loads(f"x = {row['example']}")["x"]})


def test_the_example_of_the_page_is_a_right_file(tmp_path: Path) -> None:
    text = next(b.text for b in source("fleet") if isinstance(b, Fence) and "[hub]" in b.text)
    path = tmp_path / "hub.toml"
    path.write_text(text)
    made = load_hub(path, secrets=False)
    assert made.customers[0].has("north", "mill-one")
