"""Delays of sign-ins after failed attempts.

A failure counts for the name at that address. Each such pair that fails counts once for its name
and once for its address, so that many names from one address, and one name from many addresses,
are slowed too. That shared delay is short, and passes by a device, or an address, at which the name
has signed in before: guesses of others cannot keep a person out of the board.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from dataclasses import dataclass

from collector.domain.units import HOUR, MINUTE, SECOND

_FREE = 5
"""Failures without a wait: typing errors."""
_FIRST, _LONGEST = SECOND, MINUTE
"""ms to wait after the first failure too many, and at most. A minute for one try leaves 1440 a day:
hopeless against a password of ten characters."""
_LONGEST_SHARED = 10 * SECOND
"""ms at most where others failed: a person on a new device gets in between their attempts."""
_FORGOTTEN = HOUR
"""ms without a failure after which the count starts again."""
_KEPT = 10_000
"""Most keys kept, so that made-up names cannot fill the memory."""


@dataclass(slots=True)
class _Record:
    failures: int = 0
    last: int = 0
    reported: bool = False


class AttemptLimiter:
    """Counts failures by key. All instants are ms on a scale that never jumps."""

    def __init__(self, longest: int = _LONGEST) -> None:
        self._longest = longest
        self._records: OrderedDict[str, _Record] = OrderedDict()

    def __repr__(self) -> str:
        return f"AttemptLimiter({len(self._records)} keys)"

    def wait(self, keys: tuple[str, ...], now: int) -> int:
        """Return how long (ms) an attempt has to wait; 0 when it may be made."""
        return max((self._wait(self._records.get(key), now) for key in keys), default=0)

    def _wait(self, record: _Record | None, now: int) -> int:
        if record is None or record.failures < _FREE or now - record.last >= _FORGOTTEN:
            return 0
        pause: int = min(_FIRST << min(record.failures - _FREE, 16), self._longest)
        return max(record.last + pause - now, 0)

    def report_due(self, keys: tuple[str, ...]) -> bool:
        """Whether this run of failures is to be reported: once, not with every attempt."""
        fresh = [r for key in keys if (r := self._records.get(key)) is not None
                 and r.failures >= _FREE and not r.reported]
        for record in fresh:
            record.reported = True
        return bool(fresh)

    def begin(self, keys: tuple[str, ...], now: int, count: int = 1) -> None:
        """Count an attempt as failed before its outcome is known: many at once gain nothing."""
        for key in keys:
            record = self._records.setdefault(key, _Record())
            if now - record.last >= _FORGOTTEN:
                record.failures, record.reported = 0, False
            record.failures += count
            record.last = now
            self._records.move_to_end(key)
        while len(self._records) > _KEPT:
            self._records.popitem(last=False)

    def has_failed(self, key: str, now: int) -> bool:
        """Whether a failure of ``key`` is remembered."""
        record = self._records.get(key)
        return record is not None and record.failures > 0 and now - record.last < _FORGOTTEN

    def take_back(self, keys: tuple[str, ...]) -> None:
        """Count one failure less."""
        for key in keys:
            if (record := self._records.get(key)) is not None and record.failures:
                record.failures -= 1

    def succeed(self, keys: tuple[str, ...]) -> None:
        """Reset the failures of keys whose attempt succeeded."""
        for key in keys:
            self._records.pop(key, None)


@dataclass(frozen=True, slots=True)
class Attempt:
    """An attempt under way: its own key, those it shares, and whether it counts for these."""

    own: str
    shared: tuple[str, ...]
    counted: bool


class SignInLimiter:
    """Decides which attempts to sign in have to wait."""

    def __init__(self) -> None:
        self._own, self._shared = AttemptLimiter(), AttemptLimiter(_LONGEST_SHARED)
        self._known: OrderedDict[str, None] = OrderedDict()
        """Names with the addresses at which they have signed in."""

    def begin(self, name: str, address: str, device: str, now: int) -> Attempt:
        """Begin an attempt; ``device`` is the id of one known to belong to the name, or empty.

        Raises :class:`Held`.
        """
        name, network = " ".join(name.split()).casefold()[:100], network_of(address)
        own = f"device {device}" if device else f"{network} {name}"
        shared = () if device or own in self._known else (f"name {name}", f"address {network}")
        wait = max(self._own.wait((own,), now), self._shared.wait(shared, now))
        if wait:
            own_due, shared_due = self._own.report_due((own,)), self._shared.report_due(shared)
            raise Held(wait, first=own_due or shared_due)
        counted = not self._own.has_failed(own, now)
        self._own.begin((own,), now)
        self._shared.begin(shared, now, int(counted))
        return Attempt(own, shared, counted)

    def take_back(self, attempt: Attempt) -> None:
        """Count an attempt as not made: its password could not be looked at."""
        self._own.take_back((attempt.own,))
        if attempt.counted:
            self._shared.take_back(attempt.shared)

    def succeed(self, attempt: Attempt) -> None:
        """Forget the failures of an attempt that went well, and know its name and address."""
        self._own.succeed((attempt.own,))
        if attempt.counted:
            self._shared.take_back(attempt.shared)
        self._known[attempt.own] = None
        self._known.move_to_end(attempt.own)
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)


class Held(Exception):
    """An attempt has to wait so many ms; ``first`` once in a run of failures."""

    def __init__(self, wait: int, *, first: bool) -> None:
        self.wait, self.first = wait, first
        super().__init__(f"wait {wait} ms")


def network_of(address: str) -> str:
    """Return what one client can choose its addresses from: for IPv6, the network of 64 bits.

    >>> network_of("2001:db8::1:2:3"), network_of("192.0.2.7")
    ('2001:db8::', '192.0.2.7')
    """
    try:
        parsed = ipaddress.IPv6Address(address)
    except ValueError:
        return address
    mapped = parsed.ipv4_mapped
    return str(mapped or ipaddress.IPv6Address(int(parsed) >> 64 << 64))
