"""What a reply must look like before a single value is taken from it.

pymodbus accepts a reply with fewer registers, or another function code, than was asked. Here every
byte is held against the question first; pymodbus then decodes what has passed.
"""

from __future__ import annotations

from pymodbus.pdu import DecodePDU

from collector.domain.errors import DeviceRefused, DeviceReplyInvalid
from collector.sources.requests import ReadRequest

__all__ = ["EXCEPTIONS", "parse_reply"]

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
    told, had, due = pdu[1], len(pdu) - 2, request.reply_bytes
    if told != due or had != due:
        raise DeviceReplyInvalid(
            f"reply to {request} should hold {due} bytes; it says {told} and holds {had}"
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
