"""Monitor a site: poll its devices, evaluate, journal, notify people, serve the board.

Runs until SIGTERM or Ctrl-C, and then stops within five seconds with nothing lost. SIGHUP reads the
site file again; one with mistakes is refused, with each of them in the log, and the old one stays.

For maintenance monitoring only; it only reads. It is not a fire-alarm system and replaces none.

Example:
  quietpipe check fenmoor.toml
  quietpipe run fenmoor.toml

"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from pathlib import Path

from collector.clock import SystemClock
from collector.daemon import Daemon
from collector.domain.conditions import CAUTIONS
from collector.logs import configure_logs

__all__ = ["add_arguments", "quiet_logs", "run", "stop_on_signals"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--log-level", default="info",
                        choices=["debug", "info", "warning", "error"], help="default: info")


def run(options: argparse.Namespace) -> int:
    """Run the daemon; return the exit status."""
    configure_logs(level=options.log_level)
    for text in CAUTIONS.values():
        print(text, file=sys.stderr)
    return asyncio.run(_run(options.site))


async def _run(site: Path) -> int:
    daemon = Daemon(site, clock=SystemClock())
    stop_on_signals(daemon)
    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, daemon.reload_soon)
    await daemon.run()
    return 0


def stop_on_signals(daemon: Daemon) -> None:
    """Let SIGTERM and SIGINT stop ``daemon`` in order."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)


def quiet_logs() -> None:
    """Keep the log to warnings: for commands that print events themselves."""
    configure_logs(level="warning")
