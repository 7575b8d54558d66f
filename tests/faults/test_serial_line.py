"""A serial line as it is on a site: noise, a wire that breaks, two units with one address.

The line is a pseudo-terminal; the far end is the independent peer. Each case is repeated with
other noise. What is read is right or not good, and the line recovers by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import random
import tty
from collections.abc import AsyncIterator, Callable, Sequence

import pytest

from collector.clock import SystemClock
from collector.domain.errors import DeviceError
from collector.domain.readings import Reading
from collector.sources import Address, DeviceSettings, PointSettings
from collector.sources.bus import Bus
from collector.sources.pdu import ReadRequest
from collector.sources.poller import Poller
from tests.sources.peer import Peer, crc, late

ASK = ReadRequest(unit=1, table="holding-registers", address=100, count=4)
RIGHT = (1111, 2222, 3333, 4444)
Noise = Callable[[random.Random, bytes], bytes]


def before(rng: random.Random, frame: bytes) -> bytes:
    return rng.randbytes(rng.randint(1, 6)) + frame


def after(rng: random.Random, frame: bytes) -> bytes:
    return frame + rng.randbytes(rng.randint(1, 6))


def flipped(rng: random.Random, frame: bytes) -> bytes:
    changed = bytearray(frame)
    for _ in range(rng.randint(1, 4)):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def lost(rng: random.Random, frame: bytes) -> bytes:
    at = rng.randrange(len(frame))
    return frame[:at] + frame[at + 1:]


def doubled(rng: random.Random, frame: bytes) -> bytes:
    at = rng.randrange(len(frame))
    return frame[:at + 1] + frame[at:]


def cut_off(rng: random.Random, frame: bytes) -> bytes:
    return frame[:rng.randrange(1, len(frame))]


def zeros(rng: random.Random, frame: bytes) -> bytes:
    return bytes(rng.randint(1, 20)) + frame


def echoed(rng: random.Random, frame: bytes) -> bytes:
    """A two-wire adapter that hears itself: our own request comes back before the reply."""
    request = b"\x01\x03\x00\x64\x00\x04"
    return request + crc(request) + frame


def parity_bit_left_in(rng: random.Random, frame: bytes) -> bytes:
    return bytes(b | 0x80 for b in frame)


def other_speed(rng: random.Random, frame: bytes) -> bytes:
    return bytes(b & 0xF0 for b in frame[:len(frame) // 2])


NOISE: Sequence[Noise] = (before, after, flipped, lost, doubled, cut_off, zeros, echoed,
                          parity_bit_left_in, other_speed)


class NoisyPeer(Peer):
    """A peer whose frames pass a noisy line."""

    noise: Noise | None = None
    rng = random.Random(0)

    async def _rtu(self, reader: asyncio.StreamReader, write: Callable[[bytes], object]) -> None:
        def noisy(frame: bytes) -> object:
            return write(self.noise(self.rng, frame) if self.noise is not None else frame)
        await super()._rtu(reader, noisy)


def a_peer() -> NoisyPeer:
    peer = NoisyPeer()
    peer.units[1].holding.update(dict(zip(range(100, 104), RIGHT, strict=True)))
    return peer


@contextlib.asynccontextmanager
async def a_bus(peer: Peer) -> AsyncIterator[Bus]:
    async with peer.pty() as path:
        bus = Bus(Address(kind="rtu", path=path, baud=115200, parity="none"), SystemClock())
        try:
            yield bus
        finally:
            await bus.close()


@pytest.mark.parametrize("noise", NOISE, ids=lambda f: f.__name__)
async def test_noise_gives_no_wrong_value_and_the_line_recovers(noise: Noise) -> None:
    peer = a_peer()
    peer.rng = random.Random(noise.__name__)
    good = 0
    async with a_bus(peer) as bus:
        for _ in range(8):
            peer.noise = noise
            with contextlib.suppress(DeviceError):
                assert (await bus.read(ASK, 40)).values == RIGHT
                good += 1
            peer.noise = None
            for _ in range(3):  # a unit that timed out is on probation: its next reply may be late
                with contextlib.suppress(DeviceError):
                    assert (await bus.read(ASK, 200)).values == RIGHT
                    break
            else:
                raise AssertionError("the line did not recover")
    if noise in (flipped, lost, cut_off):
        assert good < 8  # the noise did reach the line


@pytest.mark.parametrize("seconds", [0.005, 0.02])
async def test_two_units_with_one_address_give_no_mixture(seconds: float) -> None:
    """Both answer: one after the other, or at once, which the line turns into a mixture."""
    peer = a_peer()
    other = peer.units[9]
    other.holding.update(dict.fromkeys(range(100, 104), 9999))

    def both(_peer: Peer, unit: int, pdu: bytes, right: bytes) -> list[tuple[float, int, bytes]]:
        return [(0.0, unit, right), (seconds, unit, other.answer(pdu))]

    peer.always = both
    seen = set()
    async with a_bus(peer) as bus:
        for _ in range(25):
            with contextlib.suppress(DeviceError):
                seen.add((await bus.read(ASK, 100)).values)
            await asyncio.sleep(0.01)
    assert seen <= {RIGHT, (9999,) * 4}


@pytest.mark.parametrize("seed", range(6))
async def test_two_replies_on_top_of_each_other_are_none(seed: int) -> None:
    peer = a_peer()
    other = peer.units[9]
    other.holding.update(dict.fromkeys(range(100, 104), 9999))
    body = bytes([1]) + other.answer(b"\x03\x00\x64\x00\x04")
    second = body + crc(body)
    rng = random.Random(seed)

    def collision(_rng: random.Random, frame: bytes) -> bytes:
        shift = rng.randint(0, len(frame) - 1)
        mixed = bytearray(max(len(frame), shift + len(second)))
        mixed[:len(frame)] = frame
        for n, byte in enumerate(second):
            # On RS-485 the stronger driver wins, bit by bit: neither of the two.
            mixed[shift + n] &= byte if shift + n < len(frame) else 0xFF
            mixed[shift + n] |= byte if shift + n >= len(frame) else 0
        return bytes(mixed)

    peer.noise = collision
    async with a_bus(peer) as bus:
        for _ in range(10):
            with contextlib.suppress(DeviceError):
                assert (await bus.read(ASK, 40)).values in (RIGHT, (9999,) * 4)


def settings(path: str) -> DeviceSettings:
    return DeviceSettings(
        id="d1", name="d1", address=Address(kind="rtu", path=path, baud=115200, parity="none"),
        unit=1, every=100, timeout=60,
        points=(PointSettings(point="gen1.tank_pressure", table="holding-registers", address=100),))


async def test_a_line_that_is_cut_and_mended_is_read_again() -> None:
    """The converter is pulled out and put back under the same name, as udev does it."""
    got: list[Reading] = []

    def sink(readings: Sequence[Reading]) -> None:
        got.extend(readings)

    def good() -> int:
        return sum(r.value == 1111.0 for r in got)

    async def wait(condition: Callable[[], bool], what: str) -> None:
        for _ in range(600):
            if condition():
                return
            await asyncio.sleep(0.02)
        raise AssertionError(what)

    link = f"/tmp/quietpipe-test-line-{os.getpid()}"
    with contextlib.suppress(FileNotFoundError):
        os.unlink(link)
    poller = None
    try:
        for life in range(2):
            peer = a_peer()
            async with peer.pty() as path:
                os.symlink(path, link)
                if poller is None:
                    poller = Poller([settings(link)], clock=SystemClock(), sink=sink,
                                    rng=random.Random(1))
                    polling = asyncio.create_task(poller.run())
                known = good()
                await wait(lambda known=known: good() > known + 2, f"life {life}")
                os.unlink(link)
            gone = len(got)
            await wait(lambda gone=gone: any(r.value is None for r in got[gone:]), "not good")
    finally:
        if poller is not None:
            await poller.stop()
            await polling
        with contextlib.suppress(FileNotFoundError):
            os.unlink(link)
    assert {r.value for r in got} == {1111.0, None}


async def test_a_line_where_nothing_is_wired_gives_no_value() -> None:
    here, there = pty.openpty()
    tty.setraw(there)
    try:
        bus = Bus(Address(kind="rtu", path=os.ttyname(there), baud=115200, parity="none"),
                  SystemClock())
        with pytest.raises(DeviceError):
            await bus.read(ASK, 50)
        await bus.close()
    finally:
        os.close(here)
        os.close(there)


async def test_a_line_that_echoes_our_own_requests_alone_gives_no_value() -> None:
    peer = a_peer()
    del peer.units[1]
    here, there = pty.openpty()
    tty.setraw(here)
    tty.setraw(there)
    loop = asyncio.get_running_loop()
    loop.add_reader(here, lambda: os.write(here, os.read(here, 4096)))
    bus = Bus(Address(kind="rtu", path=os.ttyname(there), baud=115200, parity="none"),
              SystemClock())
    try:
        for _ in range(3):
            with pytest.raises(DeviceError):
                await bus.read(ASK, 50)
    finally:
        await bus.close()
        loop.remove_reader(here)
        os.close(here)
        os.close(there)


async def test_replies_that_are_always_one_question_late_are_never_taken() -> None:
    peer = a_peer()
    peer.units[1].holding.update({100 + n: n for n in range(50)})
    peer.always = late(0.07)
    async with a_bus(peer) as bus:
        for n in range(12):
            ask = ReadRequest(unit=1, table="holding-registers", address=100 + n, count=1)
            with contextlib.suppress(DeviceError):
                assert (await bus.read(ask, 50)).values == (n,)
