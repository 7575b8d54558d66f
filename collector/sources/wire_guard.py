"""The one place where bytes leave for a device: reading, and nothing else, passes.

Two locks, one behind the other. A frame can only be built from a :class:`ReadRequest`, which has no
word for writing. And whatever built it, the bytes themselves are checked once more before they
reach the transport: exactly one well-formed request with function code 1, 2, 3 or 4, or nothing
goes out. A compressor must not start because of a programming error here.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Protocol

from pymodbus.framer.rtu import FramerRTU
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU, ReadCoilsRequest, ReadHoldingRegistersRequest
from pymodbus.pdu.bit_message import ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadInputRegistersRequest

from collector.domain.errors import QuietpipeError
from collector.sources.pdu import MAX_BITS, MAX_REGISTERS, ReadRequest

__all__ = ["Framing", "GuardedSender", "NotAReadRequest", "build_frame", "check_outgoing"]

_PDUS: dict[int, type[ModbusPDU]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
_decoder = DecodePDU(False)
_socket_framer = FramerSocket(_decoder)
_rtu_framer = FramerRTU(_decoder)


class Framing(StrEnum):
    """The framing of requests and replies on the wire."""

    TCP = "tcp"
    RTU = "rtu"


class NotAReadRequest(QuietpipeError):
    """Something other than one read request was to be sent. Nothing was sent."""


class _Writes(Protocol):
    def write(self, data: bytes, /) -> None: ...


def build_frame(request: ReadRequest, framing: Framing, transaction: int = 0) -> bytes:
    """Return the bytes of ``request`` as they go on the wire."""
    pdu = _PDUS[request.function_code](
        dev_id=request.unit, address=request.address, count=request.count,
        transaction_id=transaction,
    )
    framer = _socket_framer if framing is Framing.TCP else _rtu_framer
    return framer.buildFrame(pdu)


def check_outgoing(frame: bytes, framing: Framing) -> None:
    """Return if ``frame`` is exactly one read request; raise ``NotAReadRequest`` otherwise."""
    if framing is Framing.TCP:
        right = len(frame) == 12 and frame[2:6] == b"\x00\x00\x00\x06"
        pdu = frame[7:]
    else:
        right = len(frame) == 8 and (
            int.from_bytes(frame[6:], "big") == FramerRTU.compute_CRC(frame[:6])
        )
        pdu = frame[1:6]
    if not right or pdu[0] not in _PDUS:
        raise NotAReadRequest(f"held back, not a read request: {frame.hex(' ')}")
    address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
    most = MAX_BITS if pdu[0] in (1, 2) else MAX_REGISTERS
    if not 1 <= count <= most or address + count > 65536:
        raise NotAReadRequest(f"held back, outside the limits: {frame.hex(' ')}")


class GuardedSender:
    """Holds the writing end of a transport. No other object of the project does."""

    def __init__(self, transport: _Writes, framing: Framing) -> None:
        self.__transport = transport
        self._framing = framing

    def __repr__(self) -> str:
        return f"GuardedSender({self._framing}, function codes 1 to 4)"

    def send(self, frame: bytes) -> None:
        """Write ``frame``. Raises ``NotAReadRequest`` before any byte is written."""
        check_outgoing(frame, self._framing)
        self.__transport.write(frame)
