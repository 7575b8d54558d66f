"""The only reader of time.

Every other module takes ``now`` as a parameter or is handed a :class:`Clock`.
Instants are integers: milliseconds since 1970-01-01T00:00:00Z. Integers compare exactly, survive
JSON and SQLite unchanged, and make a replay land on the same instants as the live run.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """The time functions that a loop may use."""

    def now(self) -> int:
        """Return the instant in ms since 1970 UTC; it may jump when the clock is set."""

    def monotonic(self) -> int:
        """Return ms on a scale that never jumps; only differences mean anything."""

    async def sleep(self, duration: int) -> None:
        """Return after ``duration`` ms of this clock."""


class SystemClock:
    """The machine's own clock."""

    def now(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic(self) -> int:
        return time.monotonic_ns() // 1_000_000

    async def sleep(self, duration: int) -> None:
        await asyncio.sleep(max(duration, 0) / 1000)


class ScaledClock:
    """A clock that starts at ``origin`` and runs ``speed`` times as fast as the machine's.

    ``started`` is the machine's wall clock (ms) at which ``origin`` held, so that two processes
    given the same three numbers agree on the time.
    """

    def __init__(self, *, origin: int, speed: float, started: int | None = None) -> None:
        if speed <= 0:
            raise ValueError(f"speed must be positive, got {speed}")
        self.origin = origin
        self.speed = speed
        wall = time.time_ns() // 1_000_000
        # Anchored on the monotonic clock: a demo must not jump when the machine's clock is set.
        self._anchor = time.monotonic_ns() - (wall - (wall if started is None else started)) * 10**6

    def __repr__(self) -> str:
        return f"ScaledClock(origin={format_instant(self.origin)}, speed={self.speed:g})"

    def now(self) -> int:
        return self.origin + self.monotonic()

    def monotonic(self) -> int:
        return int((time.monotonic_ns() - self._anchor) * self.speed) // 1_000_000

    async def sleep(self, duration: int) -> None:
        await asyncio.sleep(max(duration, 0) / 1000 / self.speed)


class ManualClock:
    """A clock that moves only when :meth:`advance` is called: for tests and for replay."""

    def __init__(self, start: int = 0) -> None:
        self._now = start
        self._monotonic = 0
        self._sleepers: list[tuple[int, asyncio.Future[None]]] = []

    def now(self) -> int:
        return self._now

    def monotonic(self) -> int:
        return self._monotonic

    def advance(self, duration: int) -> None:
        """Move both scales forward by ``duration`` ms and wake the sleepers whose time has come."""
        if duration < 0:
            raise ValueError("time does not run backwards; use jump() for a clock that is set")
        self._now += duration
        self._monotonic += duration
        due = [s for s in self._sleepers if s[0] <= self._monotonic]
        self._sleepers = [s for s in self._sleepers if s[0] > self._monotonic]
        for _, future in sorted(due, key=lambda s: s[0]):
            if not future.done():
                future.set_result(None)

    def jump(self, duration: int) -> None:
        """Set the wall clock by ``duration`` ms (either way) without time passing."""
        self._now += duration

    async def sleep(self, duration: int) -> None:
        """Return once the clock has been advanced by ``duration`` ms."""
        if duration <= 0:
            await asyncio.sleep(0)
            return
        future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._sleepers.append((self._monotonic + duration, future))
        await future


class RateLimiter:
    """Limits items per second. ``burst`` (ms) of unused time may be made up for.

    All instants are in ms of one scale.
    """

    def __init__(self, now: int, *, burst: int = 0) -> None:
        self._free_at, self._burst = float(now), burst

    def wait(self, now: int) -> float:
        """Return the ms until the next item is within the limit; 0 or less when it is now."""
        return self._free_at - now

    def sent(self, count: int, now: int, per_second: float) -> None:
        """Count ``count`` items at ``now``."""
        self._free_at = max(self._free_at, now - self._burst) + count * 1000 / per_second


def format_instant(instant: int) -> str:
    """Write an instant (ms) as ISO 8601 UTC; milliseconds only where there are any.

    >>> format_instant(1772323805000)
    '2026-03-01T00:10:05Z'
    >>> format_instant(1772323805250)
    '2026-03-01T00:10:05.250Z'
    """
    seconds, millis = divmod(instant, 1000)
    text = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{millis:03d}Z" if millis else f"{text}Z"


def parse_instant(text: str) -> int:
    """Read ISO 8601 with an offset or ``Z``, or seconds since 1970, as ms.

    Raises ``ValueError`` when it is neither, or has no offset.

    >>> parse_instant("2026-03-01T00:10:05Z")
    1772323805000
    >>> parse_instant("2026-03-01T01:10:05+01:00") == parse_instant("1772323805")
    True
    """
    if "_" not in text and text.isascii():
        with contextlib.suppress(ValueError, OverflowError):
            return round(float(text) * 1000)
    try:
        parsed = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"not a time: {text!r}; expected ISO 8601 such as 2026-03-01T00:10:05Z") \
            from None
    if parsed.tzinfo is None:
        raise ValueError(f"{text!r} has no offset; add Z for UTC, or +01:00")
    delta = parsed - datetime(1970, 1, 1, tzinfo=UTC)
    return (delta.days * 86400 + delta.seconds) * 1000 + round(delta.microseconds / 1000)
