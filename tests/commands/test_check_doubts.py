"""``quietpipe check`` doubts: the issue's own example, hints, and units that answer instead."""

import asyncio
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException

from collector.cli import main
from simulators.unknown_maps import serve_tcp

SITE = """\
[site]
id = "works"
timezone = "UTC"

[[generators]]
id = "gen1"
cut_in = "60 psi"
cut_out = "80 psi"

[[devices]]
id = "controller"
address = "{address}"
unit = {unit}
timeout = "300 ms"
profile = "example-generator.toml"
watches = "gen1"
{more}
"""


def _words(number: float, order: str) -> list[int]:
    words = list(struct.unpack(">HH", struct.pack(">f", number)))
    return words if order == "high-first" else words[::-1]


class Controller:
    """A controller on unit 2: input registers from 0, and what the example profile reads."""

    def __init__(self, registers: list[int]) -> None:
        self.address = ""
        self._tables = {1: [0], 2: [0, 1, 1], 3: [0] * 10 + [1], 4: registers}
        self._up = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        assert self._up.wait(10)

    def device_ids(self) -> list[int]:
        return [2]

    async def async_getValues(  # noqa: N802 - the server's own name for it
        self, device_id: int, func_code: int, address: int, count: int = 1,
    ) -> list[int] | list[bool] | ExcCodes:
        if device_id != 2:
            raise NoSuchIdException
        found = self._tables[func_code][address:address + count]
        if len(found) < count:
            return ExcCodes.ILLEGAL_ADDRESS
        return [bool(v) for v in found] if func_code <= 2 else found

    def _run(self) -> None:
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        self._stop = asyncio.Event()
        async with serve_tcp(self) as self.address:  # type: ignore[arg-type]
            self._up.set()
            await self._stop.wait()

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(10)


@pytest.fixture
def controller(request: pytest.FixtureRequest) -> Iterator[Controller]:
    found = Controller(request.param)
    yield found
    found.close()


def check(
    controller: Controller, folder: Path, capsys: pytest.CaptureFixture[str], unit: int = 2,
    more: str = "",
) -> tuple[int, str]:
    site = folder / "site.toml"
    site.write_text(SITE.format(address=controller.address, unit=unit, more=more))
    status = main(["check", str(site), "--pause", "100 ms"])
    return status, capsys.readouterr().out


def line(out: str, point: str) -> str:
    return " ".join(next(x for x in out.splitlines() if point in x).split())


RIGHT = [715, 0, *_words(1.83, "high-first"), 0, 1200]


@pytest.mark.parametrize("controller", [RIGHT], indirect=True)
def test_right_values_have_their_words_beside_them(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    status, out = check(controller, tmp_path, capsys)
    assert status == 0, out
    assert line(out, "tank_pressure") == "controller gen1.tank_pressure 02CB 71.5 psi 0 s good"
    assert line(out, "product_oxygen") == "controller gen1.product_oxygen 3FEA 3D71 1.83 % 0 s good"
    assert "0 suspect" in out


@pytest.mark.parametrize("controller", [
    [715, 0, *_words(1.83, "low-first"), 0, 1200],  # reads as 0.0589 %, nearly perfect nitrogen
    [715, 0, 0x0012, 0x3FEA, 0, 1200],  # reads as 1.6e-39 %
], indirect=True)
def test_oxygen_in_the_other_order_is_no_perfect_nitrogen(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    status, out = check(controller, tmp_path, capsys)
    assert status == 1
    assert " suspect: " in line(out, "product_oxygen")
    assert "as low-first it would be 1.83 %" in line(out, "product_oxygen") \
        or "as low-first it would be 1.828 %" in line(out, "product_oxygen")
    assert "1 suspect" in out


@pytest.mark.parametrize("controller", [[0, 715, *_words(1.83, "high-first"), 0, 1200, 812]],
                         indirect=True)
def test_an_empty_tank_is_not_doubted_for_what_lies_beside_it(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    assert check(controller, tmp_path, capsys)[0] == 0


@pytest.mark.parametrize("controller", [[7150, 615, *_words(1.83, "high-first"), 0, 1200]],
                         indirect=True)
def test_hints_of_scale_and_of_the_neighbouring_address(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    status, out = check(controller, tmp_path, capsys)
    assert status == 1
    told = line(out, "tank_pressure")
    assert "bad: 715 is above the possible 200; with scale = 0.01 it would be 71.5 psi; " in told
    assert "the neighbouring address 1 would give 61.5 psi" in told


@pytest.mark.parametrize("controller", [[0x4E32, 0x2D47, 0x454E, 0x3120, 0x5245, 0x5634]],
                         indirect=True)
def test_text_is_recognised(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    status, out = check(controller, tmp_path, capsys)
    assert status == 1
    assert 'its registers hold the text "REV4"' in line(out, "running_hours")


@pytest.mark.parametrize("controller", [RIGHT], indirect=True)
def test_of_a_unit_that_does_not_answer_others_are_asked(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    status, out = check(controller, tmp_path, capsys, unit=1)
    assert status == 1
    assert "no answer from: controller, unit 1\n  but there answers unit 2\n" in out


@pytest.mark.parametrize("controller", [[715, 0, *_words(0.02, "high-first"), 0, 1200]],
                         indirect=True)
def test_what_is_trusted_is_good(
    controller: Controller, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    assert check(controller, tmp_path, capsys)[0] == 1
    assert check(controller, tmp_path, capsys, more="trusted = true")[0] == 0
    assert check(controller, tmp_path, capsys, more='trusted = ["product_oxygen"]')[0] == 0
    assert check(controller, tmp_path, capsys, more='trusted = ["mode"]')[0] == 1
    assert check(controller, tmp_path, capsys, more='trusted = ["pressure"]')[0] == 2
