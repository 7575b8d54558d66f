"""The bus against an independent peer that misbehaves: never a wrong value."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest

from collector.clock import ScaledClock, SystemClock
from collector.domain.errors import (
    DeviceError,
    DeviceRefused,
    DeviceReplyInvalid,
    DeviceSilent,
    LinkDown,
)
from collector.sources import Address
from collector.sources.bus import Bus
from collector.sources.pdu import ReadRequest
from tests.sources import peer as p
from tests.sources.conftest import Serve
from tests.sources.peer import Peer, Twist

THREE = ReadRequest(unit=1, table="holding-registers", address=107, count=3)
"""The question of the specification's own example, V1.1b3 section 6.3."""


@pytest.fixture
def peer() -> Peer:
    peer = Peer()
    one = peer.units[1]
    one.holding.update({107: 0x022B, 108: 0, 109: 0x64})
    one.registers.update(dict.fromkeys(range(125), 7))
    one.coils.update({i: i % 3 == 0 for i in range(2000)})
    one.inputs.update({i: i % 2 for i in range(40)})
    peer.units[2].holding.update({107: 1, 108: 2, 109: 3})
    return peer


@pytest.fixture
async def bus(peer: Peer, serve: Serve) -> AsyncIterator[Bus]:
    async with serve(peer) as address:
        bus = Bus(address, SystemClock())
        yield bus
        await bus.close()


async def test_every_table_at_its_largest(bus: Bus) -> None:
    assert (await bus.read(THREE, 500)).values == (0x022B, 0, 0x64)
    most = ReadRequest(unit=1, table="input-registers", address=0, count=125)
    assert (await bus.read(most, 500)).values == (7,) * 125
    bits = ReadRequest(unit=1, table="coils", address=0, count=2000)
    assert (await bus.read(bits, 500)).values == tuple(int(i % 3 == 0) for i in range(2000))
    odd = ReadRequest(unit=1, table="discrete-inputs", address=1, count=19)
    assert (await bus.read(odd, 500)).values == tuple(i % 2 for i in range(1, 20))


@pytest.mark.parametrize("twist", [
    p.fewer_registers, p.more_registers, p.other_function, p.other_unit, p.wrong_byte_count,
    p.instead(lambda pdu, right: right[:1]),
    p.instead(lambda pdu, right: bytes([pdu[0] | 0x80])),
    p.instead(lambda pdu, right: bytes([pdu[0] | 0x80, 2, 2])),
    p.instead(lambda pdu, right: bytes([pdu[0] | 0x80, 0])),
    p.instead(lambda pdu, right: bytes([4 | 0x80, 2])),
    p.instead(lambda pdu, right: b"\x06\x00\x6b\x00\x03"),
], ids=["fewer", "more", "function", "unit", "byte count", "one byte", "cut exception",
        "long exception", "exception 0", "exception of another function", "a write's echo"])
async def test_a_reply_that_does_not_answer_is_an_error_and_the_next_is_right(
    bus: Bus, peer: Peer, twist: Twist
) -> None:
    peer.twists.append(twist)
    with pytest.raises((DeviceReplyInvalid, DeviceSilent)):
        await bus.read(THREE, 100)
    assert (await bus.read(THREE, 100)).values == (0x022B, 0, 0x64)


@pytest.mark.parametrize("raw", [
    b"\xff" * 3, b"\x00" * 40, b"GET / HTTP/1.1\r\n\r\n", bytes(range(1, 200)),
    b"\x01\x03\x06\x02\x2b\x00\x00\x00\x64\x05\x7b",
], ids=["noise", "zeros", "text", "ramp", "checksum"])
async def test_garbage_is_an_error_and_the_next_is_right(
    bus: Bus, peer: Peer, raw: bytes
) -> None:
    peer.raw = raw
    with pytest.raises((DeviceReplyInvalid, DeviceSilent)):
        await bus.read(THREE, 100)
    assert (await bus.read(THREE, 100)).values == (0x022B, 0, 0x64)


