"""Conditions of purge vents: stuck open, stuck closed, water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.units import HOUR, MINUTE
from collector.rules.base import (
    Band,
    Context,
    Level,
    RawEvaluation,
    Rule,
    State,
    Values,
    contact_band,
    number,
)
from collector.rules.runs import Stretch
from collector.rules.ventgas import PipeOxygen, declared_fill, target_of

_REMEMBERED = 8
_HABIT = 2
"""Stretches that ended by themselves from which the vent's pattern is known."""
_TIMES_LONGER = 1.5
"""Multiple of the longest stretch seen before that still counts as the vent's own pattern."""


@dataclass(slots=True, kw_only=True)
class _StuckState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    level: Level = field(default_factory=Level)
    stay: Stretch = field(default_factory=Stretch)
    """The stretch of the vent in the position in which it would be stuck."""
    habits: list[int] = field(default_factory=list)
    """Lengths (ms) of the last such stretches that ended by themselves."""
    longest_open: int = 0
    """Longest opening (ms) seen during a purge."""
    open_at: int | None = None
    timed: bool = False
    """Whether it moved there while the oxygen called for the other position.

    Then a timer moves it, or the vent only samples."""
    near_at: int | None = None
    """Since when the oxygen has on average been at the target or under it, with the vent open."""
    near_total: float = 0.0
    near_count: int = 0


