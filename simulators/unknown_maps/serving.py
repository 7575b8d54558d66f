"""Serves drawn controllers on Modbus TCP, RTU over TCP, and RTU on a pty, by pymodbus' servers."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import termios
import tty
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.exceptions import NoSuchIdException
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import SimData, SimDevice

from simulators.unknown_maps.drawing import Controller

__all__ = ["Answering", "serve_rtu", "serve_tcp"]

_TABLES = {1: "coils", 2: "discrete-inputs", 3: "holding-registers", 4: "input-registers"}


@dataclass(slots=True)
class _Memory:
    """The requests that a controller remembers."""

    last: float = -1e9
    hung_until: float = -1e9
    count: int = 0


@dataclass
class Answering:
    """The register store that pymodbus' server asks: drawn controllers under a clock.

    ``seconds`` gives the time since the controllers started. ``asked`` keeps every request.
    """

    controllers: Sequence[Controller]
    seconds: Callable[[], float]
    asked: list[tuple[float, int, int, int, int]] = field(default_factory=list)
    """Time, unit, function code, address and count."""
    gone: bool = False
    """Whether the controllers are switched off."""
    hangs: int = 0
    _memory: dict[int, _Memory] = field(default_factory=dict)

    def device_ids(self) -> list[int]:
        """Return the units on the line."""
        return [c.unit for c in self.controllers]

    async def async_getValues(  # noqa: N802 - the server's own name for it
        self, device_id: int, func_code: int, address: int, count: int = 1,
    ) -> list[int] | list[bool] | ExcCodes:
        """Return registers or bits, or an exception code; raise where a real one is silent."""
        now = self.seconds()
        self.asked.append((now, device_id, func_code, address, count))
        controller = next((c for c in self.controllers if c.unit == device_id), None)
        if controller is None or self.gone or self._silent(controller, now):
            raise NoSuchIdException
        table = _TABLES.get(func_code)
        cells = controller.image(now).get(table, {}) if table else {}
        if not cells:
            return ExcCodes.ILLEGAL_FUNCTION
        if count > controller.manners.largest_block:
            return ExcCodes.ILLEGAL_VALUE
        wanted = range(address, address + count)
        if any(a not in cells for a in wanted):
            return ExcCodes.ILLEGAL_ADDRESS
        found = [cells[a] for a in wanted]
        return [bool(v) for v in found] if func_code <= 2 else found

    async def async_setValues(  # noqa: N802 - the server's own name for it
        self, device_id: int, func_code: int, address: int, values: list[int] | list[bool],
    ) -> ExcCodes:
        """Refuse to write, and record the attempt."""
        self.asked.append((self.seconds(), device_id, func_code, address, len(values)))
        return ExcCodes.ILLEGAL_FUNCTION

    def _silent(self, controller: Controller, now: float) -> bool:
        memory = self._memory.setdefault(controller.unit, _Memory())
        pause, memory.last = now - memory.last, now
        memory.count += 1
        if pause < controller.manners.shortest_pause:
            memory.hung_until = now + controller.manners.hangs_for
            self.hangs += 1
        return now < memory.hung_until or (
            controller.manners.every_second and memory.count % 2 == 1)


@contextlib.asynccontextmanager
async def serve_tcp(answering: Answering, *, rtu: bool = False, port: int = 0,
                    ) -> AsyncIterator[str]:
    """Serve on loopback; yields the address as a site file writes it."""
    server: Any = ModbusTcpServer(
        _placeholder(), framer=FramerType.RTU if rtu else FramerType.SOCKET,
        address=("127.0.0.1", port), ignore_missing_devices=True)
    server.context = answering
    await server.serve_forever(background=True)
    bound = server.transport.sockets[0].getsockname()[1]
    try:
        yield f"{'rtu+tcp' if rtu else 'tcp'}://127.0.0.1:{bound}"
    finally:
        await server.shutdown()


@contextlib.asynccontextmanager
async def serve_rtu(answering: Answering, *, baud: int = 19200) -> AsyncIterator[str]:
    """Serve RTU on a pty; yields the path of the client's end.

    A pty carries bytes at any speed. Here they arrive only while the client's end is set to
    ``baud``, as on a real line. A pty has no parity.
    """
    loop = asyncio.get_running_loop()
    near, client = pty.openpty()
    far, served = pty.openpty()
    for fd in (near, client, far, served):
        tty.setraw(fd)
    for fd in (near, far):
        os.set_blocking(fd, False)
    speed = getattr(termios, f"B{baud}")

    def to_served() -> None:
        data = _read(near)
        if data and termios.tcgetattr(client)[4] == speed:
            os.write(far, data)

    def to_client() -> None:
        data = _read(far)
        if data:
            os.write(near, data)

    server: Any = ModbusSerialServer(_placeholder(), framer=FramerType.RTU, port=os.ttyname(served),
                                baudrate=baud, ignore_missing_devices=True)
    server.context = answering
    await server.serve_forever(background=True)
    loop.add_reader(near, to_served)
    loop.add_reader(far, to_client)
    try:
        yield os.ttyname(client)
    finally:
        loop.remove_reader(near)
        loop.remove_reader(far)
        await server.shutdown()
        for fd in (near, client, far, served):
            os.close(fd)


def _read(fd: int) -> bytes:
    try:
        return os.read(fd, 4096)
    except BlockingIOError:
        return b""


def _placeholder() -> SimDevice:
    """Return a device for the server's constructor, which insists on one of its own."""
    return SimDevice(1, [SimData(0, values=0)])
