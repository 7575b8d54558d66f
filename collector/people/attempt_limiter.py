"""Limit on failed attempts: after a few, each further one waits, longer every time. Pure."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from collector.domain.units import HOUR, MINUTE, SECOND

__all__ = ["AttemptLimiter"]

_FREE = 5
"""Failures without a wait: typing errors."""
_FIRST, _LONGEST = SECOND, MINUTE
"""ms to wait after the first failure too many, and at most. A minute for one try leaves 1440 a day:
hopeless against a password of ten characters, and yet no person can lock another out for long."""
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

    def __init__(self) -> None:
        self._records: OrderedDict[str, _Record] = OrderedDict()

    def __repr__(self) -> str:
        return f"AttemptLimiter({len(self._records)} keys)"

    def wait(self, keys: tuple[str, ...], now: int) -> int:
        """Return how long (ms) an attempt has to wait; 0 when it may be made."""
        return max((self._wait(self._records.get(key), now) for key in keys), default=0)

    def _wait(self, record: _Record | None, now: int) -> int:
        if record is None or record.failures < _FREE or now - record.last >= _FORGOTTEN:
            return 0
        pause: int = min(_FIRST << min(record.failures - _FREE, 16), _LONGEST)
        return max(record.last + pause - now, 0)

    def report_due(self, keys: tuple[str, ...]) -> bool:
        """Whether this run of failures is to be reported: once, not with every attempt."""
        fresh = [r for key in keys if (r := self._records.get(key)) is not None
                 and r.failures >= _FREE and not r.reported]
        for record in fresh:
            record.reported = True
        return bool(fresh)

    def begin(self, keys: tuple[str, ...], now: int) -> None:
        """Count an attempt as failed before its outcome is known: many at once gain nothing."""
        for key in keys:
            record = self._records.setdefault(key, _Record())
            if now - record.last >= _FORGOTTEN:
                record.failures, record.reported = 0, False
            record.failures += 1
            record.last = now
            self._records.move_to_end(key)
        while len(self._records) > _KEPT:
            self._records.popitem(last=False)

    def succeed(self, keys: tuple[str, ...]) -> None:
        """Reset the failures of keys whose attempt succeeded."""
        for key in keys:
            self._records.pop(key, None)
