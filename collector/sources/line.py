"""One open line to one address: bytes in, frames out, and nothing out but read requests.

Wire time is the machine's own: silences and time-outs are timers of the event loop, so that no
clock is read here and a sped-up plant does not speed up the wire.
"""

from __future__ import annotations

import asyncio
import contextlib
import termios
from typing import Any, cast

import serial
from pymodbus.transport.serialtransport import create_serial_connection

from collector.domain.errors import LinkDown
from collector.sources.framing import (
    Frame,
    character_time,
    frame_silence,
    take_frame,
)
from collector.sources.requests import ReadRequest
from collector.sources.settings import Address
from collector.sources.wire_guard import Framing, GuardedSender, build_frame

__all__ = ["Line", "open_line"]

_PARITIES = {"none": "N", "even": "E", "odd": "O"}
_TOO_MUCH = 4096
"""Bytes waiting for nobody: a device that never stops talking."""


class Line(asyncio.Protocol):
    """A connection, its buffer, and how long it has been quiet."""

    def __init__(self, address: Address) -> None:
        self.framing = Framing.TCP if address.kind == "tcp" else Framing.RTU
        self._address = address
        # On a serial line the silence between frames is the frame boundary. Through a converter it
        # is the converter's duty too, but not every one knows whose frame is whose.
        serial_line = self.framing is Framing.RTU
        self.silence = frame_silence(address.baud) if serial_line else 0.0
        self._character = character_time(address.baud) if serial_line else 0.0
        self._buffer = bytearray()
        self._arrived = asyncio.Event()
        self._quiet = asyncio.Event()
        self._quiet.set()
        self._timer: asyncio.TimerHandle | None = None
        self._sender: GuardedSender | None = None
        self._transport: asyncio.BaseTransport | None = None
        self._lost = ""

    def __repr__(self) -> str:
        state = f"down: {self._lost}" if self._lost else "up"
        return f"Line({self._address}, {state}, {len(self._buffer)} bytes waiting)"

    # -- what asyncio calls ----------------------------------------------------------------------

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Take the transport; its writing end goes behind the guard."""
        self._transport = transport
        self._sender = GuardedSender(cast(asyncio.WriteTransport, transport), self.framing)

    def data_received(self, data: bytes) -> None:
        """Keep what came."""
        self._buffer += data
        if len(self._buffer) > _TOO_MUCH:
            del self._buffer[:-_TOO_MUCH]
        self._stay_quiet_for(self.silence)
        self._arrived.set()

    def connection_lost(self, exc: Exception | None) -> None:
        """Remember why; whoever waits is told."""
        self._lost = self._lost or (str(exc) if exc else "closed by the far end")
        self._arrived.set()

    # -- what the bus calls ----------------------------------------------------------------------

    @property
    def up(self) -> bool:
        """Whether the connection stands, as far as anyone knows."""
        return not self._lost and self._sender is not None

    @property
    def waiting(self) -> int:
        """Bytes that no frame has taken."""
        return len(self._buffer)

    def wire_time(self, request: ReadRequest) -> float:
        """Return the seconds that question and answer spend on a serial line."""
        return (8 + 5 + request.reply_bytes) * self._character + 2 * self.silence

    async def until_quiet(self) -> None:
        """Return once the line has been silent for t3.5; at once on TCP."""
        await self._quiet.wait()

    def clear(self) -> bytes:
        """Drop what arrived uncalled for and return it."""
        stray = bytes(self._buffer)
        self._buffer.clear()
        self._arrived.clear()
        return stray

    def send(self, request: ReadRequest, transaction: int) -> None:
        """Send one read request. Raises ``LinkDown``."""
        if self._sender is None or self._lost:
            raise LinkDown(f"{self._address} is down: {self._lost or 'not open'}")
        frame = build_frame(request, self.framing, transaction)
        try:
            self._sender.send(frame)
        except (OSError, serial.SerialException) as error:
            self.close(str(error))
            raise LinkDown(f"{self._address} broke: {error}") from error
        self._stay_quiet_for(len(frame) * self._character + self.silence)

    async def frame(self) -> Frame:
        """Return the next frame. Raises ``LinkDown`` or ``OutOfStep``."""
        while True:
            found = take_frame(self._buffer, self.framing)
            if found is not None:
                return found
            if self._lost:
                raise LinkDown(f"{self._address} broke: {self._lost}")
            self._arrived.clear()
            await self._arrived.wait()

    async def drain(self, pause: float, most: float) -> None:
        """Throw away what comes until nothing came for ``pause`` s, or for ``most`` s in all."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(most):
                while self.up:
                    self.clear()
                    try:
                        async with asyncio.timeout(pause):
                            await self._arrived.wait()
                    except TimeoutError:
                        return
        self.clear()

    def close(self, why: str = "closed here") -> None:
        """Close; harmless when closed already."""
        self._lost = self._lost or why
        self._arrived.set()
        if self._timer is not None:
            self._timer.cancel()
        self._quiet.set()
        if self._transport is not None:
            self._transport.close()

    def _stay_quiet_for(self, seconds: float) -> None:
        if seconds <= 0 or self._lost:
            return
        if self._timer is not None:
            self._timer.cancel()
        self._quiet.clear()
        self._timer = asyncio.get_running_loop().call_later(seconds, self._quiet.set)


async def open_line(address: Address, timeout: float) -> Line:
    """Open the line to ``address`` within ``timeout`` s. Raises ``LinkDown``."""
    loop = asyncio.get_running_loop()
    try:
        async with asyncio.timeout(timeout):
            if address.kind == "rtu":
                return await _open_serial(loop, address)
            _, line = await loop.create_connection(
                lambda: Line(address), address.host, address.port
            )
            return line
    except TimeoutError as error:
        raise LinkDown(f"{address} does not accept a connection within {timeout:.1f} s") from error
    except (OSError, serial.SerialException, termios.error, ValueError) as error:
        raise LinkDown(f"{address} cannot be opened: {error}") from error


async def _open_serial(loop: asyncio.AbstractEventLoop, address: Address) -> Line:
    make: Any = create_serial_connection
    _, line = await make(
        loop, lambda: Line(address), address.path, baudrate=address.baud, bytesize=8,
        parity=_PARITIES[address.parity], stopbits=address.stop_bits, timeout=0,
    )
    found = cast(Line, line)
    while found._transport is None and not found._lost:  # noqa: ASYNC110 -- two turns of the loop
        await asyncio.sleep(0)
    return found
