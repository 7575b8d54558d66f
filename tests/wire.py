"""The watch on the wire: taps between client and device that keep every function code they see.

A tap stands between the program under test and a device (simulator or peer) and passes every byte
on unchanged, both ways. What the client sends is cut into frames here by hand, from the
specifications, with no code of the program under test; each function code is kept in one registry
for the whole run. At the end of the run :meth:`WireRegistry.check` says whether anything but
reading (function codes 1 to 4) was seen, or bytes that are no request at all.

- :func:`tcp_tap` for Modbus TCP and for RTU through a socket (``rtu=True``);
- :func:`pty_tap` for RTU on a serial device or pseudo-terminal;
- both within a running event loop, or in a thread of their own (:func:`in_thread`) for a program
  under test that runs in another process.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import struct
import threading
import tty
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager
from typing import TypeVar

__all__ = ["WIRE", "RequestWatch", "WireRegistry", "in_thread", "pty_tap", "tcp_tap"]

READING = frozenset({1, 2, 3, 4})
T = TypeVar("T")


class WireRegistry:
    """What was seen from client to server, by wire and function code."""

    def __init__(self) -> None:
        self.seen: Counter[tuple[str, int]] = Counter()
        self.malformed: list[tuple[str, str]] = []
        self._lock = threading.Lock()

    def note(self, wire: str, function_code: int) -> None:
        with self._lock:
            self.seen[wire, function_code] += 1

    def note_malformed(self, wire: str, data: bytes) -> None:
        with self._lock:
            self.malformed.append((wire, data.hex(" ")))

    @property
    def total(self) -> int:
        """Requests seen."""
        return sum(self.seen.values())

    def function_codes(self) -> set[int]:
        return {code for _, code in self.seen}

    def check(self) -> None:
        """Raise ``AssertionError`` if anything but a read request was seen."""
        foreign = {key: n for key, n in self.seen.items() if key[1] not in READING}
        assert not foreign, f"function codes other than 1 to 4 on the wire: {foreign}"
        assert not self.malformed, f"bytes on the wire that are no request: {self.malformed[:5]}"


WIRE = WireRegistry()
"""The registry of the whole run."""


class RequestWatch:
    """Cuts one direction of a conversation into requests and notes their function codes."""

    def __init__(self, wire: str, *, rtu: bool, registry: WireRegistry = WIRE) -> None:
        self._wire, self._rtu, self._registry = wire, rtu, registry
        self._buffer = bytearray()

    def feed(self, data: bytes) -> None:
        self._buffer += data
        while self._buffer:
            taken = self._take_rtu() if self._rtu else self._take_tcp()
            if not taken:
                return

    def end(self) -> None:
        """The conversation ended; a rest is a frame that was cut off, or no frame."""
        if self._buffer:
            self._registry.note_malformed(self._wire, bytes(self._buffer))
            self._buffer.clear()

    def _take_tcp(self) -> bool:
        if len(self._buffer) < 8:
            return False
        _, protocol, length = struct.unpack(">HHH", self._buffer[:6])
        if protocol != 0 or not 2 <= length <= 254:
            return self._give_up()
        if len(self._buffer) < 6 + length:
            return False
        code = self._buffer[7]
        if code in READING and length != 6:
            return self._give_up()
        self._registry.note(self._wire, code)
        del self._buffer[: 6 + length]
        return True

    def _take_rtu(self) -> bool:
        if len(self._buffer) < 2:
            return False
        code = self._buffer[1]
        size = 8
        if code in (15, 16):
            if len(self._buffer) < 7:
                return False
            size = 9 + self._buffer[6]
        elif not 1 <= code <= 6:
            # Its length is unknown; that it was sent at all is what matters.
            self._registry.note(self._wire, code)
            self._buffer.clear()
            return True
        if len(self._buffer) < size:
            return False
        frame = bytes(self._buffer[:size])
        if _crc(frame[:-2]) != frame[-2:]:
            return self._give_up()
        self._registry.note(self._wire, code)
        del self._buffer[:size]
        return True

    def _give_up(self) -> bool:
        self._registry.note_malformed(self._wire, bytes(self._buffer))
        self._buffer.clear()
        return True


def _crc(data: bytes) -> bytes:
    """Modbus over Serial Line V1.02, appendix B."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


