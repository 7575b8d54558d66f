"""Commands for accounts and data: people, backup."""

from __future__ import annotations

import argparse
import getpass
import hashlib
import json
import os
import shutil
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path

from collector import __version__
from collector.clock import SystemClock, format_instant
from collector.commands import data_folder
from collector.domain.errors import QuietpipeError, UsageError
from collector.files import private_folder, write_whole
from collector.journal import Journal
from collector.people import PEOPLE, Accounts, Role


def people_arguments(parser: argparse.ArgumentParser) -> None:
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


def run_people(options: argparse.Namespace) -> int:
    """Manage the board's accounts: add one, change its role or password, remove it.

    There is no default password: the first account is made here. The daemon may run meanwhile; a
    change takes effect at once. Roles: look reads; respond also acknowledges, shelves and declares
    fills; manage also takes alarms out of service and resets baselines.

    Example:
      quietpipe people fenmoor.toml add "J. Whitlock" --role manage
      quietpipe people fenmoor.toml list
      quietpipe people fenmoor.toml password "J. Whitlock"

    """
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


def backup_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml",
                        help="the site file, or a hub's file")
    parser.add_argument("copy", type=Path, metavar="FOLDER", help="a folder for this copy alone")
    parser.add_argument("--restore", action="store_true",
                        help="restore the copy; the data folder must be empty or missing")


def run_backup(options: argparse.Namespace) -> int:
    """Copy the data folder of a site or a hub while it runs; or restore such a copy.

    The copy is a folder: the journal at one moment, accounts, keys, records, and a list of
    checksums. Keep it elsewhere, and as safe as the original. To restore it, stop the service,
    rename the data folder, run this with --restore, and start the service again.

    Example:
      quietpipe backup fenmoor.toml /mnt/backup/fenmoor-2026-03-01
      quietpipe backup fenmoor.toml /mnt/backup/fenmoor-2026-03-01 --restore

    """
    data = data_folder(options.site)
    kept = restore(data, options.copy) if options.restore \
        else back_up(data, options.copy, SystemClock().now())
    for one in kept:
        print(one.name, one.bytes, sep="\t")
    where = data if options.restore else options.copy
    print(f"{len(kept)} files, {sum(k.bytes for k in kept)} bytes, in {where}", file=sys.stderr)
    return 0


LIST = "backup.json"
JOURNAL = "journal.sqlite"
_PASSING = ("-wal", "-shm", "-journal", ".part", ".lock")
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """One file of a copy: its path within the folder, its size and its checksum."""

    name: str
    bytes: int
    sha256: str


def back_up(data: Path, to: Path, now: int) -> list[Kept]:
    """Copy the data folder ``data`` to the new folder ``to``; return the files copied.

    Raises ``UsageError`` when there is nothing to copy, or something at ``to``; ``QuietpipeError``
    when it cannot be done.
    """
    if not data.is_dir():
        raise UsageError(f"there is no data folder at {data} yet")
    if to.resolve().is_relative_to(data.resolve()):
        raise UsageError(f"{to} lies in the data folder itself")
    _empty(to, "a copy goes into a folder of its own")
    try:
        to.mkdir(parents=True, exist_ok=True, mode=0o700)  # it holds accounts and keys
        kept = [_kept(to, name) for name in _copied(data, to)]
        listed = {"made": format_instant(now), "version": __version__,
                  "files": [asdict(k) for k in kept]}
        write_whole(to / LIST, json.dumps(listed, indent=1) + "\n")
    except (OSError, sqlite3.Error) as exc:
        raise QuietpipeError(f"the copy could not be made: {exc}") from exc
    return kept


def restore(data: Path, source: Path) -> list[Kept]:
    """Put the copy at ``source`` back as the data folder ``data``; return the files restored.

    Raises ``UsageError`` when ``source`` is no whole copy or ``data`` holds something.
    """
    kept = _listed(source)
    _empty(data, "a copy is only put back where nothing is; move what is there aside first")
    try:
        for one in kept:
            _same(source, one)
        private_folder(data)
        for one in kept:
            target = data / one.name
            target.parent.mkdir(parents=True, exist_ok=True)
            os.close(os.open(target, os.O_CREAT | os.O_WRONLY, 0o600))
            shutil.copyfile(source / one.name, target)
            shutil.copymode(source / one.name, target)
            _on_disk(target)
    except OSError as exc:
        raise QuietpipeError(f"the copy could not be put back: {exc}") from exc
    if (data / JOURNAL).exists():
        Journal.open(data / JOURNAL).close()  # says now, and not at the next start, what is wrong
    return kept


def _copied(data: Path, to: Path) -> Iterator[str]:
    for path in sorted(data.rglob("*")):
        name = path.relative_to(data).as_posix()
        if path.is_symlink() or not path.is_file() or name.endswith(_PASSING):
            continue
        target = to / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if name == JOURNAL:
            with Journal.open(path, read_only=True) as journal:
                journal.backup(target)
        elif path.suffix == ".sqlite":
            _copy_database(path, target)
        else:
            shutil.copyfile(path, target)
        shutil.copymode(path, target)
        _on_disk(target)
        yield name


def _copy_database(path: Path, target: Path) -> None:
    uri = f"{path.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(uri, uri=True, timeout=10)) as source, \
            closing(sqlite3.connect(target)) as copy:
        source.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself


def _kept(folder: Path, name: str) -> Kept:
    path, whole = folder / name, hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            whole.update(block)
    return Kept(name=name, bytes=path.stat().st_size, sha256=whole.hexdigest())


def _same(folder: Path, one: Kept) -> None:
    if not (folder / one.name).is_file() or _kept(folder, one.name) != one:
        raise UsageError(f"{folder / one.name} is not what was kept: the copy is damaged")


def _listed(source: Path) -> list[Kept]:
    try:
        listed = json.loads((source / LIST).read_text(encoding="utf-8"))
        kept = [Kept(**one) for one in listed["files"]]
    except (OSError, ValueError, KeyError, TypeError) as exc:
        raise UsageError(f"{source} is no whole copy: it has no {LIST} that can be read") from exc
    for one in kept:
        if not (source / one.name).resolve().is_relative_to(source.resolve()):
            raise UsageError(f"{source / LIST} names a file outside the copy")
    return kept


def _empty(folder: Path, why: str) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} is not empty: {why}")


def _on_disk(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())
