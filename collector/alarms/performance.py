"""Measures of the alarm system itself, as IEC 62682 and ISA-18.2 define them.

They show whether people are called too often, by the same few alarms, or without need. One site
has one operator position. The standard's acceptable values are in ``YARDSTICKS``.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from collector.domain.events import AlarmTransition, Priority, Signal, Transition
from collector.domain.units import DAY, HOUR, MINUTE

_QUIETING = {
    Transition.SHELVED: Transition.UNSHELVED,
    Transition.SUPPRESSED: Transition.UNSUPPRESSED,
    Transition.OUT_OF_SERVICE: Transition.IN_SERVICE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One occurrence of an alarm (ms). ``ended`` is ``None`` while it is active.

    It ends when it returns to normal or is inhibited: it calls no one from then on.
    """

    condition: str
    asset: str
    priority: Priority
    signal: Signal
    raised: int
    text: str
    id: str
    acknowledged: int | None = None
    acknowledged_by: str = ""
    ended: int | None = None
    returned: bool = False

    def active(self, end: int) -> int:
        """Return for how long (ms) the alarm was active by ``end``."""
        return (end if self.ended is None else min(self.ended, end)) - self.raised


@dataclass(frozen=True, slots=True, kw_only=True)
class InhibitedSpan:
    """A stretch in which an alarm was shelved, suppressed by design or out of service."""

    condition: str
    asset: str
    kind: Transition
    """How it began."""
    start: int
    end: int | None
    by: str
    why: str


def occurrences(events: Iterable[AlarmTransition]) -> list[Occurrence]:
    """Return every occurrence, in the order of raising."""
    found: list[Occurrence] = []
    latest: dict[tuple[str, str], int] = {}
    for event in events:
        key = event.condition, event.asset
        if event.transition is Transition.RAISED:
            latest[key] = len(found)
            found.append(Occurrence(
                condition=event.condition, asset=event.asset, priority=event.priority,
                signal=event.signal, raised=event.time, text=event.text, id=event.id))
        elif key in latest:
            found[latest[key]] = _moved(found[latest[key]], event)
    return found


def _moved(one: Occurrence, event: AlarmTransition) -> Occurrence:
    if event.transition is Transition.ACKNOWLEDGED and one.acknowledged is None:
        return replace(one, acknowledged=event.time, acknowledged_by=event.by)
    if one.ended is None and (
        event.transition is Transition.RETURNED or event.transition in _QUIETING
    ):
        return replace(one, ended=event.time, returned=event.transition is Transition.RETURNED)
    return one


def inhibited_spans(events: Iterable[AlarmTransition]) -> list[InhibitedSpan]:
    """Return every stretch in which an alarm was inhibited, in the order of their beginning."""
    found: list[InhibitedSpan] = []
    latest: dict[tuple[str, str], int] = {}
    for event in events:
        key = event.condition, event.asset
        at = latest.get(key)
        opens = event.transition in _QUIETING
        if at is not None and (opens or event.transition is _QUIETING[found[at].kind]):
            found[at] = replace(found[at], end=event.time)
            del latest[key]
        if opens:
            latest[key] = len(found)
            found.append(InhibitedSpan(condition=event.condition, asset=event.asset,
                               kind=event.transition, start=event.time, end=None, by=event.by,
                               why=event.why))
    return found


_TEN = 10 * MINUTE
_FLOOD_ABOVE, _FLOOD_BELOW, _MANY_AN_HOUR = 10, 5, 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardstick:
    """A limit that the standard calls acceptable, with its clause."""

    acceptable: str
    source: str