class _Stuck(Rule):
    """A vent that stays in one position although the oxygen calls for the other.

    A vent that a timer moves stays too, by plan: the limit grows to one and a half times the
    longest stretch that this vent was seen to end by itself, and nothing is evaluated by readings
    of room air in its chamber.
    """

    stuck_open: bool
    state: _StuckState

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        both = [self._oxygen, self._open]
        super().__init__(context, asset, inputs=both, needs=both)
        self._last = context.inputs.point(self._oxygen)
        self.state = _StuckState()
        self._target = target_of(context, asset)
        self._margin = number(self.settings, "margin")
        self._deadband = number(self.settings, "deadband") or 0.0
        self._limit = int(number(self.settings, "limit") or 0)
        self._planned = int(number(self.settings, "planned") or 0)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._oxygen:
            breathed = s.pipe.breathes
            if not s.pipe.of_pipe(at, value):
                return False
            if s.pipe.breathes and not breathed:
                s.timed = True  # it was room air that seemed to call for this opening
            changed = self._near(at, value)
            return s.level.compare(at, value, self._line(), self._deadband,
                                   above=not self.stuck_open) or changed
        s.pipe.position(at, value, self._target)
        there = (value >= 0.5) is self.stuck_open
        start, known, was = s.stay.start_at, s.stay.known, s.stay.on
        changed = s.stay.sample(at, there, before_at, self.gap(point))
        if there and not was:
            s.timed = was is False and bool(s.level.beyond)
        if not there:
            s.near_at = None
        self._learn_opening(at, value >= 0.5)
        if was and not there and known and s.level.beyond and start is not None \
                and s.level.since_at is not None:
            s.habits = [*s.habits, at - max(start, s.level.since_at)][-_REMEMBERED:]
        return changed

    def _line(self) -> float:
        """Return the oxygen (%) from which the vent should be in the other position."""
        raise NotImplementedError

    def _near(self, at: int, value: float) -> bool:
        """Apply a reading in the position that is checked; return whether a new stretch began."""
        return False

    def _learn_opening(self, at: int, is_open: bool) -> None:
        s = self.state
        if is_open and s.open_at is None:
            s.open_at = at
        elif not is_open and s.open_at is not None:
            if s.level.beyond:
                s.longest_open = max(s.longest_open, at - s.open_at)
            s.open_at = None

    def limit(self) -> int:
        """Return how long (ms) it may stay, by setting, plan and learned pattern."""
        return max(self._limit, self._planned,
                   *(int(_TIMES_LONGER * h) for h in self.state.habits), 0)

    def _late(self) -> tuple[int, int] | None:
        """Return the start of the wrong position, and when that becomes too long (ms)."""
        since = self._since()
        return None if since is None else (since, since + self.limit())

    def _since(self) -> int | None:
        s = self.state
        if not s.stay.on or not s.level.beyond or s.stay.start_at is None \
                or s.level.since_at is None:
            return None
        return max(s.stay.start_at, s.level.since_at)

    def evaluate(self, now: int) -> RawEvaluation:
        found = self._late()
        if found is None:
            ends = [t for t in (self.state.stay.end_at, self.state.level.since_at)
                    if t is not None and t <= now]
            return RawEvaluation.inactive(max(ends, default=None))
        if declared_fill(self.context, self.asset, now) is not None:
            return RawEvaluation.unknown("a declared fill is on")
        late = found[1]
        return RawEvaluation.active(late) if now >= late else RawEvaluation.inactive()

    def next_evaluation_at(self, now: int) -> int | None:
        found = self._late()
        if found is None:
            return None
        times = (found[1], declared_fill(self.context, self.asset, now))
        return min((t for t in times if t is not None and t > now), default=None)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._open:
            return None if s.stay.on is None else contact_band(s.stay.on is self.stuck_open)
        # Oxygen within the band changes nothing but what was read last.
        found = s.pipe.held_band(self._last.at or 0) if point == self._oxygen else None
        if found is None:
            return None
        held, of_pipe = found
        if not of_pipe:
            return held
        band = s.level.band(self._line(), self._deadband, above=not self.stuck_open)
        if band is None:
            return None
        return Band(max(held.low, band.low), min(held.high, band.high), counted=True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        found = self.state.pipe.held_band(times[0])
        self.state.pipe.of_pipe_many(values)
        if found is not None and found[1]:
            for at, value in zip(times, values, strict=True):
                self._near(at, value)

    def describe(self, now: int) -> tuple[Values, str]:
        words, (began, late) = self.words, self._late() or (now, now)
        oxygen = self.context.inputs.point(self._oxygen).value
        known = self._target if oxygen is None else oxygen
        least = "" if self.state.stay.known else "at least "
        values: dict[str, float | int | str | None] = {
            "oxygen_percent": round(known, 2), "target_percent": round(self._target, 2),
            "stayed_hours": round((now - began) / HOUR, 2),
            "limit_hours": round((late - began) / HOUR, 2),
        }
        numbers = (
            f"{self._story()} for {least}{words.duration(now - began)}; up to "
            f"{words.duration(late - began)} is taken for its normal habit. Oxygen is "
            f"{words.percent(known)}; the target is {words.percent(self._target)}."
        )
        return values, words.message(
            self.about, self.asset, since=late, numbers=numbers,
        )

    def _story(self) -> str:
        raise NotImplementedError


class VentStuckOpen(_Stuck):
    """Open long after the oxygen reached the target: nitrogen is wasted.

    Well below the target some hours are enough. Just under it a day must pass, by the mean of the
    readings: a controller of the oxygen, which reads the same sensor, would have closed. So it must
    where the vent opened with the purge done, until its habit is known: a timer does that.
    """

    condition = "vent-stuck-open"
    requires = {"open": "open contact", "oxygen": "oxygen"}
    stuck_open = True

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._long = int(number(self.settings, "timer_limit") or 0)

    def _line(self) -> float:
        return self._target - (self._margin or 0.0)

    def _near(self, at: int, value: float) -> bool:
        s = self.state
        if not s.stay.on:
            return False
        if s.near_at is not None and s.near_total + value > self._target * (s.near_count + 1):
            s.near_at = None
        if s.near_at is not None:
            s.near_total += value
            s.near_count += 1
        elif value <= self._target:
            s.near_at, s.near_total, s.near_count = at, value, 1
            return True
        return False

    def limit(self) -> int:
        """Return how long (ms) it may stay open well below the target."""
        short = super().limit()
        unknown = self.state.timed and len(self.state.habits) < _HABIT
        return max(short, self._long) if unknown else short

    def _late(self) -> tuple[int, int] | None:
        found, near = super()._late(), self.state.near_at
        if near is None:
            return found
        stays = (near, near + max(self._long, super().limit()))
        return stays if found is None else min(found, stays, key=lambda f: f[1])

    def no_change_band(self, point: str) -> Band | None:
        found = super().no_change_band(point)
        if found is None or point != self._oxygen or not self.state.stay.on \
                or self.state.near_at is not None:
            return found
        return found._replace(low=max(found.low, math.nextafter(self._target, math.inf)))

    def _story(self) -> str:
        return "The vent has been open with the purge done"


class VentStuckClosed(_Stuck):
    """Closed while the oxygen is above the target and a purge is due.

    Until the vent's pattern is known the limit is that of a daily timer. One that was open through
    a purge for longer than any timer would, or has opened by itself twice, is no daily one, and the
    short limit holds.
    """

    condition = "vent-stuck-closed"
    requires = {"open": "open contact", "oxygen": "oxygen"}
    stuck_open = False

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._steady = int(number(self.settings, "steady_after") or 0)
        self._short = int(number(self.settings, "short_limit") or 0)

    def _line(self) -> float:
        band = self.state.pipe.band(self._target)
        return self._target + (band if self._margin is None else self._margin)

    def limit(self) -> int:
        """Return how long (ms) it may stay closed."""
        s = self.state
        if len(s.habits) >= _HABIT:
            learned = max(int(_TIMES_LONGER * h) for h in s.habits)
            return max(self._short, self._planned, learned)
        # One that opened again by itself was a timer's all the same.
        if self._steady and s.longest_open >= self._steady and not s.habits:
            return max(self._short, self._planned)
        return super().limit()

    def _story(self) -> str:
        return "The vent has been closed with a purge due"


@dataclass(slots=True, kw_only=True)
class _WaterState(State):
    wet: Stretch = field(default_factory=Stretch)


class WaterAtVent(Rule):
    """The water contact at the vent. Its delays cover bounce: each change restarts them."""

    condition = "water-at-vent"
    requires = {"water": "water contact"}
    state: _WaterState

    def __init__(self, context: Context, asset: str) -> None:
        self._water = f"{asset}.water"
        super().__init__(context, asset, inputs=[self._water], needs=[self._water])
        self.state = _WaterState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        return self.state.wet.sample(at, value >= 0.5, before_at, self.gap(point))

    def evaluate(self, now: int) -> RawEvaluation:
        wet = self.state.wet
        if wet.on is None:
            return RawEvaluation.unknown("no reading yet")
        return RawEvaluation.active(wet.start_at) if wet.on else RawEvaluation.inactive(wet.end_at)

    def no_change_band(self, point: str) -> Band | None:
        return self.state.wet.no_change_band()

    def describe(self, now: int) -> tuple[Values, str]:
        wet = self.state.wet
        since = now if wet.start_at is None else wet.start_at
        least = "" if wet.known else "at least "
        numbers = (
            f"The water contact has been closed for {least}{self.words.duration(now - since)}. "
            "Trapped water blocks the purge path and rusts the pipe."
        )
        values = {"water": 1, "minutes": round((now - since) / MINUTE, 1)}
        return values, self.words.message(self.about, self.asset, since=since, numbers=numbers)
