"""Cut what arrives into frames. Pure: a buffer in, a frame or a complaint out."""

from __future__ import annotations

from dataclasses import dataclass

from pymodbus.framer.rtu import FramerRTU

from collector.domain.errors import DeviceReplyInvalid
from collector.sources.wire_guard import Framing

__all__ = ["Frame", "OutOfStep", "character_time", "frame_silence", "take_frame"]

_MAX_MBAP_LENGTH = 254
"""Unit and PDU; Modbus Messaging on TCP/IP Implementation Guide V1.0b, 260 bytes in all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One frame as it arrived; ``transaction`` is 0 on serial lines."""

    unit: int
    pdu: bytes
    transaction: int = 0


class OutOfStep(DeviceReplyInvalid):
    """Where one frame ends and the next begins can no longer be told."""


def take_frame(buffer: bytearray, framing: Framing) -> Frame | None:
    """Take the first frame off ``buffer``, or return ``None`` when it is not all there yet.

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