YARDSTICKS: Mapping[str, Yardstick] = {
    # ISA-18.2-2016 Table 5 and section 16.4, IEC 62682, as restated in secondary documents.
    "per_day": Yardstick(acceptable="about 150, at most 300", source="ISA-18.2 (IEC 62682: 144)"),
    "per_hour": Yardstick(acceptable="about 6, at most 12", source="ISA-18.2-2016, table 5"),
    "per_ten_minutes": Yardstick(acceptable="about 1, at most 2",
                                 source="ISA-18.2-2016, table 5"),
    "hours_above": Yardstick(acceptable="under 1 %", source="ISA-18.2-2016, 16.4.3"),
    "tens_above": Yardstick(acceptable="under 1 %", source="ISA-18.2-2016, 16.4.3"),
    "flood_share": Yardstick(acceptable="under 1 %", source="ISA-18.2-2016, 16.4.4"),
    "top_share": Yardstick(acceptable="1 to 5 %", source="ISA-18.2-2016, 16.4.5"),
    "chattering": Yardstick(acceptable="none", source="ISA-18.2-2016, 16.4.6"),
    "fleeting": Yardstick(acceptable="none", source="ISA-18.2-2016, 16.4.6"),
    "stale": Yardstick(acceptable="fewer than 5 on any day", source="ISA-18.2-2016, 16.4.7"),
    "priorities": Yardstick(acceptable="80 % low, 15 % medium, 5 % high",
                            source="ISA-18.2-2016, table 6"),
}
SHORTEST = 30 * DAY
"""ms the standard asks measures to be taken over, at least (16.4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """Settings for which the standard gives no figure, except ``stale`` (24 h). Durations in ms."""

    chatter_count: int = 3
    """Raisings of one alarm within ``chatter_within`` that make it chatter (setting)."""
    chatter_within: int = _TEN
    fleeting: int = MINUTE
    """An alarm that returns to normal sooner, unacknowledged, is fleeting (setting)."""
    stale: int = DAY
    top: int = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """More than 10 alarms in 10 minutes, until there were fewer than 5 in the last 10."""

    start: int
    end: int
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Frequent:
    """The number of times one alarm was raised; ``share`` is its part of all, from 0 to 1."""

    condition: str
    asset: str
    count: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measures:
    """The measures over ``start`` to ``end`` (ms, end excluded). Shares are from 0 to 1.

    Where nothing was raised, shares of what was raised are ``None``.
    """

    start: int
    end: int
    raised: int
    per_day: float
    per_hour: float
    per_ten_minutes: float
    most_in_hour: int
    most_in_ten: int
    hours_above: float
    """Share of hours with more than 30 alarms."""
    tens_above: float
    """Share of 10 minutes with more than 10 alarms."""
    floods: tuple[Flood, ...]
    flood_share: float
    """Share of time in floods."""
    frequent: tuple[Frequent, ...]
    top_share: float | None
    """Part that the most frequent ten have of all."""
    chattering: tuple[Frequent, ...]
    fleeting: tuple[Frequent, ...]
    stale: tuple[Occurrence, ...]
    stale_on_worst_day: int
    active: tuple[Occurrence, ...]
    """Alarms active at the end."""
    priorities: Mapping[Priority, float | None]
    inhibited: tuple[InhibitedSpan, ...]
    """Shelved, suppressed and out of service at any time of the span."""
    inhibited_counts: Mapping[Transition, int]
    answered_median: float | None
    """ms from raising to acknowledgement."""
    unanswered: int
    """Raised in the span and not acknowledged by its end."""

    @property
    def long_enough(self) -> bool:
        """Whether the span is as long as the standard asks for (30 days)."""
        return self.end - self.start >= SHORTEST


def measure(
    events: Sequence[AlarmTransition], start: int, end: int,
    settings: MeasureSettings | None = None,
) -> Measures:
    """Measure the span; ``events`` are all alarm transitions until ``end``, in order.

    Raises ``ValueError`` unless ``start`` is before ``end``.
    """
    if end <= start:
        raise ValueError(f"no span from {start} to {end}")
    settings = settings or MeasureSettings()
    known = [e for e in events if e.time < end]
    every = occurrences(known)
    raised = [o for o in every if o.raised >= start]
    times = [o.raised for o in raised]
    hours, tens = _periods(times, start, HOUR), _periods(times, start, _TEN)
    floods = _floods(times, end)
    frequent = _frequent(raised, len(raised))
    stale = [o for o in every if _stale_from(o, settings) < _reach(o, end)
             and _reach(o, end) > start]
    inhibited = [q for q in inhibited_spans(known) if q.end is None or q.end > start]
    waits = [o.acknowledged - o.raised for o in raised if o.acknowledged is not None]
    count, span = len(raised), end - start
    return Measures(
        start=start, end=end, raised=count, per_day=count * DAY / span,
        per_hour=count * HOUR / span, per_ten_minutes=count * _TEN / span,
        most_in_hour=max(hours.values(), default=0), most_in_ten=max(tens.values(), default=0),
        hours_above=_above(hours, _MANY_AN_HOUR, span, HOUR),
        tens_above=_above(tens, _FLOOD_ABOVE, span, _TEN),
        floods=floods, flood_share=sum(f.end - f.start for f in floods) / span,
        frequent=frequent[: settings.top],
        top_share=sum(f.count for f in frequent[: settings.top]) / count if count else None,
        chattering=_chattering(raised, settings), fleeting=_fleeting(raised, settings),
        stale=tuple(stale), stale_on_worst_day=_worst_day(stale, start, end, settings),
        active=tuple(o for o in every if o.ended is None),
        priorities={p: sum(o.priority is p for o in raised) / count if count else None
                    for p in Priority},
        inhibited=tuple(inhibited), inhibited_counts=Counter(q.kind for q in inhibited),
        answered_median=median(waits) if waits else None, unanswered=count - len(waits),
    )


def _reach(one: Occurrence, end: int) -> int:
    return end if one.ended is None else min(one.ended, end)


def _stale_from(one: Occurrence, settings: MeasureSettings) -> int:
    return one.raised + settings.stale


def _periods(times: Sequence[int], start: int, length: int) -> Counter[int]:
    return Counter((t - start) // length for t in times)


def _above(periods: Counter[int], limit: int, span: int, length: int) -> float:
    return sum(n > limit for n in periods.values()) / -(-span // length)


def _floods(times: Sequence[int], end: int) -> tuple[Flood, ...]:
    """Return the floods of a sliding window of 10 minutes; one ends below 5 alarms."""
    found: list[Flood] = []
    recent: deque[int] = deque()
    began: int | None = None
    count = 0
    for time in [*times, end + 2 * _TEN]:
        if began is not None and recent[-_FLOOD_BELOW] + _TEN < time:
            found.append(Flood(start=began, end=min(recent[-_FLOOD_BELOW] + _TEN, end),
                               count=count))
            began = None
            recent.clear()
        recent.append(time)
        while began is None and recent[0] <= time - _TEN:
            recent.popleft()
        if began is not None:
            count += 1
        elif len(recent) > _FLOOD_ABOVE:
            began, count = recent[0], len(recent)
    return tuple(found)


def _frequent(some: Sequence[Occurrence], whole: int) -> tuple[Frequent, ...]:
    counts = Counter((o.condition, o.asset) for o in some)
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return tuple(Frequent(condition=c, asset=a, count=n, share=n / whole)
                 for (c, a), n in ranked)


def _chattering(raised: Sequence[Occurrence], settings: MeasureSettings) -> tuple[Frequent, ...]:
    times: dict[tuple[str, str], list[int]] = {}
    for one in raised:
        times.setdefault((one.condition, one.asset), []).append(one.raised)
    ahead = settings.chatter_count - 1
    guilty = {key for key, at in times.items()
              if any(b - a <= settings.chatter_within
                     for a, b in zip(at, at[ahead:], strict=False))}
    return _frequent([o for o in raised if (o.condition, o.asset) in guilty], len(raised))


def _fleeting(raised: Sequence[Occurrence], settings: MeasureSettings) -> tuple[Frequent, ...]:
    return _frequent([
        o for o in raised if o.returned and o.ended is not None
        and o.ended - o.raised < settings.fleeting
        and (o.acknowledged is None or o.acknowledged > o.ended)
    ], len(raised))


def _worst_day(
    stale: Sequence[Occurrence], start: int, end: int, settings: MeasureSettings,
) -> int:
    """Return the most alarms that were stale within one day of 24 h, counted from ``start``."""
    days: Counter[int] = Counter()
    for one in stale:
        first = max(_stale_from(one, settings), start)
        last = max(_reach(one, end) - 1, first)
        days.update(range((first - start) // DAY, (last - start) // DAY + 1))
    return max(days.values(), default=0)
