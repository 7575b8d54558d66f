"""Conditions of the compressor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.plant import Generator
from collector.domain.readings import MODES
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import R
from collector.physics.pumpup import pump_up_time
from collector.rules.base import (
    ALL_COUNTED,
    Band,
    Context,
    RawEvaluation,
    Rule,
    State,
    Values,
    number,
)
from collector.rules.runs import Stretch

__all__ = ["CompressorLongRun", "refill_limit"]

_PSI = 6894.757293168
_MARGIN = 1.5
_COMMON_LIMIT = 12 * 60_000
_HOURS_STEP = 0.1
_HOUR = 3_600_000


def refill_limit(generator: Generator, altitude: float, temperature: float) -> tuple[int, str]:
    """Return the longest run (ms) that refilling the tank on nitrogen may take, and its reason.

    Half as much again as the pump-up time from cut-in to cut-out; common practice (12 min) where
    volume, set points or delivery are not known. ``temperature`` (degrees C) is that of the free
    air the delivery is counted at.
    """
    g = generator
    delivery = g.nitrogen_delivery
    if g.tank_volume and g.cut_in is not None and g.cut_out is not None and delivery:
        ambient = pressure_at_altitude(altitude)
        flow = delivery * R * (temperature + 273.15) / ambient
        seconds = pump_up_time(
            g.tank_volume, g.cut_in * _PSI, g.cut_out * _PSI, ambient, flow,
        )
        return round(seconds * _MARGIN * 1000), "half as much again as the tank's pump-up time"
    return _COMMON_LIMIT, "common practice"


@dataclass(slots=True, kw_only=True)
class _Counter(State):
    """The last two values of a counter: which of them lies before a gap is seen afterwards."""

    value: float | None = None
    value_at: int | None = None
    before: float | None = None
    before_at: int | None = None

    def sample(self, at: int, value: float) -> None:
        """Take a value."""
        self.before, self.before_at = self.value, self.value_at
        self.value, self.value_at = value, at

    def across(self, run: Stretch) -> tuple[float, int] | None:
        """Return growth and time (ms) across the run's unsettled gap, where both ends are known."""
        if (
            self.value is None or self.value_at is None or self.before is None
            or self.before_at is None or run.gap_at is None or run.lost_at is None
            or run.start_at is None
        ):
            return None
        if not run.lost_at <= self.before_at <= run.gap_at or self.value_at < run.start_at:
            return None
        return self.value - self.before, self.value_at - self.before_at


@dataclass(slots=True, kw_only=True)
class _RunState(State):
    run: Stretch = field(default_factory=Stretch)
    phases: list[str] = field(default_factory=list)
    mode: float | None = None
    starts: _Counter = field(default_factory=_Counter)
    hours: _Counter = field(default_factory=_Counter)


