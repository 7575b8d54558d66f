"""The read requests of Modbus, the only ones this program sends, and the check of their replies.

Modbus Application Protocol Specification V1.1b3, sections 6.1 to 6.4: function codes 1 to 4, at
most 2000 bits or 125 registers in one request.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from pymodbus.framer.rtu import FramerRTU
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU, ReadCoilsRequest, ReadHoldingRegistersRequest
from pymodbus.pdu.bit_message import ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadInputRegistersRequest

from collector.domain.errors import DeviceRefused, DeviceReplyInvalid, QuietpipeError

FUNCTION_CODES = {
    "coils": 1,
    "discrete-inputs": 2,
    "holding-registers": 3,
    "input-registers": 4,
}
BIT_TABLES = frozenset({"coils", "discrete-inputs"})
MAX_BITS = 2000
MAX_REGISTERS = 125


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadRequest:
    """Read ``count`` bits or registers of ``table`` from zero-based ``address``, of ``unit``.

    Raises ``ValueError`` for a table that cannot be read, or limits of the specification passed.
    """

    unit: int
    table: str
    address: int
    count: int

    def __post_init__(self) -> None:
        if self.table not in FUNCTION_CODES:
            raise ValueError(f"no such table: {self.table!r}; expected {', '.join(FUNCTION_CODES)}")
        if not 0 <= self.unit <= 255:
            raise ValueError(f"unit {self.unit} is not within 0 to 255")
        most = MAX_BITS if self.is_bits else MAX_REGISTERS
        if not 1 <= self.count <= most:
            raise ValueError(f"count {self.count} is not within 1 to {most}")
        if not 0 <= self.address <= 65536 - self.count:
            raise ValueError(f"{self.count} from address {self.address} pass the end of the table")

    def __str__(self) -> str:
        last = self.address + self.count - 1
        span = f"{self.address}" if self.count == 1 else f"{self.address} to {last}"
        return f"{self.table} {span} of unit {self.unit}"

    @property
    def function_code(self) -> int:
        """1, 2, 3 or 4."""
        return FUNCTION_CODES[self.table]

    @property
    def is_bits(self) -> bool:
        """Whether bits come back, not registers."""
        return self.table in BIT_TABLES

    @property
    def reply_bytes(self) -> int:
        return (self.count + 7) // 8 if self.is_bits else self.count * 2


EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Exception codes of the Modbus Application Protocol Specification V1.1b3, section 7."""
_decoder = DecodePDU(False)


def parse_reply(request: ReadRequest, pdu: bytes) -> tuple[int, ...]:
    """Return the registers, or bits as 0 and 1, that ``pdu`` gives for ``request``.

    ``pdu`` is function code and data, without unit and check. Exactly ``request.count`` values
    come back: the padding of the last byte of bits is dropped.

    Raises ``DeviceRefused`` for an exception reply, ``DeviceReplyInvalid`` for anything that does
    not answer the question to the byte.
    """
    if len(pdu) < 2:
        raise DeviceReplyInvalid(f"reply of {len(pdu)} bytes to {request} is no reply")
    code = pdu[0]
    if code == request.function_code | 0x80:
        raise _refusal(request, pdu)
    if code != request.function_code:
        raise DeviceReplyInvalid(
            f"reply has function code {code}, asked was {request.function_code} ({request})"
        )
    stated, held, due = pdu[1], len(pdu) - 2, request.reply_bytes
    if stated != due or held != due:
        raise DeviceReplyInvalid(
            f"reply to {request} should hold {due} bytes; it says {stated} and holds {held}"
        )
    reply = _decoder.decode(pdu)
    if reply is None:
        raise DeviceReplyInvalid(f"reply to {request} cannot be decoded: {pdu.hex(' ')}")
    values = reply.bits[: request.count] if request.is_bits else reply.registers
    return tuple(int(v) for v in values)


def _refusal(request: ReadRequest, pdu: bytes) -> DeviceRefused | DeviceReplyInvalid:
    if len(pdu) != 2 or pdu[1] == 0:
        return DeviceReplyInvalid(f"malformed exception in reply to {request}: {pdu.hex(' ')}")
    meaning = EXCEPTIONS.get(pdu[1], "not in the specification")
    return DeviceRefused(
        f"the device refuses {request}: exception {pdu[1]}, {meaning}", code=pdu[1]
    )


_PDUS: dict[int, type[ModbusPDU]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}

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
