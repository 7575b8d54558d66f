"""Lines to one server: off the event loop, split where they must be, the bad ones set aside."""

from __future__ import annotations

import asyncio
import json
import logging
import os
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from collector.clock import Clock, format_instant
from collector.domain.errors import DeliveryUnreachable, LinesRefused
from collector.domain.events import FactNoted
from collector.forward.influx.endpoints import ServerFault, Wire
from collector.forward.influx.points import Aside
from collector.forward.remote_endpoint import ForwardStatistics, Patience
from collector.threads import in_thread

__all__ = ["AsideFile", "Outcome", "Sending", "Stopped", "deliver"]


_LARGEST = 1_000_000


class AsideFile:
    """A file of JSON lines, with one older file beside it: a bound on what a bad point may fill."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __repr__(self) -> str:
        return f"AsideFile({self.path})"

    def add(self, points: Sequence[Aside], now: int) -> None:
        """Keep points. Raises ``OSError`` when the file cannot be written."""
        if self.path.exists() and self.path.stat().st_size > _LARGEST:
            os.replace(self.path, self.path.with_name(self.path.name + ".old"))
        with self.path.open("a", encoding="utf-8") as out:
            for point in points:
                out.write(json.dumps({"time": format_instant(now), "why": point.why,
                                      "line": point.line}, ensure_ascii=False) + "\n")



_SEARCH = 200
"""Requests spent on finding bad lines, where the server keeps the good ones by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a batch: lines ``taken``, those that lie ``too_old``, those set ``aside``."""

    taken: int
    too_old: int
    aside: tuple[Aside, ...]


async def deliver(
    write: Callable[[Sequence[str]], Awaitable[None]], lines: Sequence[str], *,
    doubted: bool = False,
) -> Outcome:
    """Write ``lines``; what the server refuses is found and set aside, the rest is delivered.

    ``doubted`` takes a server that breaks on them for one that refuses them, as long as it takes
    others of the same batch. Raises what ``write`` raises but ``LinesRefused``: then nothing is
    known, and the whole batch may be written again.
    """
    refusals = (LinesRefused, ServerFault) if doubted else (LinesRefused,)
    aside: list[Aside] = []
    too_old, requests, anything = 0, 0, False
    waiting = [lines]
    while waiting:
        part = waiting.pop()
        requests += 1
        try:
            await write(part)
            anything = True
        except refusals as exc:
            refused = exc if isinstance(exc, LinesRefused) else None
            if refused is not None and refused.too_old and refused.rest_taken:
                too_old += refused_count(str(exc), len(part))
            elif refused is None and not anything and len(part) == 1 and (aside or not waiting):
                raise  # it breaks on one after the other: that is no fault of theirs
            elif len(part) == 1 or (refused is not None and refused.rest_taken
                                    and requests > _SEARCH):
                # Lines nobody looked for one by one: what was right among them is at the far end.
                aside += [Aside(line=line, why=str(exc)) for line in part]
            else:
                middle = len(part) // 2
                waiting += [part[middle:], part[:middle]]
    return Outcome(taken=len(lines) - len(aside) - too_old, too_old=too_old, aside=tuple(aside))


def refused_count(text: str, most: int) -> int:
    """Return the number in ``dropped=3`` of a server's answer, ``most`` where it says none."""
    digits = text.rpartition("dropped=")[2]
    number = digits[:len(digits) - len(digits.lstrip("0123456789"))]
    return min(int(number), most) if number else most


TARGET = "InfluxDB"

SET_ASIDE = "forwarding-set-aside"

_ASIDE_EVERY = 600_000
"""ms between two facts of points set aside: such a fact may itself be one that is refused."""

_log = logging.getLogger(__name__)


class Stopped(Exception):  # noqa: N818 - not an error: what is on the wire is left there
    """The stop did not wait for the far end."""


class Sending:
    """One server and what it has taken. ``expired`` leaves what is on the wire there."""

    def __init__(
        self, *, site: str, clock: Clock, note: Callable[[FactNoted], object], aside: AsideFile,
        patience: Patience,
    ) -> None:
        self._site, self._clock, self._note, self._file = site, clock, note, aside
        self._patience = patience
        self._make: Callable[[], Wire] | None = None
        self._wire: Wire | None = None
        self._untold: list[Aside] = []
        self._untold_count = 0
        self._told_at = -_ASIDE_EVERY
        self.so_far = ForwardStatistics(target=TARGET)
        self.expired = asyncio.Event()

    def __repr__(self) -> str:
        return f"Sending({self._wire or 'not connected'})"

    def use(self, make: Callable[[], Wire] | None) -> None:
        """Go on with another server; ``make`` is called in a thread, when something is sent."""
        if self._wire is not None:
            self._wire.close()
        self._make, self._wire = make, None

    async def send(self, lines: Sequence[str], *, doubted: bool) -> None:
        """Deliver ``lines``. Raises ``DeliveryError`` or :class:`Stopped`."""
        outcome = await deliver(self._write, lines, doubted=doubted)
        self.add(sent=outcome.taken, too_old=outcome.too_old)
        self.so_far = replace(self.so_far, last_sent=self._clock.now())
        await self.set_aside(outcome.aside)

    async def _write(self, lines: Sequence[str]) -> None:
        body = "\n".join(lines).encode()
        sending = asyncio.ensure_future(in_thread(lambda: self._blocking(body)))
        expired = asyncio.ensure_future(self.expired.wait())
        try:
            await asyncio.wait({sending, expired}, timeout=self._patience.deadline,
                               return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                if self.expired.is_set():
                    raise Stopped
                self._wire = None  # the thread keeps the old one to itself
                raise DeliveryUnreachable(f"no end within {self._patience.deadline:g} s")
            await sending
        finally:
            sending.cancel()
            expired.cancel()

    def _blocking(self, body: bytes) -> None:
        if self._wire is None:
            assert self._make is not None
            self._wire = self._make()
        self._wire.write(body)

    async def set_aside(self, points: Sequence[Aside]) -> None:
        """Keep points that will not be delivered; :meth:`tell` says so."""
        if not points:
            return
        _log.error("points were set aside", extra={"points": len(points), "reason": points[0].why})
        self.add(aside=len(points))
        self._untold_count += len(points)
        self._untold = [points[-1]]
        try:
            await asyncio.to_thread(self._file.add, points, self._clock.now())
        except OSError as exc:
            _log.error("the points set aside could not be kept", extra={"reason": str(exc)})

    def tell(self) -> None:
        """Note how many points were set aside since the last time, at once or a while later."""
        moment = self._clock.monotonic()
        if not self._untold or moment - self._told_at < _ASIDE_EVERY:
            return
        count, last, self._told_at = self._untold_count, self._untold[-1], moment
        self._untold, self._untold_count = [], 0
        points = "1 point" if count == 1 else f"{count} points"
        self._note(FactNoted(
            time=self._clock.now(), site=self._site, fact=SET_ASIDE,
            text=f"{points} could not be delivered to {TARGET} and will not be tried again. "
                 f"The last one: {last.why}",
            values={"target": TARGET, "points": count},
        ))

    def add(self, **more: int) -> None:
        """Add to counts."""
        self.so_far = replace(self.so_far, **{
            name: getattr(self.so_far, name) + count for name, count in more.items()
        })
