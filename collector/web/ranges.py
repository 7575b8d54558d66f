"""Which stretch of time a page shows: chosen by links and kept in the address. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from collector.plots import step_for
from collector.web.asks import read_instant
from collector.web.words import moment

__all__ = ["RangeView", "read_range"]

_HOUR, _DAY = 3_600_000, 86_400_000
_SPANS = {
    "6h": ("6 hours", 6 * _HOUR), "1d": ("1 day", _DAY), "1w": ("1 week", 7 * _DAY),
    "1m": ("30 days", 30 * _DAY), "3m": ("90 days", 90 * _DAY), "1y": ("1 year", 366 * _DAY),
    "5y": ("5 years", 5 * 366 * _DAY),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A link to another span; ``current`` is the one that is shown."""

    words: str
    query: str
    current: bool


_LONG = 2 * _DAY
"""ms from which on a trend is told in whole hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeView:
    """The stretch shown (ms), in words, and the links to others; ``now`` where it ends now."""

    start: int
    end: int
    now: bool
    words: str
    here: str
    """The query of this very stretch."""
    choices: tuple[Choice, ...]
    earlier: str
    later: str
    """Empty where there is nothing later."""

    def step(self, points: int = 400) -> int:
        """Return the step (ms) to ask of a trend for a drawing of about so many points."""
        step = step_for(self.start, self.end, points)
        return max(step, _HOUR) if self.end - self.start > _LONG else step


def read_range(
    query: Mapping[str, str], now: int, zone: ZoneInfo, *, default: str = "1d",
) -> RangeView:
    """Read ``span`` and ``to``; raises ``Refusal`` (400) when ``to`` is not a time."""
    key = query.get("span", default)
    key = key if key in _SPANS else default
    length = _SPANS[key][1]
    end = min(read_instant("to", query["to"]), now) if query.get("to") else now
    start = end - length
    if length > _LONG:
        # On the hour, so that hours of the journal lie whole in the steps and need no unpacking.
        start = start // _HOUR * _HOUR

    def link(span: str, to: int | None) -> str:
        return "?" + urlencode({"span": span} | ({"to": to // 1000} if to is not None else {}))

    kept = None if end == now else end
    return RangeView(
        start=start, end=end, now=end == now,
        words=f"{moment(start, zone, now)} to {'now' if end == now else moment(end, zone, now)}",
        here=link(key, kept),
        choices=tuple(Choice(words=words, query=link(span, kept), current=span == key)
                      for span, (words, _) in _SPANS.items()),
        earlier=link(key, start),
        later="" if end == now else link(key, end + length if end + length < now else None),
    )
