"""Share of line time used on a 19200-baud RTU bus, beside the theoretical bound.

``python -m tests.benchmarks.bench_rtu``: a device in a process of its own at the far end of a
pseudo-terminal lets every character take its 11 bits of time (Modbus over Serial Line V1.02,
section 2.5.1), and waits t3.5 before it answers, as the specification asks. The bound is what
remains for characters when each frame is followed by t3.5 and nothing else is ever waited for. A
bare pymodbus client, which keeps no silence, is shown for comparison.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import pty
import random
import select
import time
import tty
from collections.abc import Awaitable, Callable
from multiprocessing.connection import Connection

from pymodbus.client import AsyncModbusSerialClient

from collector.clock import SystemClock
from collector.sources import Address, DeviceSettings, PointSettings
from collector.sources.poller import Poller

BAUD = 19200
CHARACTER = 11 / BAUD
SILENCE = 3.5 * CHARACTER
CASES = (1, 10, 40, 125)


def _serve(pipe: Connection) -> None:
    """A paced device: characters take their time, in and out."""
    from tests.sources.peer import Unit, crc

    unit = Unit(registers=dict.fromkeys(range(125), 7))
    here, there = pty.openpty()
    tty.setraw(here)
    tty.setraw(there)
    pipe.send(os.ttyname(there))
    silence_kept = float("inf")
    last = float("-inf")  # the first question follows no reply
    while True:
        ready, _, _ = select.select([here, pipe], [], [])
        if pipe in ready:
            pipe.recv()
            pipe.send(silence_kept)
            return
        began = time.perf_counter()
        silence_kept = min(silence_kept, began - last)
        frame = os.read(here, 8)
        while len(frame) < 8:
            frame += os.read(here, 8 - len(frame))
        body = frame[:1] + unit.answer(frame[1:6])
        reply = body + crc(body)
        start = began + 8 * CHARACTER + SILENCE
        for first in range(0, len(reply), 8):  # a serial port hands over a few at a time
            part = reply[first : first + 8]
            due = start + (first + len(part)) * CHARACTER
            time.sleep(max(0.0, due - time.perf_counter()))
            last = time.perf_counter()
            os.write(here, part)


def _settings(path: str, count: int) -> DeviceSettings:
    points = tuple(
        PointSettings(point=f"gen1.q{n}", table="input-registers", address=n)
        for n in range(count)
    )
    return DeviceSettings(
        id="bench", name="bench", unit=1, every=1000, points=points,
        # A pseudo-terminal has no parity; 8N1 has 10 bits, but the pace here is that of 11.
        address=Address(kind="rtu", path=path, baud=BAUD, parity="none"),
    )


async def _share(poll: Callable[[], Awaitable[object]], count: int, seconds: float) -> float:
    await poll()
    polls, began = 0, time.perf_counter()
    while (now := time.perf_counter()) - began < seconds:
        await poll()
        polls += 1
    return polls * (8 + 5 + 2 * count) * CHARACTER / (now - began)


async def _ours(path: str, count: int, seconds: float) -> float:
    poller = Poller([_settings(path, count)], clock=SystemClock(), sink=lambda _: None,
                    rng=random.Random(1))
    try:
        return await _share(lambda: poller.ask_once("bench"), count, seconds)
    finally:
        await poller.stop()


async def _bare(path: str, count: int, seconds: float) -> float:
    client = AsyncModbusSerialClient(path, baudrate=BAUD, retries=0)
    await client.connect()
    try:
        return await _share(
            lambda: client.read_input_registers(0, count=count, device_id=1), count, seconds
        )
    finally:
        client.close()


def bound(count: int) -> float:
    """Return the share of line time left for characters, a silence after each of two frames."""
    characters = 8 + 5 + 2 * count
    return characters / (characters + 7)


def run(
    client: Callable[[str, int, float], Awaitable[float]], count: int, seconds: float = 2.0
) -> tuple[float, float]:
    """Return the share used, and the shortest silence (s) kept between a reply and a question."""
    context = multiprocessing.get_context("spawn")
    pipe, far = context.Pipe()
    process = context.Process(target=_serve, args=(far,), daemon=True)
    process.start()
    try:
        path: str = pipe.recv()

        async def go() -> float:
            return await client(path, count, seconds)

        share = asyncio.run(go())
        pipe.send(None)
        kept: float = pipe.recv()
        return share, kept
    finally:
        process.join(5)
        if process.is_alive():
            process.terminate()


def main() -> None:
    """Print the share of line time, its ratio to the bound, and the shortest silence kept."""
    print(f"{BAUD} baud, 11 bits a character; t3.5 is {SILENCE * 1e3:.2f} ms")
    print(f"{'registers':>9}{'bound':>8}{'sources':>9}{'ratio':>7}{'silence':>10}"
          f"{'bare pymodbus':>15}{'silence':>10}")
    for count in CASES:
        share, kept = run(_ours, count)
        bare, bare_kept = run(_bare, count)
        most = bound(count)
        print(f"{count:9}{most:8.1%}{share:9.1%}{share / most:7.2f}{kept * 1e3:7.2f} ms"
              f"{bare:15.1%}{bare_kept * 1e3:7.2f} ms")


if __name__ == "__main__":
    main()
