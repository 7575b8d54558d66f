"""An independent Modbus peer: every byte by hand from the specification, no codec of any library.

It holds registers and bits by unit, answers function codes 1 to 4, and misbehaves on demand. The
one CRC here is the bitwise algorithm of Modbus over Serial Line V1.02, appendix B.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import struct
import tty
from collections import defaultdict, deque
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

from tests.wire import WIRE, WireRegistry


def crc(data: bytes) -> bytes:
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


@dataclass
class Unit:
    """What one unit holds; an address that is missing is refused with exception 2."""

    coils: dict[int, int] = field(default_factory=dict)
    inputs: dict[int, int] = field(default_factory=dict)
    holding: dict[int, int] = field(default_factory=dict)
    registers: dict[int, int] = field(default_factory=dict)
    most: int = 2000
    """Largest quantity granted; more is refused with exception 3."""

    def answer(self, pdu: bytes) -> bytes:
        code, address, count = struct.unpack(">BHH", pdu[:5])
        table = {1: self.coils, 2: self.inputs, 3: self.holding, 4: self.registers}.get(code)
        if table is None:
            return bytes([code | 0x80, 1])
        if count > self.most:
            return bytes([code | 0x80, 3])
        wanted = range(address, address + count)
        if any(a not in table for a in wanted):
            return bytes([code | 0x80, 2])
        values = [table[a] for a in wanted]
        if code in (3, 4):
            data = b"".join(struct.pack(">H", v) for v in values)
        else:
            packed = bytearray((count + 7) // 8)
            for i, value in enumerate(values):
                packed[i // 8] |= value << i % 8
            data = bytes(packed)
        return bytes([code, len(data)]) + data


Twist = Callable[["Peer", int, bytes, bytes], "list[tuple[float, int, bytes]]"]
"""(peer, unit, request pdu, right reply pdu) -> what to send: delay in s, unit, pdu."""


class Peer:
    """Units behind one address."""

    def __init__(self, registry: WireRegistry = WIRE) -> None:
        self.registry = registry
        self.units: dict[int, Unit] = defaultdict(Unit)
        self.asked: list[tuple[int, bytes]] = []
        self.twists: deque[Twist | None] = deque()
        """Used up one for each request; then ``always``."""
        self.always: Twist | None = None
        self.transaction_shift = 0
        self.raw: bytes | None = None
        """Sent instead of a frame, once."""
        self.drop = False
        """Close the connection at the next request, once."""
        self.connections = 0

    def replies(self, unit: int, pdu: bytes) -> list[tuple[float, int, bytes]]:
        self.asked.append((unit, pdu))
        self.registry.note("peer", pdu[0])  # at the far end of the wire: what comes, was sent
        if unit not in self.units:
            return []
        right = self.units[unit].answer(pdu)
        twist = self.twists.popleft() if self.twists else self.always
        return [(0.0, unit, right)] if twist is None else twist(self, unit, pdu, right)

    # -- servers ---------------------------------------------------------------------------------

    @contextlib.asynccontextmanager
    async def tcp(self, rtu: bool = False) -> AsyncIterator[int]:
        tasks: set[asyncio.Task[None]] = set()

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            self.connections += 1
            task = asyncio.current_task()
            assert task is not None
            tasks.add(task)
            with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError,
                                     asyncio.CancelledError):
                await (self._rtu(reader, writer.write) if rtu else self._mbap(reader, writer))
            writer.close()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        try:
            yield server.sockets[0].getsockname()[1]
        finally:
            server.close()
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    @contextlib.asynccontextmanager
    async def pty(self) -> AsyncIterator[str]:
        """Serve RTU on a pseudo-terminal; yields the path of the client's end."""
        here, there = pty.openpty()
        tty.setraw(here)
        tty.setraw(there)
        path = os.ttyname(there)
        loop = asyncio.get_running_loop()
        reader = asyncio.StreamReader()
        loop.add_reader(here, lambda: reader.feed_data(os.read(here, 4096)))
        task = asyncio.create_task(self._rtu(reader, lambda data: os.write(here, data)))
        try:
            yield path
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            loop.remove_reader(here)
            os.close(here)
            os.close(there)

    async def _mbap(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            head = await reader.readexactly(7)
            transaction, _, length, unit = struct.unpack(">HHHB", head)
            pdu = await reader.readexactly(length - 1)
            replies = self.replies(unit, pdu)
            if self._breaks(writer.write):
                if self.drop:
                    self.drop = False
                    return
                continue
            for delay, sender, reply in replies:
                frame = struct.pack(">HHHB", transaction + self.transaction_shift & 0xFFFF, 0,
                                    len(reply) + 1, sender) + reply
                self._later(delay, writer.write, frame)

    async def _rtu(self, reader: asyncio.StreamReader, write: Callable[[bytes], object]) -> None:
        while True:
            frame = await reader.readexactly(8)
            assert crc(frame[:6]) == frame[6:], frame.hex(" ")
            replies = self.replies(frame[0], frame[1:6])
            if self._breaks(write):
                if self.drop:
                    self.drop = False
                    return
                continue
            for delay, sender, reply in replies:
                body = bytes([sender]) + reply
                self._later(delay, write, body + crc(body))

    def _breaks(self, write: Callable[[bytes], object]) -> bool:
        if self.raw is not None:
            write(self.raw)
            self.raw = None
            return True
        return self.drop

    @staticmethod
    def _later(delay: float, write: Callable[[bytes], object], frame: bytes) -> None:
        def send() -> None:
            with contextlib.suppress(OSError):
                write(frame)
        if delay:
            asyncio.get_running_loop().call_later(delay, send)
        else:
            write(frame)


# -- ways to misbehave -----------------------------------------------------------------------------


def silent(*_: object) -> list[tuple[float, int, bytes]]:
    return []


def late(delay: float) -> Twist:
    return lambda _peer, unit, _pdu, right: [(delay, unit, right)]


def instead(make: Callable[[bytes, bytes], bytes]) -> Twist:
    """Send ``make(request pdu, right reply pdu)`` in place of the right reply."""
    return lambda _peer, unit, pdu, right: [(0.0, unit, make(pdu, right))]


def other_unit(_peer: Peer, unit: int, _pdu: bytes, right: bytes) -> list[tuple[float, int, bytes]]:
    return [(0.0, unit + 1, right)]


fewer_registers = instead(lambda _pdu, right: bytes([right[0], right[1] - 2]) + right[2:-2])
more_registers = instead(lambda _pdu, right: bytes([right[0], right[1] + 2]) + right[2:] + b"\0\7")
other_function = instead(lambda _pdu, right: bytes([right[0] ^ 7]) + right[1:])
wrong_byte_count = instead(lambda _pdu, right: bytes([right[0], right[1] + 2]) + right[2:])
busy = instead(lambda pdu, _right: bytes([pdu[0] | 0x80, 6]))
