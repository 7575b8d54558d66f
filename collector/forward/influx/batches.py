"""Batches of lines to one server: sent in a thread, split to find the lines it refuses."""

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
from collector.domain.events import SystemEvent
from collector.domain.statistics import ForwardStatistics
from collector.domain.units import MINUTE
from collector.forward.influx.endpoints import Endpoint, ServerFault
from collector.forward.influx.points import DeadLetter
from collector.forward.remote_endpoint import RetryPolicy
from collector.threads import in_thread

__all__ = ["BatchSender", "DeadLetterFile", "Outcome", "Stopped", "deliver"]


_LARGEST = 1_000_000


class DeadLetterFile:
    """Points that cannot be delivered, as JSON lines; one older file is kept beside it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __repr__(self) -> str:
        return f"DeadLetterFile({self.path})"

    def add(self, points: Sequence[DeadLetter], now: int) -> None:
        """Append points. Raises ``OSError`` when the file cannot be written."""
        if self.path.exists() and self.path.stat().st_size > _LARGEST:
            os.replace(self.path, self.path.with_name(self.path.name + ".old"))
        with self.path.open("a", encoding="utf-8") as out:
            for point in points:
                out.write(json.dumps({"time": format_instant(now), "why": point.why,
                                      "line": point.line}, ensure_ascii=False) + "\n")



_SEARCH = 200
"""Requests spent to find refused lines on a server that keeps the others of a batch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The outcome of a batch: number of lines accepted, number too old, and the dead letters."""

    accepted: int
    too_old: int
    dead_letters: tuple[DeadLetter, ...]


async def deliver(
    write: Callable[[Sequence[str]], Awaitable[None]], lines: Sequence[str], *,
    doubted: bool = False,
) -> Outcome:
    """Write ``lines``; find those the server refuses, and deliver the rest.

    With ``doubted`` a server that fails on lines counts as refusing them, as long as it accepts
    others of the batch. Raises what ``write`` raises but ``LinesRefused``; the whole batch may
    then be written again.
    """
    refused_by = (LinesRefused, ServerFault) if doubted else (LinesRefused,)
    dead: list[DeadLetter] = []
    too_old, requests, anything = 0, 0, False
    waiting = [lines]
    while waiting:
        part = waiting.pop()
        requests += 1
        try:
            await write(part)
            anything = True
        except refused_by as exc:
            refused = exc if isinstance(exc, LinesRefused) else None
            if refused is not None and refused.too_old and refused.rest_taken:
                too_old += refused_count(str(exc), len(part))
            elif refused is None and not anything and len(part) == 1 and (dead or not waiting):
                raise  # it fails on one after the other: the lines are not the reason
            elif len(part) == 1 or (refused is not None and refused.rest_taken
                                    and requests > _SEARCH):
                # Not searched line by line: the server has kept the good lines of this part.
                dead += [DeadLetter(line=line, why=str(exc)) for line in part]
            else:
                middle = len(part) // 2
                waiting += [part[middle:], part[:middle]]
    return Outcome(accepted=len(lines) - len(dead) - too_old, too_old=too_old,
                   dead_letters=tuple(dead))


def refused_count(text: str, most: int) -> int:
    """Return the number in ``dropped=3`` of a server's answer, or ``most`` where it has none."""
    digits = text.rpartition("dropped=")[2]
    number = digits[:len(digits) - len(digits.lstrip("0123456789"))]
    return min(int(number), most) if number else most


TARGET = "InfluxDB"

DEAD_LETTERS = "forwarding-set-aside"

_REPORT_EVERY = 10 * MINUTE
"""ms between two events about dead letters: such an event may itself be one."""

_log = logging.getLogger(__name__)


class Stopped(Exception):  # noqa: N818 - not an error: the request under way is abandoned
    """The stop did not wait for the server."""


class BatchSender:
    """Sends batches to one server. Setting ``expired`` abandons a request under way."""

    def __init__(
        self, *, site: str, clock: Clock, record_event: Callable[[SystemEvent], object],
        dead_letters: DeadLetterFile,
        retry: RetryPolicy,
    ) -> None:
        self._site, self._clock, self._record_event = site, clock, record_event
        self._file = dead_letters
        self._retry = retry
        self._make: Callable[[], Endpoint] | None = None
        self._endpoint: Endpoint | None = None
        self._unreported: list[DeadLetter] = []
        self._unreported_count = 0
        self._reported_at = -_REPORT_EVERY
        self.so_far = ForwardStatistics(target=TARGET)
        self.expired = asyncio.Event()

    def __repr__(self) -> str:
        return f"BatchSender({self._endpoint or 'not connected'})"

    def use(self, make: Callable[[], Endpoint] | None) -> None:
        """Continue with another server; ``make`` is called in a thread, with the next batch."""
        if self._endpoint is not None:
            self._endpoint.close()
        self._make, self._endpoint = make, None

    async def send(self, lines: Sequence[str], *, doubted: bool) -> None:
        """Deliver ``lines``. Raises ``DeliveryError`` or :class:`Stopped`."""
        outcome = await deliver(self._write, lines, doubted=doubted)
        self.add(sent=outcome.accepted, too_old=outcome.too_old)
        self.so_far = replace(self.so_far, last_sent=self._clock.now())
        await self.add_dead_letters(outcome.dead_letters)

    async def _write(self, lines: Sequence[str]) -> None:
        body = "\n".join(lines).encode()
        sending = asyncio.ensure_future(in_thread(lambda: self._blocking(body)))
        expired = asyncio.ensure_future(self.expired.wait())
        try:
            await asyncio.wait({sending, expired}, timeout=self._retry.deadline,
                               return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                if self.expired.is_set():
                    raise Stopped
                self._endpoint = None  # the thread keeps the old one to itself
                raise DeliveryUnreachable(f"no end within {self._retry.deadline:g} s")
            await sending
        finally:
            sending.cancel()
            expired.cancel()

    def _blocking(self, body: bytes) -> None:
        if self._endpoint is None:
            assert self._make is not None
            self._endpoint = self._make()
        self._endpoint.write(body)

    async def add_dead_letters(self, points: Sequence[DeadLetter]) -> None:
        """Keep points that cannot be delivered; :meth:`report` records an event about them."""
        if not points:
            return
        _log.error("points kept as dead letters",
                   extra={"points": len(points), "reason": points[0].why})
        self.add(dead_letters=len(points))
        self._unreported_count += len(points)
        self._unreported = [points[-1]]
        try:
            await asyncio.to_thread(self._file.add, points, self._clock.now())
        except OSError as exc:
            _log.error("the dead letters could not be kept", extra={"reason": str(exc)})

    def report(self) -> None:
        """Record an event with the number of dead letters since the last one, every 10 min."""
        moment = self._clock.monotonic()
        if not self._unreported or moment - self._reported_at < _REPORT_EVERY:
            return
        count, last, self._reported_at = self._unreported_count, self._unreported[-1], moment
        self._unreported, self._unreported_count = [], 0
        points = "1 point" if count == 1 else f"{count} points"
        self._record_event(SystemEvent(
            time=self._clock.now(), site=self._site, fact=DEAD_LETTERS,
            text=f"{points} could not be delivered to {TARGET} and will not be tried again. "
                 f"The last one: {last.why}",
            values={"target": TARGET, "points": count},
        ))

    def add(self, **more: int) -> None:
        """Add to counts."""
        self.so_far = replace(self.so_far, **{
            name: getattr(self.so_far, name) + count for name, count in more.items()
        })
