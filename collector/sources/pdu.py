"""The read requests of Modbus, the only ones this program sends, and the check of their replies.

Modbus Application Protocol Specification V1.1b3, sections 6.1 to 6.4: function codes 1 to 4, at
most 2000 bits or 125 registers in one request.
"""

from __future__ import annotations

from dataclasses import dataclass

from pymodbus.pdu import DecodePDU

from collector.domain.errors import DeviceRefused, DeviceReplyInvalid

__all__ = [
    "BIT_TABLES",
    "EXCEPTIONS",
    "FUNCTION_CODES",
    "MAX_BITS",
    "MAX_REGISTERS",
    "ReadRequest",
    "parse_reply",
]

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
        """Bytes of data in a right reply."""
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
