"""Modbus servers of the plant: TCP, RTU on a serial device or pty, RTU over TCP."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import serial

from simulators.faults import Bench
from simulators.registers import Image, RegisterPoint, RegisterSet, lay_out
from simulators.wire import Ask, UnitFaults, answer, rtu_frame, split_rtu, split_tcp, tcp_frame

__all__ = ["Line", "SerialLine", "TcpLine", "Unit"]

Split = Callable[[bytearray], list[Ask]]
Frame = Callable[[Ask, bytes], bytes]


@dataclass(slots=True, kw_only=True)
class Unit:
    """One controller on a line: its number, its registers, and what it is connected to."""

    device: str
    number: int
    registers: RegisterSet
    pairs: Sequence[tuple[RegisterPoint, str]]
    bench: Bench
    powered_by: str = ""
    """The generator whose power it needs; empty for one with a supply of its own."""
    faults: UnitFaults
    _image: Image | None = None
    _at: tuple[int, int] = (-1, -1)

    @property
    def silent(self) -> bool:
        """Whether it gives no answer: unplugged, or without power."""
        if self.faults.silent:
            return True
        plant = self.bench.plant
        return bool(self.powered_by) and plant.generators[self.powered_by].faults.power_off

    def image(self) -> Image:
        """Return the contents of its registers now, or at the instant at which they froze."""
        now = (self.bench.plant.time, self.bench.orders)
        if self._image is None or (self._at != now and not self.faults.frozen):
            self._image = lay_out(self.registers, self.pairs, self.bench.gauges.read)
            self._at = now
        return self._image


class Line(Protocol):
    """A line that carries requests to units."""

    address: str

    async def open(self) -> None:
        """Open the line; ``address`` is then that of the open line."""

    async def close(self) -> None:
        """Stop, and close every connection."""


class _Answering:
    """Base of the lines: find the unit, apply its faults, reply."""

    def __init__(self, units: Sequence[Unit], catch_up: Callable[[], None], split: Split,
                 frame: Frame) -> None:
        self.units = {u.number: u for u in units}
        self._catch_up = catch_up
        self._split = split
        self._frame = frame

    async def answer_all(self, buffer: bytearray, send: Callable[[bytes], None],
                   wait: Callable[[float], Awaitable[Any]]) -> None:
        """Answer every complete request in ``buffer``."""
        for ask in self._split(buffer):
            unit = self.units.get(ask.unit)
            if unit is None or not ask.pdu:
                continue
            unit.faults.asked[ask.pdu[0]] += 1
            self._catch_up()
            if unit.silent:
                continue
            reply = self._reply(unit, ask)
            if unit.faults.delay:
                await wait(unit.faults.delay)
            send(reply)

    def _reply(self, unit: Unit, ask: Ask) -> bytes:
        if unit.faults.exception:
            return self._frame(ask, bytes([ask.pdu[0] | 0x80, unit.faults.exception]))
        replier = unit
        if unit.faults.other_unit:
            others = [u for u in self.units.values() if u is not unit]
            replier = others[0] if others else unit
            number = replier.number if others else unit.number % 247 + 1
            ask = Ask(unit=number, transaction=ask.transaction, pdu=ask.pdu)
        pdu = answer(ask.pdu, replier.image(), refuses_gaps=replier.registers.refuses_gaps,
                     short=unit.faults.short)
        return self._frame(ask, pdu)


class TcpLine:
    """Modbus TCP, or RTU frames through a converter, on one port."""

    def __init__(self, units: Sequence[Unit], catch_up: Callable[[], None], *, rtu: bool,
                 host: str = "127.0.0.1", port: int = 0) -> None:
        self._scheme = "rtu+tcp" if rtu else "tcp"
        self._answering = _Answering(units, catch_up, split_rtu if rtu else split_tcp,
                                     rtu_frame if rtu else tcp_frame)
        self._host, self._port = host, port
        self.address = f"{self._scheme}://{host}:{port}"
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    async def open(self) -> None:
        self._server = await asyncio.start_server(self._serve, self._host, self._port)
        port = self._server.sockets[0].getsockname()[1]
        self.address = f"{self._scheme}://{self._host}:{port}"

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._server is not None:
            await self._server.wait_closed()
            self._server = None

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        buffer = bytearray()
        try:
            while data := await reader.read(4096):
                buffer += data
                await self._answering.answer_all(buffer, writer.write, asyncio.sleep)
                await writer.drain()
        except (ConnectionError, ValueError, asyncio.CancelledError):
            pass  # the client hung up, spoke no Modbus, or the plant is being closed
        finally:
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()


class SerialLine:
    """RTU on a serial device, or on a pty that stands in for one (``path="pty"``)."""

    def __init__(self, units: Sequence[Unit], catch_up: Callable[[], None], *, path: str = "pty",
                 baud: int = 19200, parity: str = "even") -> None:
        self._answering = _Answering(units, catch_up, split_rtu, rtu_frame)
        self._path, self._baud = path, baud
        # A pty has no parity: a client that asks for one is refused by the kernel.
        self._parity = "none" if path == "pty" else parity
        self.address = f"rtu:{path}?baud={baud}&parity={self._parity}"
        self._fd = -1
        self._far_end = -1
        self._port: Any = None
        self._buffer = bytearray()
        self._arrived = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Open the device, or create the pty, whose path is then in ``address``."""
        path = self._path
        if path == "pty":
            self._fd, self._far_end = pty.openpty()
            tty.setraw(self._far_end)
            path = os.ttyname(self._far_end)
        else:
            self._port = serial.Serial(path, self._baud, parity=self._parity[0].upper(), timeout=0)
            self._fd = self._port.fileno()
        os.set_blocking(self._fd, False)
        self.address = f"rtu:{path}?baud={self._baud}&parity={self._parity}"
        asyncio.get_running_loop().add_reader(self._fd, self._readable)
        self._task = asyncio.create_task(self._serve())

    async def close(self) -> None:
        if self._fd < 0:
            return
        asyncio.get_running_loop().remove_reader(self._fd)
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
        if self._port is not None:
            self._port.close()
        else:
            os.close(self._fd)
            os.close(self._far_end)
        self._fd = -1

    def _readable(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._buffer += os.read(self._fd, 4096)
            self._arrived.set()

    async def _serve(self) -> None:
        while True:
            await self._arrived.wait()
            self._arrived.clear()
            await self._answering.answer_all(self._buffer, self._send, asyncio.sleep)

    def _send(self, data: bytes) -> None:
        os.write(self._fd, data)
