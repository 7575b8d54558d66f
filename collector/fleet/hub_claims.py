"""Which hub process serves which group: locks in the shared data folder, and nothing else.

A group is served by whoever holds its lock. The operating system lets go of a lock when its process
ends, however it ends, so a killed hub's groups are free at once and the others take them over. The
shares follow from who is there: no process needs to be told of the others.
"""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from urllib.parse import quote

from collector.domain.errors import QuietpipeError

__all__ = ["Claims"]


class Claims:
    """The locks of one hub process, called ``me``.

    Raises ``QuietpipeError`` when one of that name runs already.
    """

    def __init__(self, folder: Path, me: str) -> None:
        self.me = me
        self._hubs, self._groups = folder / "hubs", folder / "groups"
        self._held: dict[str, int] = {}
        try:
            for one in (self._hubs, self._groups):
                one.mkdir(parents=True, exist_ok=True)
            mine = _lock_soon(self._hubs / me)
        except OSError as exc:
            raise QuietpipeError(f"the hub's data folder cannot be used: {exc}") from exc
        if mine is None:
            raise QuietpipeError(f'a hub called "{me}" runs already on this data folder; '
                                 "give this one another --id")
        self._mine = mine

    def __repr__(self) -> str:
        return f"Claims({self.me}, {', '.join(self._held) or 'no group'})"

    def __enter__(self) -> Claims:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def held(self) -> tuple[str, ...]:
        """The groups that are ours."""
        return tuple(self._held)

    def alive(self) -> list[str]:
        """Return the hubs that run, ourselves among them."""
        found = []
        for path in sorted(self._hubs.iterdir()):
            if path.name == self.me:
                found.append(path.name)
                continue
            free = _lock(path)
            if free is None:
                found.append(path.name)
            else:
                os.close(free)
        return found

    def share(self, groups: Sequence[str]) -> list[str]:
        """Return the groups that are ours to serve, as things stand."""
        hubs = self.alive()
        mine = hubs.index(self.me)
        return [g for n, g in enumerate(sorted(groups)) if n % len(hubs) == mine]

    def take(self, group: str) -> bool:
        """Take a group if nobody has it; return whether it is ours."""
        if group not in self._held:
            held = _lock(self._groups / quote(group, safe=""))
            if held is None:
                return False
            self._held[group] = held
        return True

    def let_go(self, group: str) -> None:
        """Leave a group to others."""
        held = self._held.pop(group, None)
        if held is not None:
            os.close(held)

    def close(self) -> None:
        """Leave everything."""
        for group in list(self._held):
            self.let_go(group)
        if self._mine >= 0:
            os.close(self._mine)
            self._mine = -1


def _lock_soon(path: Path) -> int | None:
    # Another hub that looks who is there holds the lock for a moment.
    for _ in range(20):
        held = _lock(path)
        if held is not None:
            return held
        time.sleep(0.02)
    return None


def _lock(path: Path) -> int | None:
    """Return the descriptor that holds the lock of ``path``, ``None`` when another holds it."""
    file = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(file)
        return None
    return file
