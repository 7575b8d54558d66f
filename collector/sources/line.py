"""An open line to one address: receives frames, sends read requests and nothing else.

Wire time is the machine's own: silences and time-outs are timers of the event loop, so that no
clock is read here and a sped-up plant does not speed up the wire.
"""

from __future__ import annotations

import asyncio
import contextlib
import termios
from dataclasses import dataclass
from typing import Any, cast

import serial
from pymodbus.framer.rtu import FramerRTU
from pymodbus.transport.serialtransport import create_serial_connection

from collector.domain.errors import DeviceReplyInvalid, LinkDown
from collector.sources import Address
from collector.sources.pdu import Framing, GuardedSender, ReadRequest, build_frame

_MAX_MBAP_LENGTH = 254
"""Unit and PDU; Modbus Messaging on TCP/IP Implementation Guide V1.0b, 260 bytes in all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One frame as it arrived; ``transaction`` is 0 on serial lines."""

    unit: int
    pdu: bytes
    transaction: int = 0


class OutOfStep(DeviceReplyInvalid):
    """The boundary between two frames is lost."""


def take_frame(buffer: bytearray, framing: Framing) -> Frame | None:
    """Remove the first frame from ``buffer`` and return it, or ``None`` while it is incomplete.

    Raises ``OutOfStep`` when the bytes cannot be the beginning of a reply to a read request.
    """
    return _take_tcp(buffer) if framing is Framing.TCP else _take_rtu(buffer)


def _take_tcp(buffer: bytearray) -> Frame | None:
    if len(buffer) < 7:
        return None
    protocol, length = int.from_bytes(buffer[2:4], "big"), int.from_bytes(buffer[4:6], "big")
    if protocol != 0:
        raise OutOfStep(f"not Modbus: protocol identifier {protocol}, should be 0")
    if not 2 <= length <= _MAX_MBAP_LENGTH:
        raise OutOfStep(f"not Modbus: a frame of {length} bytes after the length field")
    if len(buffer) < 6 + length:
        return None
    frame = Frame(
        unit=buffer[6], pdu=bytes(buffer[7 : 6 + length]),
        transaction=int.from_bytes(buffer[0:2], "big"),
    )
    del buffer[: 6 + length]
    return frame


def _take_rtu(buffer: bytearray) -> Frame | None:
    if len(buffer) < 5:
        return None
    if buffer[1] & 0x80:
        size = 5
    elif 1 <= buffer[1] <= 4:
        size = 5 + buffer[2]
    else:
        raise OutOfStep(f"reply has function code {buffer[1]}, only 1 to 4 are ever asked")
    if len(buffer) < size:
        return None
    body, check = bytes(buffer[: size - 2]), int.from_bytes(buffer[size - 2 : size], "big")
    if FramerRTU.compute_CRC(body) != check:
        raise OutOfStep(f"checksum wrong: {bytes(buffer[:size]).hex(' ')}")
    del buffer[:size]
    return Frame(unit=body[0], pdu=body[1:])


def character_time(baud: int) -> float:
    """Return the seconds that one character of 11 bits takes.

    Modbus over Serial Line V1.02, section 2.5.1: start, 8 data, parity (or a second stop), stop.

    >>> round(character_time(19200) * 1e6, 1)
    572.9
    """
    return 11 / baud


def frame_silence(baud: int) -> float:
    """Return t3.5, the seconds of silence that must lie between frames.

    Modbus over Serial Line V1.02, section 2.5.1.1: 3.5 characters, and 1.750 ms above 19200 baud.

    >>> round(frame_silence(9600) * 1e6, 1), round(frame_silence(115200) * 1e6, 1)
    (4010.4, 1750.0)
    """
    return 0.00175 if baud > 19200 else 3.5 * character_time(baud)


_PARITIES = {"none": "N", "even": "E", "odd": "O"}
_TOO_MUCH = 4096
"""Bytes kept without a request under way: a device may never stop sending."""


class Line(asyncio.Protocol):
    """A connection with its receive buffer and the timer of its silence."""

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
        """Keep the transport, its writing end behind a :class:`GuardedSender`."""
        self._transport = transport
        self._sender = GuardedSender(cast(asyncio.WriteTransport, transport), self.framing)

    def data_received(self, data: bytes) -> None:
        """Append received bytes to the buffer."""
        self._buffer += data
        if len(self._buffer) > _TOO_MUCH:
            del self._buffer[:-_TOO_MUCH]
        self._stay_quiet_for(self.silence)
        self._arrived.set()

    def connection_lost(self, exc: Exception | None) -> None:
        """Keep the reason, and wake a request under way."""
        self._lost = self._lost or (str(exc) if exc else "closed by the device")
        self._arrived.set()

    # -- what the bus calls ----------------------------------------------------------------------

    @property
    def up(self) -> bool:
        """Whether the connection is open and not known to be lost."""
        return not self._lost and self._sender is not None

    @property
    def waiting(self) -> int:
        """Number of received bytes that belong to no frame yet."""
        return len(self._buffer)

    def wire_time(self, request: ReadRequest) -> float:
        """Return the seconds that request and reply take on a serial line."""
        return (8 + 5 + request.reply_bytes) * self._character + 2 * self.silence

    async def until_quiet(self) -> None:
        """Return once the line has been silent for t3.5; at once on TCP."""
        await self._quiet.wait()

    def clear(self) -> bytes:
        """Drop the bytes that arrived without a request, and return them."""
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
        """Discard what arrives until the line is silent for ``pause`` s, for ``most`` s at most."""
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
