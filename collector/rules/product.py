"""Oxygen of the product, by the generator's own analyser."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.conditions import limit_of
from collector.domain.readings import MODES
from collector.rules.base import (
    ALL,
    Band,
    Context,
    Level,
    RawEvaluation,
    Rule,
    State,
    Values,
    number,
)
from collector.rules.course import Course
from collector.rules.fastruns import FastRuns, FastState

_NO_READING = 0.05  # %, no separator makes gas this pure: the analyser gives no signal
_MOST = 25.0  # %, more than air can hold
_WEIGHED = 16
"""Stretches after each of which a fall is weighed by its end."""
_SHORT_RUNS = 3
"""Runs in a row that end past the limit, each too short for the on-delay, which is no chance."""


@dataclass(slots=True, kw_only=True)
class _ProductState(State):
    level: Level = field(default_factory=Level)
    running_at: int | None = None
    """Start of making nitrogen, by mode and compressor."""
    ended_at: int | None = None
    """End of making nitrogen."""
    mode: float | None = None
    running: float | None = None
    gas: float | None = None
    """The last mode other than ``off``."""
    mode_at: int | None = None
    """When that last changed."""
    fast: FastState | None = None
    """State of the runs' speed, where that is evidence too."""
    dead: bool = False
    """Whether the analyser shows an impossible value."""
    course: Course = field(default_factory=Course)
    """Readings of this run since they were last within the limit."""
    shown: float = 0.0
    """The last reading past the limit, before the on-delay was over."""
    short_runs: int = 0
    """Runs in a row that ended past the limit before the on-delay had passed."""
    short_at: int | None = None
    """Start, in the first of them."""


class _Product(Rule):
    """Product oxygen against a limit, evaluated only while nitrogen is made and the unit is warm.

    However long the analyser or the separator takes to settle after a start, a reading that still
    falls is weighed by where its fall will end.

    While the compressor is off or the unit in air-fill the last result stays: there is no product
    to evaluate. An excursion that had not lasted through the on-delay when the compressor stopped
    is forgotten, so that one odd end of a run does not ripen while nothing is measured.
    """

    state: _ProductState

    @property
    def must(self) -> list[str]:
        return []

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen, self._mode = f"{asset}.product_oxygen", f"{asset}.mode"
        self._running = f"{asset}.compressor_running"
        gates = [p for p in (self._mode, self._running) if context.is_configured(p)]
        # Without devices it is unknown whether mode and compressor will have rows.
        sure = gates if context.plant.devices else []
        super().__init__(
            context, asset, inputs=[*gates, self._oxygen],
            needs=[self._oxygen, *(sure or self.must)],
        )
        self._settle = int(number(self.settings, "settle") or 0)
        self._warm_up = int(number(self.settings, "warm_up") or 0)
        self._deadband = number(self.settings, "deadband") or 0.0
        self._limit = number(self.settings, "limit") or 0.0
        self.state = _ProductState()

    def _making(self, now: int) -> bool:
        inputs = self.context.inputs
        mode = inputs.points.get(self._mode)
        if mode is not None and mode.at is not None and inputs.mode(self.asset, now) != MODES[1]:
            return False
        running = inputs.points.get(self._running)
        if running is None or running.at is None:
            return True
        return running.fresh(now, self.gap(self._running)) and (running.value or 0.0) >= 0.5

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._oxygen:
            return self._measured(at, value)
        if point == self._running:
            s.running = value
        else:
            s.mode = value
            if value != 0 and value != s.gas:
                # The mode when monitoring began is no change of mode.
                s.mode_at = at if s.gas is not None else None
                s.gas = value
        return self._gate(at)

    def _gate(self, at: int) -> bool:
        s = self.state
        making = self._making(at)
        if making == (s.running_at is not None):
            return False
        began = s.running_at
        s.running_at, s.ended_at = (at, s.ended_at) if making else (None, at)
        s.course.begin()
        if began is not None:
            self._run_ended(began, at)
        return True

    def _run_ended(self, began: int, at: int) -> None:
        """Clear an unfinished on-delay; count a run that was too short for it.

        A run that air-fill began or ended shows the air in the separator: it is not counted.
        """
        s = self.state
        level = s.level
        if not self._pending(at):
            s.short_runs = 0
            return
        if s.mode_at is not None and s.mode_at >= began:
            level.beyond, level.since_at = False, at
            return
        s.short_at = s.short_at if s.short_runs else level.since_at
        s.short_runs += 1
        level.beyond, level.since_at = s.short_runs >= _SHORT_RUNS, at
        if level.beyond:
            level.since_at = s.short_at

    def _pending(self, at: int) -> bool:
        """Whether it is past the limit for less than the on-delay."""
        level = self.state.level
        return bool(level.beyond) and (level.since_at or 0) + self.on_delay > at

    def _lasts(self, at: int) -> bool:
        """Whether it has been past the limit for as long as the on-delay."""
        return bool(self.state.level.beyond) and not self._pending(at)

    def _ready_at(self) -> int | None:
        s = self.state
        if s.running_at is None:
            return None
        ready = s.running_at + self._warm_up
        return ready if s.mode_at is None else max(ready, s.mode_at + self._settle)

    def _measured(self, at: int, value: float) -> bool:
        s = self.state
        changed = self._gate(at)
        ready = self._ready_at()
        if ready is not None and value > self._limit and not self._lasts(at):
            s.course.add(at, value)
        elif s.course.begun_at is not None:
            s.course.begin()
        if ready is None or at < ready:
            return changed
        dead = not _NO_READING <= value <= _MOST
        if dead:
            changed = changed or not s.dead
            s.dead = True
            return changed
        changed, s.dead = changed or s.dead, False
        return self._compare(at, value) or changed

    def _compare(self, at: int, value: float) -> bool:
        """Apply a reading; one that still falls counts by where it will settle.

        The deadband is for an active state: during the on-delay all readings must be past the
        limit.
        """
        s = self.state
        level, settled = s.level, value
        if value > self._limit:
            if self._lasts(at):
                return False
            rows = s.course.row_series
            if rows[-1][2] > 1 or (len(rows) % _WEIGHED and not s.course.levels(at, value)):
                return False
            end = s.course.end(at, value)
            settled = self._limit if end is None else end
            if settled > self._limit:
                s.shown = value
        deadband = 0.0 if self._pending(at) else self._deadband
        return level.compare(at, settled, self._limit, deadband, above=True)

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.dead:
            return RawEvaluation.unknown("the analyser reads as one that is switched off or failed")
        if s.level.beyond is None:
            return RawEvaluation.unknown("no product oxygen yet from a warm unit making nitrogen")
        if not s.level.beyond:
            return s.level.evaluation()
        ready, read = self._ready_at(), self.context.inputs.point(self._oxygen).at
        # Until this run has been read, the end of the last one speaks.
        old = s.ended_at if ready is None or read is None or read < ready else None
        return RawEvaluation.active(s.level.since_at, rests_on=old)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point != self._oxygen:
            value = s.mode if point == self._mode else s.running
            return None if value is None else Band(value, value)
        if s.running_at is None and (s.mode is not None or s.running is not None):
            return ALL  # mode or compressor will say when it matters again
        level = s.level.band(self._limit, self._deadband, above=True)
        if s.dead or level is None or s.running_at is None or s.course.begun_at is not None:
            return None
        return Band(max(level.low, _NO_READING), min(level.high, _MOST))

    def _numbers(self, now: int) -> tuple[float, str]:
        """Return the last product oxygen, and the missing readings of mode or compressor."""
        last = self.context.inputs.point(self._oxygen).value or 0.0
        value = last if self.state.running_at is not None and last > self._limit \
            else self.state.shown
        absent = []
        if self.state.mode is None:
            absent.append("the mode is not read: in air-fill this would be as it should be")
        if self.state.running is None:
            absent.append(
                "whether the compressor runs is not read: with it off the analyser may see the "
                "tank, or room air"
            )
        return value, "".join(f" Note: {a}." for a in absent)


