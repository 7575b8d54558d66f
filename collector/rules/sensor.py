"""An oxygen sensor that cannot be right: impossible, frozen, stepping, or giving nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.units import HOUR, MINUTE
from collector.rules.base import Band, Context, RawEvaluation, Rule, State, Values, number
from collector.rules.flicker import Flicker
from collector.rules.oxygen import predicted_time_constant
from collector.rules.productgas import FeedGas
from collector.rules.ventgas import PipeOxygen, declared_fill, generator_of, target_of

_AIR = 20.9
_NEAR_AIR = 19.0
_SAMPLES = 5
_STEPPED_BACK = 0.25
_CHECK = 15 * MINUTE
"""ms; a check with air, by hand or by the analyser itself, lasts for minutes (setting)."""
_QUIET = 5.0
"""Multiple of the movement that a sensor without flicker must have missed, at an open vent: a
blocked path looks alike, and is to have spoken by then."""
_ROWS = 2 * _SAMPLES + 1
"""Five samples before a step, one that may be of both sides, five after."""
_MOST_TO_GO = 125.0
"""% by which a possible reading can differ from any feed."""
_NEVER = 2**62


@dataclass(slots=True, kw_only=True)
class _SuspectState(State):
    has_open: bool = False
    """Whether the vent's position is read."""
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    feed: FeedGas = field(default_factory=FeedGas)
    last: float | None = None
    taken_at: int | None = None
    """When that was read."""
    impossible_at: int | None = None
    possible_at: int | None = None
    held_at: int | None = None
    """Time since which no sample differed."""
    moved: float = 0.0
    """% that the oxygen should have moved since then."""
    flicker: Flicker = field(default_factory=Flicker)
    frozen_at: int | None = None
    thawed_at: int | None = None
    recent_series: list[list[float]] = field(default_factory=list)
    """Last samples without a gap: instant, value."""
    step_at: int | None = None
    step_from: float = 0.0
    step_to: float = 0.0
    ended_at: int | None = None
    before: float | None = None
    """Reading at the vent's last move, until it is known whether it jumped with it."""
    leapt_at: int | None = None
    """Time of a jump at the vent's move or just before it."""


