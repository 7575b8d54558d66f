"""Nothing but reading leaves: the guard refuses it, and the wire has not seen it."""

from __future__ import annotations

import ast
import asyncio
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU
from pymodbus.framer.socket import FramerSocket
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import WriteMultipleCoilsRequest, WriteSingleCoilRequest
from pymodbus.pdu.register_message import (
    MaskWriteRegisterRequest,
    ReadWriteMultipleRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

import collector.sources
from collector.clock import SystemClock
from collector.sources import Address
from collector.sources.bus import Bus
from collector.sources.pdu import (
    Framing,
    GuardedSender,
    NotAReadRequest,
    ReadRequest,
    build_frame,
    check_outgoing,
)
from tests.sources.peer import Peer, crc
from tests.wire import RequestWatch, WireRegistry, in_thread, pty_tap, tcp_tap

WRITES: list[ModbusPDU] = [
    WriteSingleCoilRequest(address=1, bits=[True], dev_id=1),
    WriteSingleRegisterRequest(address=1, registers=[1], dev_id=1),
    WriteMultipleCoilsRequest(address=1, bits=[True] * 8, dev_id=1),
    WriteMultipleRegistersRequest(address=1, registers=[1, 2], dev_id=1),
    MaskWriteRegisterRequest(address=1, dev_id=1),
    ReadWriteMultipleRegistersRequest(
        read_address=1, read_count=1, write_address=1, write_registers=[1], dev_id=1
    ),
]


class Wire:
    def __init__(self) -> None:
        self.sent: list[bytes] = []

    def write(self, data: bytes) -> None:
        self.sent.append(data)


@pytest.mark.parametrize("pdu", WRITES, ids=lambda p: type(p).__name__)
@pytest.mark.parametrize("framing", list(Framing))
def test_a_write_is_held_back_before_any_byte(pdu: ModbusPDU, framing: Framing) -> None:
    framer = (FramerSocket if framing is Framing.TCP else FramerRTU)(DecodePDU(False))
    wire = Wire()
    with pytest.raises(NotAReadRequest):
        GuardedSender(wire, framing).send(framer.buildFrame(pdu))
    assert wire.sent == []


@given(
    table=st.sampled_from(["coils", "discrete-inputs", "input-registers", "holding-registers"]),
    unit=st.integers(0, 255), address=st.integers(0, 65000), count=st.integers(1, 125),
    framing=st.sampled_from(list(Framing)), place=st.integers(0, 11), byte=st.integers(0, 255),
)
def test_only_a_whole_read_request_passes(
    table: str, unit: int, address: int, count: int, framing: Framing, place: int, byte: int
) -> None:
    request = ReadRequest(unit=unit, table=table, address=address, count=count)
    frame = build_frame(request, framing, 77)
    wire = Wire()
    GuardedSender(wire, framing).send(frame)
    assert wire.sent == [frame]
    for broken in (frame[:-1], frame + b"\0", b"", frame + frame):
        with pytest.raises(NotAReadRequest):
            check_outgoing(broken, framing)
    # Any one byte changed, checksum made right again: passes only while it is still reading.
    changed = bytearray(frame)
    changed[place % len(frame)] = byte
    if framing is Framing.RTU:
        changed[6:] = crc(bytes(changed[:6]))
    code = changed[7 if framing is Framing.TCP else 1]
    try:
        check_outgoing(bytes(changed), framing)
    except NotAReadRequest:
        return
    assert code in (1, 2, 3, 4)


@pytest.mark.parametrize("wrong", [
    {"table": "file-records"}, {"unit": 256}, {"unit": -1}, {"count": 0}, {"count": 126},
    {"table": "coils", "count": 2001}, {"address": -1}, {"address": 65536},
    {"address": 65530, "count": 7},
])
def test_no_request_beyond_the_specification(wrong: dict[str, object]) -> None:
    right: dict[str, object] = {"unit": 1, "table": "holding-registers", "address": 0, "count": 1}
    with pytest.raises(ValueError, match=r"."):
        ReadRequest(**{**right, **wrong})  # type: ignore[arg-type]


def test_one_writing_end_in_the_whole_of_sources() -> None:
    """Calls of ``write``, ``writelines``, ``sendall`` … stand in the guard and nowhere else."""
    names = {"write", "writelines", "send_bytes", "sendall", "sendto", "sendmsg", "set_value",
             "set_values", "reconfigure_lines"}
    found = set()
    for file in Path(collector.sources.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) \
                    and node.func.attr in names:
                found.add((file.name, node.func.attr))
    assert found == {("pdu.py", "write")}


async def test_the_tap_sees_what_is_sent() -> None:
    """The tap must catch a write, or its silence at the end of a run would prove nothing."""
    peer = Peer(registry=WireRegistry())  # not the run's: a write is sent here on purpose
    peer.units[1].holding[0] = 5
    question = ReadRequest(unit=1, table="holding-registers", address=0, count=1)
    for rtu in (False, True):
        registry = WireRegistry()
        kind = "rtu+tcp" if rtu else "tcp"
        async with peer.tcp(rtu=rtu) as port, \
                tcp_tap("127.0.0.1", port, rtu=rtu, registry=registry) as tapped:
            bus = Bus(Address(kind=kind, host="127.0.0.1", port=tapped), SystemClock())
            assert (await bus.read(question, 300)).values == (5,)
            await bus.close()
            assert registry.function_codes() == {3}
            registry.check()
            framer = (FramerRTU if rtu else FramerSocket)(DecodePDU(False))
            reader, writer = await asyncio.open_connection("127.0.0.1", tapped)
            writer.write(framer.buildFrame(WRITES[1]))
            assert await reader.readexactly(1)  # answered, so it went through the tap
            writer.close()
            with pytest.raises(AssertionError, match="other than 1 to 4"):
                registry.check()


async def test_the_tap_on_a_serial_line() -> None:
    peer = Peer()
    peer.units[1].holding[0] = 5
    registry = WireRegistry()
    async with peer.pty() as path, pty_tap(path, registry=registry) as tapped:
        bus = Bus(Address(kind="rtu", path=tapped, parity="none"), SystemClock())
        question = ReadRequest(unit=1, table="holding-registers", address=0, count=1)
        assert (await bus.read(question, 300)).values == (5,)
        await bus.close()
    assert registry.seen == {(f"rtu {path}", 3): 1}


@pytest.mark.parametrize("rtu", [False, True])
@pytest.mark.parametrize("pdu", WRITES, ids=lambda p: type(p).__name__)
def test_the_tap_names_every_write(pdu: ModbusPDU, rtu: bool) -> None:
    framer = (FramerRTU if rtu else FramerSocket)(DecodePDU(False))
    registry = WireRegistry()
    watch = RequestWatch("x", rtu=rtu, registry=registry)
    read = ReadRequest(unit=1, table="coils", address=0, count=9)
    stream = build_frame(read, Framing.RTU if rtu else Framing.TCP) + framer.buildFrame(pdu)
    cut = random.Random(4).randint(1, len(stream) - 1)
    watch.feed(stream[:cut])
    watch.feed(stream[cut:])
    assert registry.function_codes() == {1, pdu.function_code}
    assert not registry.malformed


def test_the_tap_in_a_thread() -> None:
    registry = WireRegistry()
    peer = Peer()
    peer.units[1].coils[0] = 1
    with in_thread(peer.tcp) as port, \
            in_thread(lambda: tcp_tap("127.0.0.1", port, registry=registry)) as tapped:
        async def ask() -> tuple[int, ...]:
            bus = Bus(Address(kind="tcp", host="127.0.0.1", port=tapped), SystemClock())
            request = ReadRequest(unit=1, table="coils", address=0, count=1)
            try:
                return (await bus.read(request, 500)).values
            finally:
                await bus.close()
        assert asyncio.run(ask()) == (1,)
    assert registry.function_codes() == {1}


def test_bytes_that_are_no_request_do_not_go_unnoticed() -> None:
    for rtu in (False, True):
        registry = WireRegistry()
        watch = RequestWatch("x", rtu=rtu, registry=registry)
        watch.feed(b"\x01\x03\x06\x02\x2b\x00\x00\x00\x64\x05\x7b")
        watch.end()
        with pytest.raises(AssertionError, match="no request"):
            registry.check()
