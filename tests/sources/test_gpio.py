"""Local contacts through the library ``gpiod``.

No machine that runs these tests has lines to read: a stand-in takes the library's place, with the
same names and arguments of its request API (checked against the installed library where there is
one). What a kernel does with debounce is not tested here.
"""

from __future__ import annotations

import enum
import importlib.util
import inspect
import sys
import types
from datetime import timedelta
from typing import Any

import pytest

from collector.clock import ManualClock
from collector.domain.readings import Quality, Reading
from collector.sources import Address, ContactLeg, DeviceSettings, PointSettings
from collector.sources.device import GpioDevice


class Value(enum.Enum):
    INACTIVE = 0
    ACTIVE = 1


class Direction(enum.Enum):
    INPUT = 1
    OUTPUT = 2


class LineSettings:
    def __init__(self, direction: Direction = Direction.OUTPUT,
                 debounce_period: timedelta = timedelta(0)) -> None:
        self.direction, self.debounce_period = direction, debounce_period


class ChipClosedError(Exception):
    pass


class RequestReleasedError(Exception):
    pass


class Request:
    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.released = False

    def get_values(self, lines: list[int] | None = None) -> list[Value]:
        if self.chip.gone:
            raise OSError(19, "No such device")
        return [Value(self.chip.levels[n]) for n in lines or []]

    def release(self) -> None:
        self.released = True


class Chip(types.ModuleType):
    """The module ``gpiod`` and the one chip it knows."""

    def __init__(self, path: str, levels: dict[int, int]) -> None:
        super().__init__("gpiod")
        self.path, self.levels, self.gone = path, levels, False
        self.requests: list[tuple[str | None, dict[Any, LineSettings]]] = []
        self.handed_out: list[Request] = []
        self.line = types.SimpleNamespace(Value=Value, Direction=Direction)
        self.LineSettings = LineSettings
        self.ChipClosedError, self.RequestReleasedError = ChipClosedError, RequestReleasedError

    def request_lines(self, path: str, config: dict[Any, LineSettings],
                      consumer: str | None = None) -> Request:
        if path != self.path:
            raise FileNotFoundError(2, "No such file or directory", path)
        self.requests.append((consumer, config))
        self.handed_out.append(Request(self))
        return self.handed_out[-1]


POINTS = (
    PointSettings(point="gen1.trouble", debounce=50,
                  normally_open=ContactLeg(table="", address=5),
                  normally_closed=ContactLeg(table="", address=6)),
    PointSettings(point="gen1.power", normally_open=ContactLeg(table="", address=9)),
)


def device(path: str = "/dev/gpiochip0") -> GpioDevice:
    settings = DeviceSettings(id="contacts", name="contacts", unit=0, every=1000, points=POINTS,
                              address=Address(kind="gpio", path=path))
    return GpioDevice(settings, ManualClock(10_000))


async def ask(d: GpioDevice) -> tuple[bool, dict[str, Reading]]:
    got: list[Reading] = []
    answered = await d.poll(got.extend)
    return answered, {r.point: r for r in got}


@pytest.fixture
def chip(monkeypatch: pytest.MonkeyPatch) -> Chip:
    chip = Chip("/dev/gpiochip0", {5: 1, 6: 0, 9: 1})
    monkeypatch.setitem(sys.modules, "gpiod", chip)
    return chip


async def test_lines_become_readings(chip: Chip) -> None:
    d = device()
    answered, got = await ask(d)
    assert answered
    assert {p: r.value for p, r in got.items()} == {
        "gen1.trouble": 1.0, "gen1.trouble_no": 1.0, "gen1.trouble_nc": 0.0, "gen1.power": 1.0,
    }
    chip.levels[9] = 0
    assert (await ask(d))[1]["gen1.power"].value == 0.0
    assert len(chip.requests) == 1, "the lines are kept"
    d.close()
    assert chip.handed_out[0].released


async def test_lines_are_inputs_and_the_kernel_debounces(chip: Chip) -> None:
    await ask(device())
    consumer, config = chip.requests[0]
    assert consumer == "quietpipe"
    assert {k: (v.direction, v.debounce_period) for k, v in config.items()} == {
        (5, 6): (Direction.INPUT, timedelta(milliseconds=50)),
        (9,): (Direction.INPUT, timedelta(0)),
    }


async def test_a_chip_that_goes_away_is_stale_and_taken_up_again(chip: Chip) -> None:
    d = device()
    await ask(d)
    chip.gone = True
    answered, got = await ask(d)
    assert not answered
    assert {r.quality for r in got.values()} == {Quality.STALE}
    assert "No such device" in got["gen1.power"].why
    chip.gone = False
    assert (await ask(d))[1]["gen1.power"].value == 1.0


async def test_no_such_chip(chip: Chip) -> None:
    answered, got = await ask(device("/dev/gpiochip7"))
    assert not answered
    assert "gpiochip7" in got["gen1.power"].why


async def test_the_library_is_not_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "gpiod", None)
    answered, got = await ask(device())
    assert not answered
    assert 'extra "gpio"' in got["gen1.power"].why


@pytest.mark.skipif(importlib.util.find_spec("gpiod") is None, reason="gpiod is not installed")
def test_the_stand_in_has_the_library_s_names() -> None:
    import gpiod

    for real, ours in ((gpiod.request_lines, Chip.request_lines),
                       (gpiod.LineSettings.__init__, LineSettings.__init__),
                       (gpiod.LineRequest.get_values, Request.get_values)):
        names = set(inspect.signature(ours).parameters) - {"self"}
        assert names <= set(inspect.signature(real).parameters)
    assert {v.name for v in gpiod.line.Value} == {v.name for v in Value}
    assert {v.name for v in Direction} <= {v.name for v in gpiod.line.Direction}
    assert issubclass(gpiod.ChipClosedError, Exception)
    assert issubclass(gpiod.RequestReleasedError, Exception)
    assert hasattr(gpiod.LineRequest, "release")


async def test_the_real_library_says_that_there_is_no_chip() -> None:
    pytest.importorskip("gpiod")
    answered, got = await ask(device("/dev/no-such-gpiochip"))
    assert not answered
    assert "cannot be read" in got["gen1.power"].why
