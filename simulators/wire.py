"""Modbus as a unit speaks it: the four read requests answered, everything else refused.

Written from the specification (Modbus Application Protocol V1.1b3) and not on the library the
collector uses, so that the two check each other.
"""

from __future__ import annotations

import struct
from collections import Counter
from dataclasses import dataclass, field

__all__ = ["TABLES", "Ask", "UnitFaults", "answer", "crc16", "rtu_frame", "split_rtu", "split_tcp",
           "tcp_frame"]

TABLES = {1: "coils", 2: "discrete-inputs", 3: "holding-registers", 4: "input-registers"}
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3


@dataclass(slots=True, kw_only=True)
class UnitFaults:
    """Faults of a unit on the wire. ``delay`` in seconds of real time."""

    silent: bool = False
    delay: float = 0.0
    exception: int = 0
    short: bool = False
    other_unit: bool = False
    frozen: bool = False
    asked: Counter[int] = field(default_factory=Counter)
    """Requests by function code, as a witness."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One request: the unit, the transaction (TCP only) and the PDU."""

    unit: int
    transaction: int
    pdu: bytes


def answer(pdu: bytes, image: dict[str, dict[int, int]], *, refuses_gaps: bool,
           short: bool = False) -> bytes:
    """Return the reply PDU to ``pdu`` from ``image``."""
    function = pdu[0]
    table = TABLES.get(function)
    if table is None:
        return bytes([function | 0x80, _ILLEGAL_FUNCTION])
    most = 2000 if function <= 2 else 125
    if len(pdu) != 5:
        return bytes([function | 0x80, _ILLEGAL_VALUE])
    address, count = struct.unpack(">HH", pdu[1:])
    if not 1 <= count <= most:
        return bytes([function | 0x80, _ILLEGAL_VALUE])
    cells = image[table]
    wanted = range(address, address + count)
    beyond = not cells or wanted[-1] > max(cells)
    if beyond or (refuses_gaps and any(a not in cells for a in wanted)):
        return bytes([function | 0x80, _ILLEGAL_ADDRESS])
    values = [cells.get(a, 0) for a in wanted]
    if short:
        values = values[:max(len(values) - 1, 0)]
    body = _pack_bits(values) if function <= 2 else struct.pack(f">{len(values)}H", *values)
    return bytes([function, len(body)]) + body


def _pack_bits(values: list[int]) -> bytes:
    packed = bytearray((len(values) + 7) // 8)
    for i, value in enumerate(values):
        packed[i // 8] |= (value & 1) << (i % 8)
    return bytes(packed)


def tcp_frame(ask: Ask, pdu: bytes) -> bytes:
    """Return ``pdu`` with the header of Modbus TCP."""
    return struct.pack(">HHHB", ask.transaction, 0, len(pdu) + 1, ask.unit) + pdu


def rtu_frame(ask: Ask, pdu: bytes) -> bytes:
    """Return ``pdu`` with unit and checksum, as on a serial line."""
    frame = bytes([ask.unit]) + pdu
    return frame + struct.pack("<H", crc16(frame))


def split_tcp(buffer: bytearray) -> list[Ask]:
    """Remove every whole request from the front of ``buffer`` and return them.

    Raises ``ValueError`` when the bytes cannot be Modbus TCP: the connection must then be closed.
    """
    asks = []
    while len(buffer) >= 7:
        transaction, protocol, length, unit = struct.unpack(">HHHB", buffer[:7])
        if protocol != 0 or not 2 <= length <= 254:
            raise ValueError(f"no Modbus TCP header: {bytes(buffer[:7]).hex()}")
        if len(buffer) < 6 + length:
            break
        asks.append(Ask(unit=unit, transaction=transaction, pdu=bytes(buffer[7:6 + length])))
        del buffer[:6 + length]
    return asks


def split_rtu(buffer: bytearray) -> list[Ask]:
    """Remove every whole request from the front of ``buffer`` and return them; skip noise."""
    asks = []
    while len(buffer) >= 4:
        length = _rtu_length(buffer)
        if len(buffer) < length:
            break
        frame = bytes(buffer[:length])
        if struct.unpack("<H", frame[-2:])[0] == crc16(frame[:-2]):
            asks.append(Ask(unit=frame[0], transaction=0, pdu=frame[1:-2]))
            del buffer[:length]
        else:
            del buffer[:1]
    return asks


def _rtu_length(buffer: bytearray) -> int:
    """Return the length of the request at the front, by its function code."""
    function = buffer[1]
    if function in (15, 16):
        return 9 + buffer[6] if len(buffer) > 6 else 9
    if 1 <= function <= 6:
        return 8
    return 4  # report, diagnostics and the like: tried at their shortest, else skipped as noise


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = (byte >> 1) ^ 0xA001 if byte & 1 else byte >> 1
        table.append(byte)
    return tuple(table)


_CRC_TABLE = _crc_table()


def crc16(data: bytes) -> int:
    """Return the checksum of Modbus over Serial Line V1.02 (polynomial 0xA001, start 0xFFFF).

    >>> hex(crc16(b""))
    '0xffff'
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc
