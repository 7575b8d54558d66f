"""The watch in a process of its own, under a clock that runs as fast as the plant's."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from collector.clock import ScaledClock
from collector.commands.run import stop_on_signals
from collector.daemon import Daemon
from collector.logs import configure_logs


async def watch(site: Path, origin: int, speed: float, started: int) -> None:
    clock = ScaledClock(origin=origin, speed=speed, started=started)
    daemon = Daemon(site, clock=clock)
    stop_on_signals(daemon)
    await daemon.run(on_ready=lambda: print("ready", flush=True))


if __name__ == "__main__":
    configure_logs(level="info")
    asyncio.run(watch(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])))