async def test_an_exception_says_its_code(bus: Bus, peer: Peer) -> None:
    missing = ReadRequest(unit=1, table="holding-registers", address=1, count=1)
    with pytest.raises(DeviceRefused, match="exception 2, illegal data address") as refused:
        await bus.read(missing, 200)
    assert refused.value.code == 2
    peer.twists.append(p.busy)
    with pytest.raises(DeviceRefused, match="device busy"):
        await bus.read(THREE, 200)


async def test_silence(bus: Bus, peer: Peer) -> None:
    peer.twists.append(p.silent)
    with pytest.raises(DeviceSilent, match="within 0.1 s"):
        await bus.read(THREE, 100)
    assert len(peer.asked) == 1, "no hidden repetition"
    assert (await bus.read(THREE, 100)).values == (0x022B, 0, 0x64)


@pytest.mark.parametrize("delay", [0.12, 0.15, 0.19, 0.21, 0.25])
@pytest.mark.parametrize("pause", [0.0, 0.1])
async def test_a_late_reply_is_never_the_next_answer(
    bus: Bus, peer: Peer, delay: float, pause: float
) -> None:
    """The same question twice, the answer to the first given up late: only content differs."""
    def old(_peer: Peer, unit: int, _pdu: bytes, right: bytes) -> list[tuple[float, int, bytes]]:
        return [(delay, unit, right[:2] + b"\xde\xad" * 3)]
    peer.twists.append(old)
    with pytest.raises(DeviceSilent):
        await bus.read(THREE, 100)
    await asyncio.sleep(pause)
    right = 0
    for _ in range(3):
        try:
            answer = await bus.read(THREE, 100)
        except DeviceReplyInvalid:
            continue  # two replies, and no telling which: neither was taken
        assert answer.values == (0x022B, 0, 0x64)
        right += 1
    assert right >= 2


async def test_a_late_reply_of_a_neighbour_is_passed_over(bus: Bus, peer: Peer) -> None:
    other = ReadRequest(unit=2, table="holding-registers", address=107, count=3)
    peer.twists.extend([p.late(0.13), p.late(0.06)])
    with pytest.raises(DeviceSilent):
        await bus.read(other, 100)
    assert (await bus.read(THREE, 100)).values == (0x022B, 0, 0x64)
    assert (await bus.read(other, 100)).values == (1, 2, 3)
    assert bus.statistics().late == 1


async def test_a_dropped_connection_is_opened_again(peer: Peer) -> None:
    for rtu in (False, True):
        async with peer.tcp(rtu=rtu) as port:
            bus = Bus(Address(kind="rtu+tcp" if rtu else "tcp", host="127.0.0.1", port=port),
                      SystemClock())
            await bus.read(THREE, 200)
            peer.drop = True
            with pytest.raises(LinkDown, match="closed by the device"):
                await bus.read(THREE, 200)
            assert (await bus.read(THREE, 200)).values == (0x022B, 0, 0x64)
            assert bus.statistics().opened == 2
            await bus.close()


async def test_a_foreign_transaction_is_an_error(peer: Peer) -> None:
    async with peer.tcp() as port:
        bus = Bus(Address(kind="tcp", host="127.0.0.1", port=port), SystemClock())
        peer.transaction_shift = 1
        with pytest.raises(DeviceReplyInvalid, match="transaction"):
            await bus.read(THREE, 200)
        peer.transaction_shift = 0
        assert (await bus.read(THREE, 200)).values == (0x022B, 0, 0x64)
        await bus.close()


async def test_nobody_there() -> None:
    async with Peer().tcp() as port:
        pass
    bus = Bus(Address(kind="tcp", host="127.0.0.1", port=port), SystemClock())
    with pytest.raises(LinkDown, match="cannot be opened"):
        await bus.read(THREE, 200)
    serial = Bus(Address(kind="rtu", path="/dev/does-not-exist"), SystemClock())
    with pytest.raises(LinkDown, match="cannot be opened"):
        await serial.read(THREE, 200)
    await bus.close()
    await serial.close()


async def test_a_serial_line_that_goes_away(peer: Peer) -> None:
    async with peer.pty() as path:
        bus = Bus(Address(kind="rtu", path=path, parity="none"), SystemClock())
        await bus.read(THREE, 200)
    with pytest.raises(DeviceError):
        await bus.read(THREE, 200)
    await bus.close()


