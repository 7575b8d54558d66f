"""The fleet end: many sites from a broker, their alarms, and a board for a firm's customers.

Several hubs may share one data folder; each serves its share of the groups, and the others take
over the groups of one that was killed. Runs until SIGTERM or Ctrl-C. Accounts are made with
quietpipe people; the hub's file states which sites each may see.

Example:
  quietpipe people hub.toml add "K. Marsh" --role look
  quietpipe hub hub.toml
  quietpipe hub hub.toml --id second --listen 127.0.0.1:8701

"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from pathlib import Path

from collector.clock import SystemClock
from collector.config.field_types import host_and_port
from collector.config.units import QuantityError
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import UsageError
from collector.fleet import load_hub
from collector.fleet.hub import Hub
from collector.logs import configure_logs

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("hub", type=Path, metavar="HUB.toml", help="the hub's file")
    parser.add_argument("--id", default="hub", metavar="NAME", dest="me",
                        help="name of this process among those of one data folder (default: hub)")
    parser.add_argument("--listen", metavar="HOST:PORT",
                        help="address of its board (default: that of the hub's file)")
    parser.add_argument("--log-level", default="info",
                        choices=["debug", "info", "warning", "error"], help="default: info")


def run(options: argparse.Namespace) -> int:
    """Run the hub; return the exit status."""
    if not options.me.replace("-", "").replace("_", "").isalnum():
        raise UsageError("an --id has letters, digits, - and _")
    listen = None
    if options.listen is not None:
        try:
            listen = host_and_port(options.listen)
        except QuantityError as error:
            raise UsageError(f"--listen: {error.problem}; expected {error.expected}") from error
    settings = load_hub(options.hub)
    configure_logs(level=options.log_level)
    print(CAUTIONS["not-a-fire-alarm"], file=sys.stderr)
    return asyncio.run(_run(Hub(settings, me=options.me, clock=SystemClock(), listen=listen)))


async def _run(hub: Hub) -> int:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, hub.stop)
    await hub.run(lambda address: print(address, flush=True))
    return 0
