"""Device profiles and addresses."""

import pytest

from collector.config.diagnostics import line_map
from collector.config.field_types import parse_address
from collector.config.units import QuantityError
from tests.config.conftest import PROFILE, Folder


@pytest.mark.parametrize(("old", "new", "key", "problem"), [
    ('"tank_pressure"', '"tank_presure"', "points[0].quantity", 'did you mean "tank_pressure"'),
    ('"tank_pressure"', '"pipe_temperature"', "points[0].quantity",
     'none of which has "pipe_temperature"'),
    ('unit = "psi"', 'unit = "gal"', "points[0].unit", "does not fit"),
    ('unit = "psi"', 'unit = "psia"', "points[0].unit", "does not fit"),
    ('type = "int16"', 'type = "int12"', "points[0].type", "none of them"),
    ("address = 0\n", "address = 70000\n", "points[0].address", "out of range"),
    ("address = 0\n", "", "points[0].address", '"address" is missing'),
    ("range = [-5, 200]", "range = [200, -5]", "points[0].range", "is empty"),
    ('"air-fill"', '"airfill"', "points[1].values", 'did you mean "air-fill"'),
    ('values = { 0 = "off", 1 = "nitrogen", 2 = "air-fill" }', "", "points[1].values",
     "a mode needs its words"),
    ('word_order = "high-first"', 'word_order = "big"', "profile.word_order", "none of them"),
    ("scale = 0.1", "scal = 0.1", "points[0].scal", 'did you mean "scale"'),
    ('normally_closed = { table = "discrete-inputs", address = 1 }',
     'normally_closed = { table = "discrete-inputs", address = 0 }', "points[2].normally_closed",
     "the same place"),
    ('table = "input-registers"', 'table = "coils"', "points[0].type", "hold bits"),
])
def test_one_mistake(folder: Folder, old: str, new: str, key: str, problem: str) -> None:
    (only,) = folder.profile(old, new).mistakes()
    assert only.place.startswith("generator-a.toml line ")
    assert only.place.endswith(": " + key)
    assert problem in only.problem


def test_a_spare_channel_is_left_out(folder: Folder) -> None:
    folder.profile('quantity = "mode"', 'quantity = "mode"\nnth = 2')
    assert [p.point for p in folder.load().devices[0].points] == [
        "gen1.tank_pressure", "gen1.trouble"]


def test_a_profile_s_line_is_the_right_one(folder: Folder) -> None:
    (only,) = folder.profile("scale = 0.1", "scal = 0.1").mistakes()
    line = next(n for n, text in enumerate(PROFILE.splitlines(), 1) if text.startswith("scale"))
    assert only.place == f"generator-a.toml line {line}: points[0].scal"


def test_two_devices_share_a_bad_profile_and_it_is_said_once(folder: Folder) -> None:
    folder.add('[[generators]]\nid = "gen2"\n[[devices]]\nid = "d2"\naddress = "tcp://127.0.0.1"\n'
               'profile = "generator-a.toml"\nwatches = "gen2"\n')
    (only,) = folder.profile("scale = 0.1", "scal = 0.1").mistakes()
    assert "scal" in only.problem


def test_the_profile_s_unit_becomes_the_unit_of_record(folder: Folder) -> None:
    folder.profile('unit = "psi"', 'unit = "bar"')
    point = folder.load().devices[0].points[0]
    assert point.factor == pytest.approx(14.50377, rel=1e-6)  # NIST SP 811: 1 bar = 14.50377 psi
    assert point.low == pytest.approx(-5 * 14.50377, rel=1e-6)
    assert point.shift == 0.0


def test_a_line_of_a_chip_is_a_contact(folder: Folder) -> None:
    (folder.path / "lines.toml").write_text(
        '[[points]]\nquantity = "trouble"\ntable = "lines"\naddress = 4\ndebounce = "200 ms"\n')
    folder.swap("tcp://127.0.0.1:5020", "gpio:/dev/gpiochip0")
    folder.swap("generator-a.toml", "lines.toml")
    (point,) = folder.load().devices[0].points
    assert point.normally_open is not None
    assert (point.normally_open.address, point.debounce) == (4, 200)


def test_a_register_cannot_be_read_from_a_chip(folder: Folder) -> None:
    folder.swap("tcp://127.0.0.1:5020", "gpio:/dev/gpiochip0")
    assert all("cannot be read at gpio:" in m.problem for m in folder.mistakes())


@pytest.mark.parametrize(("text", "written"), [
    ("tcp://10.0.0.5:5020", "tcp://10.0.0.5:5020"), ("tcp://plc.example", "tcp://plc.example:502"),
    ("rtu+tcp://10.0.0.5:4001", "rtu+tcp://10.0.0.5:4001"),
    ("rtu:/dev/ttyUSB0", "rtu:/dev/ttyUSB0?baud=19200&parity=even"),
    ("rtu:/dev/ttyUSB0?baud=9600&parity=none", "rtu:/dev/ttyUSB0?baud=9600&parity=none"),
    ("gpio:/dev/gpiochip0", "gpio:/dev/gpiochip0"),
])
def test_addresses(text: str, written: str) -> None:
    assert str(parse_address(text)) == written


def test_no_parity_takes_two_stop_bits_as_the_serial_line_guide_says() -> None:
    # Modbus over serial line V1.02, 2.5.1: 11 bits a character, no parity needs 2 stop bits
    # (from memory).
    assert parse_address("rtu:/dev/ttyS0?parity=none").stop_bits == 2
    assert parse_address("rtu:/dev/ttyS0?parity=none&stop_bits=1").stop_bits == 1
    assert parse_address("rtu:/dev/ttyS0").stop_bits == 1


@pytest.mark.parametrize("text", [
    "10.0.0.5", "udp://10.0.0.5:502", "tcp:10.0.0.5", "tcp://10.0.0.5:99999", "tcp://:502",
    "rtu:ttyUSB0", "rtu:/dev/ttyUSB0?baud=fast", "rtu:/dev/ttyUSB0?parity=mark",
    "rtu:/dev/ttyUSB0?speed=9600", "gpio:/dev/gpiochip0?x=1", "tcp://10.0.0.5:0",
])
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(QuantityError):
        parse_address(text)


def test_lines_of_nested_tables_and_values_over_several_lines() -> None:
    text = ('# [no]\na = 1\n[t]\nlong = """\n[not.a.table]\nx = 2\n"""\nb = [\n  "]",\n  2,\n]\n'
            'c.d = 3\n[[l]]\nk = 1\n[[l.m]]\n"q.r" = 2\n[[l]]\nk = 2 # = 3\n')
    assert line_map(text) == {
        ("a",): 2, ("t",): 3, ("t", "long"): 4, ("t", "b"): 8, ("t", "c"): 12,
        ("t", "c", "d"): 12, ("l", 0): 13, ("l", 0, "k"): 14, ("l", 0, "m", 0): 15,
        ("l", 0, "m", 0, "q.r"): 16, ("l", 1): 17, ("l", 1, "k"): 18,
    }
