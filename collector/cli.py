"""The console command: runs a sub-command, and prints every error as a sentence."""

from __future__ import annotations

import argparse
import importlib
import inspect
import os
import sys
import traceback
from collections.abc import Callable, Sequence

from collector import __version__
from collector.domain.errors import QuietpipeError, SiteFileError, UsageError

COMMANDS = {
    "demo": "show everything at work on the bundled plant, with time sped up",
    "commission": "from an unknown controller to a site file: find, match, prove, sign",
    "run": "monitor a site until stopped",
    "check": "read a site file, report every mistake, poll each device once",
    "replay": "feed recorded readings through the same rules; print the events",
    "export": "write readings or events from the journal",
    "report": "the review of a period, as a page and as PDF: what to do next, and the data",
    "archive": "write a site's readings and events into the archive of a fleet",
    "rerun": "run the rules again over the archive of a fleet, perhaps with a change",
    "survey": "pipe volumes, fill and purge times, and what the site file leaves out",
    "acceptance": "guide through the acceptance tests, timed from live readings; sign, verify",
    "people": "the board's accounts, with roles and passwords",
    "hub": "the fleet end: many sites from a broker, and a board for those who look after them",
    "backup": "copy the data of a site or hub while it runs; or restore a copy",
    "dashboards": "write the Grafana dashboards of a site, or those for every site",
    "explain": "the page of a condition or a quantity: what it means, what to check first",
}
"""Every sub-command with its line of help."""

_MODULES = {
    "demo": "run", "replay": "recordings", "export": "recordings", "report": "documents",
    "survey": "documents", "explain": "documents", "archive": "fleet", "rerun": "fleet",
    "hub": "fleet", "people": "upkeep", "backup": "upkeep",
}
"""Module of ``collector.commands`` that holds a command, where it is not the command's name."""

_EPILOG = """\
start here:
  quietpipe demo                     see it work, with no device at hand
  quietpipe commission SITE.toml     describe a site, find its devices and registers
  quietpipe check SITE.toml          is the site file right, do the devices answer?
  quietpipe run SITE.toml            monitor the site

For maintenance monitoring only; it only reads. It is not a fire-alarm system and replaces none.
"""


def _parser() -> argparse.ArgumentParser:
    lines = "\n".join(f"  {name:<10} {line}" for name, line in COMMANDS.items())
    parser = argparse.ArgumentParser(
        prog="quietpipe",
        description="Monitors nitrogen generators and purge vents on dry-pipe and preaction "
                    "sprinkler systems.\n\ncommands:\n" + lines,
        epilog=_EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter,
        usage="quietpipe COMMAND [options]   (quietpipe COMMAND --help for one command)",
    )
    parser.add_argument("--version", action="version", version=f"quietpipe {__version__}")
    parser.add_argument("command", metavar="COMMAND", choices=list(COMMANDS), help="what to do")
    return parser


def command(name: str) -> tuple[Callable[[argparse.ArgumentParser], None],
                                Callable[[argparse.Namespace], int]]:
    """Import a command; return what adds its options, and what runs it and documents it."""
    module = importlib.import_module(f"collector.commands.{_MODULES.get(name, name)}")
    return getattr(module, f"{name}_arguments"), getattr(module, f"run_{name}")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; return its exit status. 2 means the call or the site file is wrong."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    chosen = _parser().parse_args(arguments[:1] or ["--help"]).command
    # Only the chosen command is imported: --help stays quick, the daemon stays light.
    add_arguments, run = command(chosen)
    parser = argparse.ArgumentParser(
        prog=f"quietpipe {chosen}", description=inspect.getdoc(run),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    add_arguments(parser)
    options = parser.parse_args(arguments[1:])
    try:
        return run(options)
    except SiteFileError as error:
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        print(f"{len(error.mistakes)} mistake(s); nothing was started.", file=sys.stderr)
        return 2
    except QuietpipeError as error:
        print(f"quietpipe {chosen}: {error}", file=sys.stderr)
        return 2 if isinstance(error, UsageError) else 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output went away (head, less): not worth a word, and Python must not
        # complain either when it flushes at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    except Exception as error:  # noqa: BLE001 - the last line of defence before a person's eyes
        if os.environ.get("QUIETPIPE_TRACEBACK"):
            traceback.print_exc()
        print(
            f"quietpipe {chosen}: a fault of this program: {type(error).__name__}: {error}\n"
            "Set QUIETPIPE_TRACEBACK=1 and run it again to see where.", file=sys.stderr,
        )
        return 70


if __name__ == "__main__":
    sys.exit(main())
