"""The specifications' own example frames, checksums and timing.

Sources: MODBUS Application Protocol Specification V1.1b3 (examples of sections 6.1 to 6.4); MODBUS
over Serial Line Specification and Implementation Guide V1.02 (CRC example ``02 07`` in appendix B,
timing in section 2.5.1.1). "123456789" -> 0x4B37 is the check value of CRC-16/MODBUS in common
catalogues of CRCs; the others are recomputed with the library ``crcmod``.
"""

from __future__ import annotations

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from collector.domain.errors import DeviceRefused, DeviceReplyInvalid
from collector.sources.line import OutOfStep, character_time, frame_silence, take_frame
from collector.sources.pdu import Framing, ReadRequest, build_frame, parse_reply
from tests.sources.peer import crc

EXAMPLES = [
    ("coils", 0x13, 0x13, "01 0013 0013", "01 03 CD 6B 05",
     (1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1)),
    ("discrete-inputs", 0xC4, 0x16, "02 00C4 0016", "02 03 AC DB 35",
     (0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1)),
    ("holding-registers", 0x6B, 3, "03 006B 0003", "03 06 022B 0000 0064", (555, 0, 100)),
    ("input-registers", 8, 1, "04 0008 0001", "04 02 000A", (10,)),
]


@pytest.mark.parametrize(("table", "address", "count", "asked", "reply", "values"), EXAMPLES)
def test_example(
    table: str, address: int, count: int, asked: str, reply: str, values: tuple[int, ...]
) -> None:
    request = ReadRequest(unit=0x11, table=table, address=address, count=count)
    pdu = bytes.fromhex(asked)
    assert build_frame(request, Framing.TCP, 0x1234) == bytes.fromhex("1234 0000 0006 11") + pdu
    rtu = build_frame(request, Framing.RTU)
    assert rtu[:-2] == b"\x11" + pdu
    assert rtu[-2:] == crc(rtu[:-2])
    answer = bytes.fromhex(reply)
    assert parse_reply(request, answer) == values
    for wrong in (answer[:-1], answer + b"\0", bytes([answer[0] % 4 + 1]) + answer[1:],
                  bytes([answer[0], answer[1] + 1]) + answer[2:], b"", answer[:1]):
        with pytest.raises(DeviceReplyInvalid):
            parse_reply(request, wrong)


@pytest.mark.parametrize(("body", "wire"), [
    ("02 07", "41 12"),
    ("11 03 00 6B 00 03", "76 87"),
    ("01 03 00 6B 00 03", "74 17"),
    ("01 03 06 02 2B 00 00 00 64", "05 7A"),
    ("0A 81 02", "B0 53"),
])
def test_checksums_as_they_go_on_the_wire(body: str, wire: str) -> None:
    data = bytes.fromhex(body)
    assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == bytes.fromhex(wire)
    assert crc(data) == bytes.fromhex(wire)


@given(st.binary(max_size=256))
def test_three_ways_to_the_same_checksum(data: bytes) -> None:
    reference = crcmod.predefined.mkCrcFun("modbus")
    assert reference(b"123456789") == 0x4B37
    assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == crc(data)
    assert int.from_bytes(crc(data), "little") == reference(data)


def test_example_frames_off_the_wire() -> None:
    buffer = bytearray.fromhex("01 03 06 02 2B 00 00 00 64 05 7A 0A 81 02 B0 53")
    first = take_frame(buffer, Framing.RTU)
    assert first is not None
    assert (first.unit, first.pdu.hex()) == (1, "0306022b00000064")
    second = take_frame(buffer, Framing.RTU)
    assert second is not None
    assert second.unit == 10
    with pytest.raises(DeviceRefused) as refused:
        parse_reply(ReadRequest(unit=10, table="coils", address=0, count=1), second.pdu)
    assert refused.value.code == 2
    assert take_frame(buffer, Framing.RTU) is None


@given(st.binary(min_size=5, max_size=60), st.integers(0, 479))
def test_one_bit_wrong_is_seen(data: bytes, place: int) -> None:
    """CRC-16 finds every single-bit error (any CRC with more than one term in its polynomial)."""
    body = bytes([data[0], data[1] % 4 + 1, len(data[2:])]) + data[2:]
    frame = bytearray(body + crc(body))
    place %= len(frame) * 8
    frame[place // 8] ^= 1 << place % 8
    try:
        taken = take_frame(frame, Framing.RTU)
    except OutOfStep:
        return
    assert taken is None, "a length that grew waits for more, and times out"


@pytest.mark.parametrize(("baud", "character", "silence"), [
    (9600, 1145.8, 4010.4), (19200, 572.9, 2005.2), (38400, 286.5, 1750.0), (115200, 95.5, 1750.0),
])
def test_timing(baud: int, character: float, silence: float) -> None:
    """In microseconds: 11 bits a character; t3.5, fixed at 1.750 ms above 19200 baud."""
    assert character_time(baud) * 1e6 == pytest.approx(character, abs=0.05)
    assert frame_silence(baud) * 1e6 == pytest.approx(silence, abs=0.05)
