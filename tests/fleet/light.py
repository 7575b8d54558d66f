"""A very small MQTT 3.1.1 client, so that one process can be thousands of sites, each with a
connection, a client id and a will of its own. Written from the packet formats of the standard
(OASIS MQTT 3.1.1, chapters 2 and 3); only what a site sends.
"""

from __future__ import annotations

import asyncio
import struct

from collector.forward.mqtt import Message


def _text(text: str) -> bytes:
    data = text.encode()
    return struct.pack(">H", len(data)) + data


def _packet(first: int, body: bytes) -> bytes:
    length, size = len(body), b""
    while True:
        length, digit = divmod(length, 128)
        size += bytes([digit | (0x80 if length else 0)])
        if not length:
            return bytes([first]) + size + body


class LightClient(asyncio.Protocol):
    """One connection. ``unacknowledged`` holds what the broker has not taken yet (QoS 1)."""

    def __init__(self, client_id: str, will: Message, keepalive: int = 20) -> None:
        flags = 0x02 | 0x04 | will.qos << 3
        self._hello = _packet(0x10, _text("MQTT") + bytes([4, flags]) + struct.pack(
            ">H", keepalive) + _text(client_id) + _text(will.topic)
            + struct.pack(">H", len(will.payload)) + will.payload)
        self._keepalive = keepalive
        self._transport: asyncio.Transport | None = None
        self._buffer = b""
        self._number = 0
        self.ready = asyncio.get_running_loop().create_future()
        self.unacknowledged: set[int] = set()
        self.gone = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        transport.write(self._hello)

    def connection_lost(self, exc: Exception | None) -> None:
        self.gone = True
        if not self.ready.done():
            self.ready.set_exception(exc or ConnectionError("closed"))

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        # What a broker answers a site is short: one byte of length.
        while len(self._buffer) >= 2 and len(self._buffer) >= 2 + self._buffer[1]:
            packet, self._buffer = self._buffer[:2 + self._buffer[1]], \
                self._buffer[2 + self._buffer[1]:]
            kind = packet[0] >> 4
            if kind == 2 and not self.ready.done():
                if packet[3]:
                    self.ready.set_exception(ConnectionError(f"refused: {packet[3]}"))
                else:
                    self.ready.set_result(None)
                    self._ping()
            elif kind == 4:
                self.unacknowledged.discard(struct.unpack(">H", packet[2:4])[0])

    def _ping(self) -> None:
        if self._transport is not None and not self.gone:
            self._transport.write(b"\xc0\x00")
            asyncio.get_running_loop().call_later(self._keepalive / 2, self._ping)

    def publish(self, message: Message) -> None:
        body = _text(message.topic)
        if message.qos:
            self._number = self._number % 65535 + 1
            self.unacknowledged.add(self._number)
            body += struct.pack(">H", self._number)
        assert self._transport is not None
        self._transport.write(_packet(0x30 | message.qos << 1, body + message.payload))

    def cut(self) -> None:
        """Break the line without a word, as a pulled plug does."""
        self.gone = True
        if self._transport is not None:
            self._transport.abort()


async def connected(port: int, client_id: str, will: Message) -> LightClient:
    loop = asyncio.get_running_loop()
    client = LightClient(client_id, will)
    await loop.create_connection(lambda: client, "127.0.0.1", port)
    await client.ready
    return client
