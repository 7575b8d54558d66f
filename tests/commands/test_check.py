"""``quietpipe check``: against a real Modbus server, and against nobody."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from collector.cli import main
from tests.integration.support import modbus_server
from tests.wire import in_thread


def controller(tank: int) -> SimDevice:
    bits = [SimData(0, values=[True, False], datatype=DataType.BITS)]
    return SimDevice(1, simdata=(
        [SimData(0, values=[False], datatype=DataType.BITS)], bits,
        [SimData(10, values=[1], datatype=DataType.REGISTERS)],
        [SimData(0, values=[tank], datatype=DataType.REGISTERS)],
    ))


def at_port(site: Path, port: int) -> Path:
    text = site.read_text().replace("127.0.0.1:5020", f"127.0.0.1:{port}")
    site.write_text(text.replace('every = "5 s"', 'every = "5 s"\ntimeout = "500 ms"'))
    return site


@pytest.fixture
def server(request: pytest.FixtureRequest) -> Iterator[int]:
    """The port of a generator's controller."""
    with in_thread(lambda: modbus_server(controller(getattr(request, "param", 725)))) as port:
        yield port


def test_all_is_well(site: Path, server: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(at_port(site, server))]) == 0
    lines = {line.split()[1]: line for line in capsys.readouterr().out.splitlines()
             if line.startswith("gen1-controller")}
    assert "72.5 psi" in lines["gen1.tank_pressure"]
    assert "nitrogen" in lines["gen1.mode"]
    assert all(" good" in line for line in lines.values())


@pytest.mark.parametrize("server", [2500, 32767], indirect=True)
def test_a_bad_point_is_not_well(
    site: Path, server: int, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["check", str(at_port(site, server))]) == 1
    line = next(x for x in capsys.readouterr().out.splitlines() if "tank_pressure" in x)
    assert " bad: " in line


def test_a_silent_device_is_not_well(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(at_port(site, 1))]) == 1
    out = capsys.readouterr().out
    assert "no answer from: gen1-controller" in out
    assert "stale" in out


def test_without_devices_it_only_reads(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--no-devices", str(site)]) == 0
    out = capsys.readouterr().out
    assert "no mistakes" in out
    assert "not monitored:" in out
    assert "no compressor running" in out or "compressor-long-run" in out
    assert "not a listed fire-alarm" in out
    assert "gen1-controller  " not in out


def test_mistakes_end_it_before_any_device_is_asked(
    site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    site.write_text(site.read_text().replace('cut_in = "60 psi"', 'cut_in = "60 gal"'))
    assert main(["check", str(site)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "site.toml line 13: generators[0].cut_in" in said.err