@contextlib.asynccontextmanager
async def tcp_tap(
    host: str, port: int, *, rtu: bool = False, registry: WireRegistry = WIRE,
) -> AsyncIterator[int]:
    """Stand before ``host:port``; yield the loopback port that the client is to use instead."""
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        try:
            await _join(reader, writer, host, port, rtu, registry)
        except asyncio.CancelledError:
            pass  # the tap ends while its client still talks
        finally:
            tasks.discard(task)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in list(tasks):
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _join(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, host: str, port: int,
    rtu: bool, registry: WireRegistry,
) -> None:
    watch = RequestWatch(f"{'rtu+tcp' if rtu else 'tcp'} {host}:{port}", rtu=rtu,
                         registry=registry)
    try:
        far_reader, far_writer = await asyncio.open_connection(host, port)
    except OSError:
        writer.close()  # nobody behind the tap: to the client it looks as it would without one
        return
    ways = [
        asyncio.ensure_future(_pass(reader, far_writer, watch.feed)),
        asyncio.ensure_future(_pass(far_reader, writer, lambda _data: None)),
    ]
    try:
        await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for way in ways:
            way.cancel()
        await asyncio.gather(*ways, return_exceptions=True)
        watch.end()
        writer.close()
        far_writer.close()


async def _pass(
    reader: asyncio.StreamReader, writer: asyncio.StreamWriter, look: Callable[[bytes], None],
) -> None:
    with contextlib.suppress(ConnectionError):
        while data := await reader.read(4096):
            look(data)
            writer.write(data)
            await writer.drain()


@contextlib.asynccontextmanager
async def pty_tap(path: str, *, registry: WireRegistry = WIRE) -> AsyncIterator[str]:
    """Stand before the serial device at ``path``; yield the path the client is to open instead."""
    far = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    near, client = pty.openpty()
    for fd in (far, near, client):
        tty.setraw(fd)
    os.set_blocking(near, False)
    watch = RequestWatch(f"rtu {path}", rtu=True, registry=registry)
    loop = asyncio.get_running_loop()

    def outward() -> None:
        with contextlib.suppress(BlockingIOError):
            data = os.read(near, 4096)
            watch.feed(data)
            os.write(far, data)

    def homeward() -> None:
        try:
            os.write(near, os.read(far, 4096))
        except BlockingIOError:
            pass
        except OSError:
            loop.remove_reader(far)  # the device went away; the client sees silence

    loop.add_reader(near, outward)
    loop.add_reader(far, homeward)
    try:
        yield os.ttyname(client)
    finally:
        loop.remove_reader(near)
        loop.remove_reader(far)
        watch.end()
        for fd in (far, near, client):
            os.close(fd)


@contextlib.contextmanager
def in_thread(tap: Callable[[], AbstractAsyncContextManager[T]]) -> Iterator[T]:
    """Run a tap in a thread of its own: ``with in_thread(lambda: tcp_tap(host, port)) as p:``."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, name="wire tap", daemon=True)
    thread.start()
    manager: list[AbstractAsyncContextManager[T]] = []

    async def enter() -> T:
        manager.append(tap())
        return await manager[0].__aenter__()

    async def leave() -> None:
        await manager[0].__aexit__(None, None, None)

    try:
        yield asyncio.run_coroutine_threadsafe(enter(), loop).result(10)
    finally:
        try:
            asyncio.run_coroutine_threadsafe(leave(), loop).result(10)
        finally:
            loop.call_soon_threadsafe(loop.stop)
            thread.join(10)
            loop.close()