class CompressorLongRun(Rule):
    """One run lasts longer than its phase allows.

    The phases are refill in nitrogen mode, refill in air-fill and declared system fill. A run that
    saw several is held to the most generous of their limits: a compressor that fell back to
    air-fill in mid-run has more to do than a refill. Without a mode that can be read, the limit of
    a refill in nitrogen mode applies and the message says so.

    Across a gap in the samples, an unchanged start count (or running hours that grew with the
    clock) proves one run; a start count that grew proves another. Otherwise the run counts
    from what was seen, "at least", and an alarm that stood before the gap stands still.
    """

    condition = "compressor-long-run"
    requires = {"compressor_running": "compressor running"}
    state: _RunState

    def __init__(self, context: Context, asset: str) -> None:
        self._running = f"{asset}.compressor_running"
        self._mode = f"{asset}.mode"
        self._starts = f"{asset}.start_count"
        self._hours = f"{asset}.running_hours"
        extra = [p for p in (self._mode, self._starts, self._hours) if context.wired(p)]
        super().__init__(
            context, asset, inputs=[self._running, *extra], needs=[self._running],
        )
        self.state = _RunState()
        limit = number(self.settings, "limit")
        site = context.plant.site
        computed, why = refill_limit(
            context.plant.generators[asset], site.altitude, site.standard_temperature,
        )
        self._explicit = limit is not None
        self._refill = int(limit) if limit is not None else computed
        self._refill_why = "set in the site file" if limit is not None else why
        self._limits = {
            "nitrogen": self._refill,
            "air-fill": int(number(self.settings, "air_fill_limit") or self._refill),
            "fill": int(number(self.settings, "fill_limit") or self._refill),
        }

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Take a sample of the compressor, its mode, its starts or its hours."""
        s = self.state
        if point == self._running:
            changed = s.run.sample(at, value >= 0.5, before_at, self.gap(point))
            if changed and s.run.on and s.run.lost_at is None:
                s.phases = []
            return self._note_phase(at) or self._settle(at) or changed
        if point == self._mode:
            s.mode = value
            return self._note_phase(at)
        if point == self._hours:
            s.hours.sample(at, value)
            return self._settle(at)
        s.starts.sample(at, value)
        return self._settle(at) or self._missed_stop(at)

    def _note_phase(self, at: int) -> bool:
        s = self.state
        if not s.run.on:
            return False
        mode = self.context.inputs.mode(self.asset, at)
        phase = "fill" if self.context.inputs.filling(self.asset, at) else mode
        if phase not in self._limits or phase in s.phases:
            return False
        s.phases = [*s.phases, phase]
        return True

    def _settle(self, at: int) -> bool:
        """Decide by the counters whether the run before a gap went on; return whether it could."""
        s = self.state
        if s.run.gap_at is None:
            return False
        counted = s.starts.across(s.run)
        if counted is not None:
            went_on = counted[0] == 0
        else:
            clocked = s.hours.across(s.run)
            if clocked is None or clocked[1] < 5 * _HOURS_STEP * _HOUR:
                return False  # nothing to go by, or the counter's own step is too coarse
            missing = clocked[1] / _HOUR - clocked[0]
            if clocked[0] < 0 or 1.5 * _HOURS_STEP < missing < 3 * _HOURS_STEP:
                return False
            went_on = missing <= 1.5 * _HOURS_STEP
        if went_on:
            s.run.went_on()
        else:
            s.run.ended()
            s.phases = []
            self._note_phase(at)
        return True

    def _missed_stop(self, at: int) -> bool:
        """Notice by the start count that it stopped and started between two samples."""
        s = self.state
        count, start = s.starts, s.run.start_at
        if (
            not s.run.on or start is None or count.value is None or count.before is None
            or count.before_at is None or count.value <= count.before
        ):
            return False
        # The rise that belongs to this run's own start may be read late, but not after a value
        # that was itself read well into the run.
        if count.before_at <= start + self.gap(self._running):
            return False
        s.run.restart(at)
        s.phases = []
        self._note_phase(at)
        return True

    def _accepted(self) -> int | None:
        """Return the limit (ms) that the timed pump-up of a signed acceptance gives."""
        found = None if self._explicit else \
            self.context.baselines.accepted("pump-up-time", self.asset)
        return None if found is None else round(found.value * _MARGIN * 60_000)

    def _limit(self, now: int) -> tuple[int, str]:
        phases = list(self.state.phases)
        if self.context.inputs.filling(self.asset, now) and "fill" not in phases:
            phases.append("fill")
        if not phases:
            return self._accepted() or self._refill, "unknown"
        limits = self._limits | {"nitrogen": self._accepted() or self._refill}
        longest = max(phases, key=lambda p: limits[p])
        return limits[longest], longest

    def evaluate(self, now: int) -> RawEvaluation:
        """Return whether the present run is over its limit."""
        self._note_phase(now)
        run = self.state.run
        if not run.on or run.start_at is None:
            return RawEvaluation.absent(run.end_at)
        limit, _ = self._limit(now)
        if now >= run.start_at + limit:
            return RawEvaluation.present(run.start_at + limit)
        if run.lost_at is not None and run.gap_at is not None and run.gap_at >= run.lost_at + limit:
            return RawEvaluation.unknown(
                "the samples have a gap: it may be the same run or a new one")
        return RawEvaluation.absent(run.start_at if run.known else None)

    def due(self, now: int) -> int | None:
        """Return when the run passes its limit, or a declared fill ends."""
        run = self.state.run
        if not run.on or run.start_at is None:
            return None
        over = run.start_at + self._limit(now)[0]
        until = self.context.inputs.fill_until(self.asset)
        times = [t for t in (over, until) if t is not None and t > now]
        return min(times, default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        """Return how long it has run, against which limit."""
        run = self.state.run
        limit, phase = self._limit(now)
        start = run.start_at if run.start_at is not None else now
        lasted = now - start
        least = "" if run.known else "at least "
        numbers = (
            f"The compressor has run for {least}{self.words.duration(lasted)}; the limit is "
            f"{self.words.duration(limit)} {self._phase_words(phase)}. "
            f"The run began {'' if run.known else 'before '}{self.words.instant(start)}."
        )
        first, causes = [], self.about.causes
        if phase == "air-fill":
            first.append("the unit is in air-fill: find out why it fell back")
            causes = tuple(cause for cause in causes if "air-fill" not in cause)
        values: Values = {
            "run_minutes": round(lasted / 60_000, 1), "limit_minutes": round(limit / 60_000, 1),
            "at_least": int(not run.known), "phase": phase,
        }
        return values, self.words.message(
            self.about, self.asset, since=start + limit, numbers=numbers, first=first,
            causes=causes,
        )

    def _phase_words(self, phase: str) -> str:
        if phase == "fill":
            return "for a declared system fill"
        if phase == "air-fill":
            return "for a refill in air-fill"
        known = "for a refill in nitrogen mode"
        why = "half as much again as the pump-up of the acceptance"
        source = f"({why if self._accepted() else self._refill_why})"
        return f"{known} {source}" if phase == "nitrogen" else (
            f"{known} {source}, taken because the mode is not read"
        )

    def no_change_band(self, point: str) -> Band | None:
        """Return the band of each point in which a sample in time changes nothing."""
        s = self.state
        if point == self._running:
            return s.run.no_change_band()
        if point in (self._hours, self._starts):
            return self._counter_band(point)
        known = point == self._mode and s.mode in (0.0, 1.0, 2.0)
        if known and s.mode is not None and MODES[int(s.mode)] in ("off", *s.phases):
            return Band(s.mode, s.mode)
        return None

    def _counter_band(self, point: str) -> Band | None:
        """Return a counter's values of which only the last two are kept."""
        s = self.state
        if s.run.gap_at is not None:
            return None
        if point == self._hours:
            return ALL_COUNTED
        count = s.starts.value
        return None if count is None else Band(count, count, counted=True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        """Take what was kept back of a counter."""
        counter = self.state.hours if point == self._hours else self.state.starts
        for at, value in zip(times[-2:], values[-2:], strict=True):
            counter.sample(at, value)
