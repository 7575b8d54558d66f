"""Polls a second, and CPU time for each, of 40 points: beside a bare pymodbus loop in the same run.

``python -m tests.benchmarks.bench_poll`` serves 40 registers from a process of its own, reads them
as fast as they come, first with a bare pymodbus client (no check, no decoding), then through the
sources as the daemon uses them (plan, guard, validation, decoding, readings). Both are run several
times in turn and the best of each counts, since another program on the machine only ever slows.

:func:`measure` takes the sink, so that the way through to the disk can be measured the same way.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import random
import resource
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection

from pymodbus.client import AsyncModbusTcpClient

from collector.clock import SystemClock
from collector.domain.readings import Reading
from collector.sources import Address, DeviceSettings, PointSettings
from collector.sources.poller import Poller

__all__ = ["POINTS", "Figure", "bare", "device_at", "measure", "serve_in_process", "timed"]

POINTS = 40


@dataclass(frozen=True, kw_only=True)
class Figure:
    """Polls a second and CPU microseconds of this process for one poll."""

    polls: float
    cpu: float


def _serve(pipe: Connection) -> None:
    from tests.sources.peer import Peer
    from tests.wire import WireRegistry

    async def run() -> None:
        peer = Peer(registry=WireRegistry())
        peer.units[1].registers.update({n: 100 + n for n in range(POINTS)})
        async with peer.tcp() as port:
            pipe.send(port)
            await asyncio.get_running_loop().run_in_executor(None, pipe.recv)

    asyncio.run(run())


class serve_in_process:  # noqa: N801 -- used as a function
    """``with serve_in_process() as port:`` 40 input registers of unit 1 on loopback."""

    def __enter__(self) -> int:
        context = multiprocessing.get_context("spawn")
        self._pipe, far = context.Pipe()
        self._process = context.Process(target=_serve, args=(far,), daemon=True)
        self._process.start()
        port: int = self._pipe.recv()
        return port

    def __exit__(self, *_: object) -> None:
        self._pipe.send(None)
        self._process.join(5)


def device_at(port: int) -> DeviceSettings:
    """40 scaled points in one request."""
    points = tuple(
        PointSettings(point=f"gen1.q{n}", table="input-registers", address=n, type="int16",
                      scale=0.1, invalid=(32767.0,), low=-5.0, high=200.0)
        for n in range(POINTS)
    )
    return DeviceSettings(
        id="bench", name="bench", unit=1, every=1000, points=points,
        address=Address(kind="tcp", host="127.0.0.1", port=port),
    )


async def timed(poll: Callable[[], Awaitable[object]], seconds: float) -> Figure:
    """Await ``poll`` again and again for ``seconds``."""
    for _ in range(20):
        await poll()
    count = 0
    cpu, began = _cpu(), time.perf_counter()
    while (now := time.perf_counter()) - began < seconds:
        await poll()
        count += 1
    return Figure(polls=count / (now - began), cpu=(_cpu() - cpu) / count * 1e6)


def _cpu() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


async def bare(port: int, seconds: float) -> Figure:
    """Time a bare pymodbus client reading the 40 registers."""
    client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0)
    await client.connect()
    try:
        return await timed(
            lambda: client.read_input_registers(0, count=POINTS, device_id=1), seconds
        )
    finally:
        client.close()


async def measure(
    port: int, seconds: float, sink: Callable[[Sequence[Reading]], object]
) -> Figure:
    """Time polls of the 40 points handed to ``sink``; a sink that returns an awaitable is awaited.

    The grid is left out: what is measured is how fast polls can follow each other.
    """
    poller = Poller([device_at(port)], clock=SystemClock(), sink=lambda _: None,
                    rng=random.Random(1))

    async def poll() -> None:
        readings = await poller.ask_once("bench")
        result = sink(readings)
        if isinstance(result, Awaitable):
            await result

    try:
        return await timed(poll, seconds)
    finally:
        await poller.stop()


def run(rounds: int = 5, seconds: float = 1.0) -> dict[str, Figure]:
    """Return the best round of each."""
    bares, ours = [], []
    got = 0

    def count(readings: Sequence[Reading]) -> None:
        nonlocal got
        got += sum(r.value is not None for r in readings)

    with serve_in_process() as port:
        for _ in range(rounds):
            bares.append(asyncio.run(bare(port, seconds)))
            ours.append(asyncio.run(measure(port, seconds, count)))
    assert got, "nothing was read"
    return {
        "bare pymodbus loop": max(bares, key=lambda f: f.polls),
        "sources, 40 readings": max(ours, key=lambda f: f.polls),
    }


def main() -> None:
    """Print the figures and their ratio to the baseline."""
    figures = run()
    base = figures["bare pymodbus loop"]
    head = f"{POINTS} registers, one request"
    print(f"{head:32}{'polls/s':>10}{'ratio':>8}{'CPU us/poll':>14}{'ratio':>8}")
    for name, figure in figures.items():
        print(f"{name:32}{figure.polls:10.0f}{figure.polls / base.polls:8.2f}"
              f"{figure.cpu:14.0f}{figure.cpu / base.cpu:8.2f}")


if __name__ == "__main__":
    main()