class AirInNitrogenMode(_Product):
    """The mode says nitrogen, and the analyser says air or the tank fills as only air fills it.

    Air fills a tank in a minute or two: too short for many analysers to warm up. The speed shows
    it.
    """

    condition = "air-in-nitrogen-mode"
    requires = {"product_oxygen": "product oxygen", "mode": "mode"}

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        seen = all(context.is_configured(f"{asset}.{q}")
                   for q in ("tank_pressure", "compressor_running"))
        self._fast = FastRuns(context, asset) if seen else None
        if self._fast is not None:
            self.state.fast = self._fast.state

    @property
    def must(self) -> list[str]:
        return [self._mode]

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        changed = super().observe(point, at, value, before_at)
        fast = self._fast
        if fast is not None and point == self._running:
            changed = fast.observe_running(at, value >= 0.5, before_at, self.state.mode) or changed
        elif fast is not None and point == self._mode:
            fast.observe_mode(value)
        return changed

    def evaluate(self, now: int) -> RawEvaluation:
        fast = self.state.fast
        if fast is not None and fast.fast:
            return RawEvaluation.active(fast.since_at)
        return super().evaluate(now)

    def describe(self, now: int) -> tuple[Values, str]:
        value, notes = self._numbers(now)
        values: Values = {
            "product_oxygen_percent": round(value, 2), "limit_percent": round(self._limit, 2),
        }
        fast, since = self.state.fast, self.state.level.since_at
        if fast is not None and fast.fast:
            times = fast.rate / fast.reference
            numbers = (
                f"The mode reads nitrogen, but the tank fills {times:.1f} times as fast as this "
                f"unit can make nitrogen ({self.words.pressure(60 * fast.rate)} a minute in its "
                f"last runs; {self.words.pressure(60 * fast.reference)} before). The pipe is being "
                f"filled with air; the analyser read {self.words.percent(value)} oxygen last."
            )
            values, since = {**values, "times_as_fast": round(times, 2)}, fast.since_at
        else:
            numbers = (
                f"The mode reads nitrogen, but the product holds {self.words.percent(value)} "
                f"oxygen (from {self.words.percent(self._limit)} on it is held to be air; air is "
                f"20.9 %). The pipe is being filled with air.{notes}"
            )
        return values, self.words.message(self.about, self.asset, since=since, numbers=numbers)


class ProductOxygenHigh(_Product):
    """The product holds more oxygen than it may. Plain air is a condition of its own."""

    condition = "product-oxygen-high"
    requires = {"product_oxygen": "product oxygen"}

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._limit = limit_of(self.condition, asset, context.plant, context.settings) or 0.0

    def describe(self, now: int) -> tuple[Values, str]:
        value, notes = self._numbers(now)
        numbers = (
            f"The product holds {self.words.percent(value)} oxygen; the limit is "
            f"{self.words.percent(self._limit)}.{notes}"
        )
        values: Values = {
            "product_oxygen_percent": round(value, 2), "limit_percent": round(self._limit, 2),
        }
        return values, self.words.message(
            self.about, self.asset, since=self.state.level.since_at, numbers=numbers,
        )
