"""What would have been said more, and what less, than was told at the time."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from collector.domain.events import AlarmMoved, Event, Transition

__all__ = ["Comparison", "compared"]

_SAME = 3_600_000
"""ms by which one and the same cause may be raised earlier or later."""

Kind = tuple[str, str]
"""Condition and asset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Alarms raised then and now; ``more`` and ``fewer`` count by condition and asset."""

    then: int
    now: int
    more: dict[Kind, int]
    fewer: dict[Kind, int]

    def __str__(self) -> str:
        """Return it as a sentence.

        >>> print(Comparison(then=2, now=3, more={("leak-high", "r1"): 1}, fewer={}))
        3 alarms where 2 were told; 1 more (leak-high r1), none fewer
        """
        alarms = "1 alarm" if self.now == 1 else f"{self.now} alarms"
        return (f"{alarms} where {self.then} were told; "
                f"{_told(self.more, 'more')}, {_told(self.fewer, 'fewer')}")


def compared(then: Iterable[Event], now: Iterable[Event]) -> Comparison:
    """Compare the alarms that two courses of events raise.

    Alarms of one condition and asset that are raised within an hour of each other are the same.
    """
    told, found = _raised(then), _raised(now)
    more: Counter[Kind] = Counter()
    fewer: Counter[Kind] = Counter()
    for kind in sorted(told.keys() | found.keys()):
        same = _pairs(told.get(kind, []), found.get(kind, []))
        more[kind] = len(found.get(kind, [])) - same
        fewer[kind] = len(told.get(kind, [])) - same
    return Comparison(
        then=sum(map(len, told.values())), now=sum(map(len, found.values())),
        more={k: n for k, n in more.items() if n}, fewer={k: n for k, n in fewer.items() if n},
    )


def _raised(events: Iterable[Event]) -> dict[Kind, list[int]]:
    raised: dict[Kind, list[int]] = {}
    for event in events:
        if isinstance(event, AlarmMoved) and event.transition is Transition.RAISED:
            raised.setdefault((event.condition, event.asset), []).append(event.time)
    return {kind: sorted(times) for kind, times in raised.items()}


def _pairs(then: list[int], now: list[int]) -> int:
    """Return how many of two sorted lists of instants lie within the hour, each used once."""
    pairs = a = b = 0
    while a < len(then) and b < len(now):
        if abs(then[a] - now[b]) <= _SAME:
            pairs, a, b = pairs + 1, a + 1, b + 1
        elif then[a] < now[b]:
            a += 1
        else:
            b += 1
    return pairs


def _told(counts: dict[Kind, int], word: str) -> str:
    if not counts:
        return f"none {word}"
    kinds = (f"{condition} {asset}" + (f", {n} times" if n > 1 else "")
             for (condition, asset), n in counts.items())
    return f"{sum(counts.values())} {word} ({'; '.join(kinds)})"