class OxygenSensorSuspect(Rule):
    """The sensor's readings are impossible, frozen, stepping, or missing.

    *Impossible*: more oxygen than air holds, or less than none. *Frozen*: a sensor that used to
    flicker gives the very same number while an open vent should have moved it by several steps, or
    a quiet one by many; a steady riser should not have moved it, so that it is never blamed; nor is
    the sensor of a device that is frozen as a whole, which ``data-frozen`` reports. *Step*: the
    level changes between two samples by more than gas can, and stays; opening and closing bring
    other gas into the chamber and are let settle first, unless the reading leapt the way that made
    the controller move the vent. *No reading*: the device answers, the sensor does not.
    """

    condition = "oxygen-sensor-suspect"
    requires = {"oxygen": "oxygen"}
    state: _SuspectState

    def __init__(self, context: Context, asset: str) -> None:
        self._generator = generator_of(context, asset)
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        # A missing reading is one of the findings, so nothing is a need.
        super().__init__(context, asset, inputs=[self._oxygen, self._open], needs=[])
        self.state = _SuspectState()
        get = self.settings
        self._low = -(number(get, "below_zero") or 0.0)
        self._high = number(get, "highest") or _AIR
        self._movement = number(get, "movement") or 0.5
        self._least_still = int(number(get, "frozen_after") or HOUR)
        self._step = number(get, "step") or 2.0
        self._hold = int(number(get, "step_hold") or 0)
        self._dead_after = int(number(get, "dead_after") or HOUR)
        self._target = target_of(context, asset)
        self._line = self._target + 0.5
        self._tau = predicted_time_constant(context, asset)
        self.state.has_open = bool(context.plant.devices) and context.is_configured(self._open)
        self._source = context.inputs.point(self._oxygen).source
        device = context.plant.devices.get(self._source.id)
        self._others = device is not None and any(
            not p.startswith(f"{asset}.") and context.inputs.point(p).is_number
            for p in device.points)
        """Whether its device gives numbers of other assets too."""

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._open:
            s.has_open = True
            if s.pipe.position(at, value):
                self._moved(at)
            return False
        unbroken = before_at is not None and at - before_at <= self.gap(point)
        passed = at - before_at if unbroken and before_at is not None else 0
        s.feed.look(self.context, self._generator, at)
        changed = self._take_range(at, value)
        changed = self._take_still(at, value, passed) or changed
        changed = self._take_step(at, value, unbroken) or changed
        s.last, s.taken_at = value, at
        # After a silence the dead-sensor deadline is set again, by each evaluation.
        return changed or not unbroken

    def _take_range(self, at: int, value: float) -> bool:
        s = self.state
        possible = self._low <= value <= self._high
        if possible is (s.impossible_at is None):
            return False
        s.impossible_at, s.possible_at = (None, at) if possible else (at, s.possible_at)
        return True

    def _take_still(self, at: int, value: float, passed: int) -> bool:
        s = self.state
        if s.flicker.add(value):
            was = s.frozen_at is not None
            s.held_at, s.moved = at, 0.0
            if was:
                # What it missed meanwhile is no step of its own.
                s.frozen_at, s.thawed_at, s.recent_series = None, at, []
            return was
        s.moved += self._expected(at, value, passed)
        if s.frozen_at is not None or s.held_at is None:
            return False
        # Few sensors read the same while the gas moves by much, however quiet their last digit is.
        wanted = self._movement if s.flicker.lively else _QUIET * self._movement
        if s.flicker.held < 4 * _SAMPLES or s.moved < wanted or at - s.held_at < self._least_still \
                or (not s.flicker.lively and s.pipe.open is None):
            return False
        if self._others and (self._source.moved_at or 0) <= s.held_at:
            return False  # the whole device is frozen, which is a condition of its own
        s.frozen_at = s.held_at
        return True

    def _expected(self, at: int, value: float, passed: int) -> float:
        """Return by how much (%) a sweep should have moved the oxygen in ``passed`` ms."""
        s = self.state
        if self._tau is None or s.pipe.settling(at) or s.pipe.breathes is None and \
                s.pipe.open is False:
            return 0.0
        if s.pipe.open is False or (s.pipe.open is None and value < self._line):
            return 0.0
        feed, measured = s.feed.level(self.context, self.asset, at)
        above = abs(value - feed) if measured else max(value - self._target, 0.0)
        return above * passed / self._tau

    def _moved(self, at: int) -> None:
        """Store the reading before the vent moved: a jump of the sensor may have moved it."""
        s = self.state
        rows, s.recent_series = s.recent_series, []
        s.before = s.leapt_at = None
        if len(rows) <= _SAMPLES or at - rows[-1][0] > self.gap(self._oxygen):
            return
        s.before = _middle(rows[:_SAMPLES])
        self._leap(int(rows[-1][0]), rows[-1][1])

    def _leap(self, at: int, value: float) -> None:
        """Check for a jump at the vent's move, or just before it.

        Up as the vent opens, or down as it closes: its controller has followed the sensor. What the
        opening flushes out of the chamber was room air, and falls.
        """
        s = self.state
        fed_with_air = declared_fill(self.context, self.asset, at) is not None or (
            self._generator is not None
            and self.context.inputs.mode(self._generator, at) == "air-fill")
        if s.before is not None and s.leapt_at is None and not fed_with_air:
            up = value - s.before
            if (up if s.pipe.open else -up) >= self._step:
                s.leapt_at = at

    def _leapt(self, rows: list[list[float]]) -> bool:
        """Whether the settled reading is still at the level of the jump."""
        s = self.state
        if s.leapt_at is None or s.before is None or len(rows) < _SAMPLES:
            return False
        before, at, now = s.before, s.leapt_at, _middle(rows[-_SAMPLES:])
        s.before = s.leapt_at = None
        up = now - before
        if (up if s.pipe.open else -up) < self._step:
            return False
        s.step_at, s.step_from, s.step_to = at, before, now
        return True

    def _take_step(self, at: int, value: float, unbroken: bool) -> bool:
        s = self.state
        if s.before is not None and s.leapt_at is None:
            if unbroken:
                self._leap(at, value)
            if s.leapt_at is None:
                s.before = None
        # Opening flushes the chamber; closing leaves in it what it held.
        if not unbroken or (s.pipe.open and s.pipe.settling(at)):
            s.recent_series = []
        s.recent_series = [*s.recent_series, [at, value]][-_ROWS:]
        if s.step_at is not None:
            return self._steps_back(at)
        rows = s.recent_series
        if self._leapt(rows):
            return True
        if len(rows) <= 2 * _SAMPLES:
            return False
        before = sorted([r[1] for r in rows[:_SAMPLES]])
        after = sorted([r[1] for r in rows[-_SAMPLES:]])
        one, two = before[_SAMPLES // 2], after[_SAMPLES // 2]
        if abs(two - one) < self._step:
            return False
        # Both sides must lie close together, or it is a slope and no step. One wild sample of
        # five does not count.
        width = max(before[-2] - before[1], after[-2] - after[1])
        if abs(two - one) < max(self._step, 4 * width, self._gas_can(rows)):
            return False
        if s.pipe.open is None and (two < one or two >= _NEAR_AIR):
            return False  # a vent that opens or closes unseen; its chamber held room air
        # It began with the largest change, which need not lie in the very middle.
        first = max(range(1, len(rows)), key=lambda i: abs(rows[i][1] - rows[i - 1][1]))
        s.step_at, s.step_from, s.step_to = int(rows[first][0]), one, two
        return True

    def _gas_can(self, rows: list[list[float]]) -> float:
        """Return how far (%) the gas itself could have changed across the step."""
        if self._tau is None:
            return 0.0
        # The last cell before the vent is taken for an eighth of the pipe at most.
        between = rows[_SAMPLES + 1][0] - rows[_SAMPLES - 1][0]
        return _AIR * -math.expm1(-8 * between / self._tau)

    def _steps_back(self, at: int) -> bool:
        s = self.state
        rows = s.recent_series[-_SAMPLES:]
        if len(rows) < _SAMPLES or s.step_at is None:
            return False
        height = s.step_to - s.step_from
        if abs(_middle(rows) - s.step_from) > _STEPPED_BACK * abs(height) \
                and not (at - s.step_at > 2 * HOUR and self._dropped(height)):
            return False
        s.step_at, s.ended_at, s.recent_series = None, at, rows
        return True

    def _dropped(self, height: float) -> bool:
        """Whether the latest samples hold a step of the same height the other way."""
        rows = self.state.recent_series
        if len(rows) <= 2 * _SAMPLES:
            return False
        back = _middle(rows[-_SAMPLES:]) - _middle(rows[:_SAMPLES])
        return abs(back + height) <= _STEPPED_BACK * abs(height)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._open:
            return s.pipe.no_change_band() if s.has_open else None
        if point != self._oxygen or s.taken_at is None or not s.recent_series:
            return None
        if s.impossible_at is not None or s.frozen_at is not None or s.step_at is not None \
                or s.pipe.settling(s.taken_at):
            return None
        values = [r[1] for r in s.recent_series]
        middle, reach = (min(values) + max(values)) / 2, self._step / 2 - 1e-9
        return Band(max(self._low, middle - reach), min(self._high, middle + reach),
                    min(s.feed.next_at, self._earliest_frozen(s.taken_at)), counted=True)

    def _earliest_frozen(self, at: int) -> int:
        """Return the earliest time at which it could be frozen, whatever readings follow ``at``."""
        s = self.state
        if self._tau is None or s.pipe.open is False:
            return _NEVER
        if s.held_at is None:
            return at + self._least_still  # it would have to move first, and then to hold
        due = int((self._movement - s.moved) * self._tau / _MOST_TO_GO)
        return max(s.held_at + self._least_still, at + due)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s = self.state
        for at, value in zip(times, values, strict=True):
            self._take_still(at, value, at - before_at)
            s.last, before_at = value, at
        kept = [[at, value] for at, value in zip(
            times[-_ROWS:], values[-_ROWS:], strict=True)]
        s.recent_series = [*s.recent_series, *kept][-_ROWS:]
        s.taken_at = times[-1]

    def _dead_at(self, now: int) -> int | None:
        """Return the time since which the sensor has no value while its device answers."""
        point = self.context.inputs.point(self._oxygen)
        if point.at is None or point.source.silent(now) or point.source.good_at is None:
            return None
        return point.at if point.source.good_at - point.at > self._dead_after else None

    def _step_shown(self, now: int) -> int | None:
        step = self.state.step_at
        held = step is not None and self._shown_from(step) <= now < step + self._hold
        return step if held else None

    def _shown_from(self, step: int) -> int:
        """Return when a step is shown: one to air may be a check with air, and over soon."""
        return step + (_CHECK if self.state.step_to >= _NEAR_AIR else 0)

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        point = self.context.inputs.point(self._oxygen)
        if point.source.silent(now):
            return RawEvaluation.unknown(f"{self.words.name(point.source.id)} does not answer")
        if point.at is None:
            return RawEvaluation.unknown("no usable oxygen yet")
        seen = (s.impossible_at, s.frozen_at, self._step_shown(now), self._dead_at(now))
        times = [t for t in seen if t is not None]
        if times:
            return RawEvaluation.active(min(times))
        return RawEvaluation.inactive(max(
            (t for t in (s.possible_at, s.thawed_at, s.ended_at) if t is not None), default=None,
        ))

    def next_evaluation_at(self, now: int) -> int | None:
        point, step = self.context.inputs.point(self._oxygen), self._step_shown(now)
        # Not one judging a sample: while readings come, the deadline moves on by itself.
        dead = None if point.at is None else point.at + self._dead_after
        times = [] if dead is None else [dead if dead > now else now + self._dead_after // 4]
        if step is not None:
            times.append(step + self._hold)
        elif self.state.step_at is not None:
            times.append(self._shown_from(self.state.step_at))
        return min((t for t in times if t > now), default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        s, words = self.state, self.words
        value = s.last if s.last is not None else 0.0
        values: dict[str, float | int | str | None] = {"oxygen_percent": round(value, 2)}
        sentences, kinds, times = [], [], []
        if s.impossible_at is not None:
            kinds.append("impossible")
            times.append(s.impossible_at)
            sentences.append(
                f"The sensor reads {words.percent(value)} oxygen; only {words.percent(self._low)} "
                f"to {words.percent(self._high)} is possible (air has 20.9 %)."
            )
        if s.frozen_at is not None:
            kinds.append("frozen")
            times.append(s.frozen_at)
            values["due_percent"] = round(s.moved, 2)
            sentences.append(
                f"It has read {words.percent(value)} without the least change for "
                f"{words.duration(now - s.frozen_at)}, while the open vent should have moved it "
                f"by {s.moved:.1f} %"
                + ("; before, its last digit was never still for long." if s.flicker.lively
                   else ".")
            )
        step = self._step_shown(now)
        if step is not None:
            kinds.append("step")
            times.append(step)
            values |= {"step_from_percent": round(s.step_from, 2),
                       "step_to_percent": round(s.step_to, 2)}
            sentences.append(
                f"It went from {words.percent(s.step_from)} to {words.percent(s.step_to)} between "
                "two readings, faster than gas can change, and stayed there."
            )
        dead = self._dead_at(now)
        if dead is not None:
            kinds.append("no reading")
            times.append(dead)
            sentences.append(
                f"Its device answers, but the sensor has given nothing usable for "
                f"{words.duration(now - dead)}."
            )
        values["finding"] = ", ".join(kinds)
        sentences.append("Do not judge the purge by this sensor until it has been checked.")
        return values, words.message(
            self.about, self.asset, since=min(times, default=now), numbers=" ".join(sentences),
        )


def _middle(rows: list[list[float]]) -> float:
    return sorted(r[1] for r in rows)[len(rows) // 2]