async def test_turns(bus: Bus, peer: Peer) -> None:
    """Asked at once by many: one at a time, each gets its own."""
    other = ReadRequest(unit=2, table="holding-registers", address=107, count=3)
    answers = await asyncio.gather(*(bus.read(r, 500) for r in (THREE, other) * 10))
    assert [a.values for a in answers] == [(0x022B, 0, 0x64), (1, 2, 3)] * 10


@pytest.mark.parametrize("kind", ["rtu", "rtu+tcp"])
async def test_silence_between_frames(peer: Peer, kind: str) -> None:
    """t3.5 at 9600 baud is 4.01 ms (Modbus over Serial Line V1.02, 2.5.1.1)."""
    moments: list[float] = []

    def note(_peer: Peer, unit: int, _pdu: bytes, right: bytes) -> list[tuple[float, int, bytes]]:
        moments.append(asyncio.get_running_loop().time())
        return [(0.0, unit, right)]

    peer.always = note
    address = peer.pty() if kind == "rtu" else peer.tcp(rtu=True)
    async with address as where:
        at = {"path": where} if kind == "rtu" else {"host": "127.0.0.1", "port": where}
        bus = Bus(Address(kind=kind, baud=9600, parity="none", **at), SystemClock())  # type: ignore[arg-type]
        await asyncio.gather(*(bus.read(THREE, 300) for _ in range(20)))
        await bus.close()
    gaps = [b - a for a, b in zip(moments, moments[1:], strict=False)]
    assert len(gaps) == 19
    assert min(gaps) >= 0.00401


async def test_a_line_that_cannot_be_opened_is_left_alone_for_a_while() -> None:
    async with Peer().tcp() as port:
        pass
    bus = Bus(Address(kind="tcp", host="127.0.0.1", port=port), SystemClock())
    with pytest.raises(LinkDown) as first:
        await bus.read(THREE, 100)
    with pytest.raises(LinkDown) as second:
        await bus.read(THREE, 100)
    assert first.value.__cause__ is not None
    assert second.value.__cause__ is None, "told from memory, without trying"
    await asyncio.sleep(0.3)
    with pytest.raises(LinkDown) as third:
        await bus.read(THREE, 100)
    assert third.value.__cause__ is not None
    await bus.close()


async def test_a_half_dead_connection_is_opened_anew(peer: Peer) -> None:
    async with peer.tcp() as port:
        bus = Bus(Address(kind="tcp", host="127.0.0.1", port=port), SystemClock())
        await bus.read(THREE, 100)
        peer.twists.extend([p.silent] * 3)
        for _ in range(3):
            with pytest.raises(DeviceSilent):
                await bus.read(THREE, 30)
        assert (await bus.read(THREE, 100)).values == (0x022B, 0, 0x64)
        assert bus.statistics().opened == 2
        assert peer.connections == 2
        await bus.close()


async def test_a_time_out_cancelled_from_outside_leaves_the_line_fit(
    bus: Bus, peer: Peer
) -> None:
    peer.twists.append(lambda _peer, unit, _pdu, right: [(0.05, unit, right[:2] + b"\7" * 6)])
    task = asyncio.create_task(bus.read(THREE, 200))
    await asyncio.sleep(0.02)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    try:
        got = (await bus.read(THREE, 200)).values
    except DeviceReplyInvalid:
        got = (await bus.read(THREE, 200)).values
    assert got == (0x022B, 0, 0x64)


async def test_a_sped_up_clock_shortens_time_outs_but_not_to_nothing() -> None:
    fast = Bus(Address(kind="tcp", host="h"), ScaledClock(origin=0, speed=5))
    assert fast._seconds(1000) == pytest.approx(0.2)
    faster = Bus(Address(kind="tcp", host="h"), ScaledClock(origin=0, speed=600))
    assert faster._seconds(1000) == pytest.approx(0.1)
    assert Bus(Address(kind="tcp", host="h"), SystemClock())._seconds(40) == 0.04
