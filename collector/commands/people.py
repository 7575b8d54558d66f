"""Manage the board's accounts: add one, change its role or password, remove it.

There is no default password: the first account is made here. The daemon may run meanwhile; a change
takes effect at once. Roles: look reads; respond also acknowledges, shelves and declares fills;
manage also takes alarms out of service and resets baselines.

Example:
  quietpipe people fenmoor.toml add "J. Whitlock" --role manage
  quietpipe people fenmoor.toml list
  quietpipe people fenmoor.toml password "J. Whitlock"

"""

from __future__ import annotations

import argparse
import getpass
import sys
from pathlib import Path

from collector.clock import SystemClock, format_instant
from collector.commands.shared_options import data_folder
from collector.domain.errors import UsageError
from collector.people import PEOPLE, Accounts, Role

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml",
                        help="the site file, or a hub's file")
    parser.add_argument("action", metavar="ACTION", choices=list(_ACTIONS),
                        help="what to do: " + ", ".join(_ACTIONS))
    parser.add_argument("name", metavar="NAME", nargs="?", default="",
                        help="the person's name; not for list")
    parser.add_argument("--role", choices=[r.value for r in Role],
                        help="what an account may do: for add and role")
    parser.add_argument("--password-file", type=Path, metavar="FILE",
                        help="read the password from its first line; without it you are asked")


def run(options: argparse.Namespace) -> int:
    """Change the accounts; return the exit status."""
    if options.action != "list" and not options.name:
        raise UsageError(f"{options.action} needs a NAME")
    if options.action in ("add", "role") and options.role is None:
        raise UsageError(f"{options.action} needs a --role: {', '.join(Role)}")
    accounts = Accounts(data_folder(options.site) / PEOPLE)
    try:
        _ACTIONS[options.action](accounts, options)
    finally:
        accounts.close()
    return 0


def _list(accounts: Accounts, options: argparse.Namespace) -> None:
    for one in accounts.people():
        seen = "never" if one.seen is None else format_instant(one.seen)
        print(one.name, one.role, format_instant(one.created), seen, sep="\t")


def _add(accounts: Accounts, options: argparse.Namespace) -> None:
    accounts.add(options.name, Role(options.role), _password(options), SystemClock().now())
    print(f"{options.name} may sign in, role {options.role}.", file=sys.stderr)


def _role(accounts: Accounts, options: argparse.Namespace) -> None:
    accounts.set_role(options.name, Role(options.role), SystemClock().now())
    print(f"{options.name} has the role {options.role}.", file=sys.stderr)


def _new_password(accounts: Accounts, options: argparse.Namespace) -> None:
    accounts.set_password(options.name, _password(options), SystemClock().now())
    print(f"{options.name} has a new password; all their sessions have ended.", file=sys.stderr)


def _remove(accounts: Accounts, options: argparse.Namespace) -> None:
    accounts.remove(options.name)
    print(f"{options.name} is removed; every session has ended.", file=sys.stderr)


_ACTIONS = {"list": _list, "add": _add, "role": _role, "password": _new_password, "remove": _remove}


def _password(options: argparse.Namespace) -> str:
    if options.password_file is not None:
        try:
            text: str = options.password_file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise UsageError(f"the password file cannot be read: {error}") from error
        return text.split("\n", 1)[0].rstrip("\r")
    if not sys.stdin.isatty():
        raise UsageError("there is no terminal to ask for the password on; use --password-file")
    first = getpass.getpass(f"Password for {options.name}: ")
    if getpass.getpass("Once more: ") != first:
        raise UsageError("the two differ; nothing was changed")
    return first
