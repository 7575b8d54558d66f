"""Conditions of the compressor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.readings import MODES
from collector.domain.units import HOUR, MINUTE
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
from collector.rules.refill import Refill, RefillState, refill_limit
from collector.rules.runs import Stretch

__all__ = ["CompressorLongRun", "refill_limit"]

_HOURS_STEP = 0.1
_MOST = 5
"""Number of limits after which a run that fills the pipes is too long as well (setting)."""
_LOOK = 30_000


@dataclass(slots=True, kw_only=True)
class _Counter(State):
    """The last two values of a counter, to bridge a gap of the running contact."""

    value: float | None = None
    value_at: int | None = None
    before: float | None = None
    before_at: int | None = None

    def sample(self, at: int, value: float) -> None:
        """Apply a value."""
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
    refill: RefillState = field(default_factory=RefillState)
    over: int = 0
    """Runs in a row that were too long and ended."""
    over_at: int | None = None
    """Time at which the first of them passed its limit."""
    lasted: int = 0
    allowed: int = 0
    phase: str = ""
    """The last of them: ms, its limit and phase."""
    found_at: int | None = None
    """The start of the last run that was found too long: it stays so until it ends."""


class CompressorLongRun(Rule):
    """One run lasts longer than its phase allows.

    The phases are refill in nitrogen mode, refill in air-fill and declared system fill. A run that
    saw several is held to the most generous of their limits: a compressor that fell back to
    air-fill in mid-run has more to do than a refill. Without a mode that can be read, the limit of
    a refill in nitrogen mode applies and the message says so.

    Across a gap in the samples, an unchanged start count (or running hours that grew with the
    clock) proves one run; a start count that grew proves another. Otherwise the run counts
    from what was seen, "at least", and an alarm that was active before the gap stays active.

    What makes one run too long makes the next ones so: the alarm stays active, with a count, until
    a run is healthy again.
    """

    condition = "compressor-long-run"
    requires = {"compressor_running": "compressor running"}
    state: _RunState

    def __init__(self, context: Context, asset: str) -> None:
        self._running = f"{asset}.compressor_running"
        self._mode = f"{asset}.mode"
        self._starts = f"{asset}.start_count"
        self._hours = f"{asset}.running_hours"
        extra = [p for p in (self._mode, self._starts, self._hours) if context.is_configured(p)]
        super().__init__(
            context, asset, inputs=[self._running, *extra], needs=[self._running],
        )
        self.state = _RunState()
        self._refill = Refill(context, asset, number(self.settings, "limit"))
        self.state.refill = self._refill.state
        self._others = {name: number(self.settings, f"{name.replace('-', '_')}_limit")
                        for name in ("air-fill", "fill")}

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._running:
            ends = value < 0.5 and bool(s.run.on)
            if ends:
                self._ended(at, before_at)
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
        if phase not in ("nitrogen", *self._others) or phase in s.phases:
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
            if clocked is None or clocked[1] < 5 * _HOURS_STEP * HOUR:
                return False  # nothing to go by, or the counter's own step is too coarse
            missing = clocked[1] / HOUR - clocked[0]
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
        """Detect by the start counter a stop and start between two samples."""
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

    def _ended(self, at: int, before_at: int | None) -> None:
        """Evaluate the run that ended: a healthy one ends the alarm and is learned from."""
        s, run = self.state, self.state.run
        if run.start_at is None or before_at is None or at - before_at > self.gap(self._running):
            return
        limit, phase = self._limit(at)
        lasted = at - run.start_at
        excused = self._excused(at, limit)
        self._refill.state.doubtful = lasted >= limit and not self._refill.fills(at, run.start_at)
        if lasted >= limit + self.on_delay and (s.found_at == run.start_at or not excused):
            if not s.over:
                s.over_at = run.start_at + limit
            s.over += 1
            s.lasted, s.allowed, s.phase = lasted, limit, phase
        elif run.known and phase in ("nitrogen", "unknown"):
            # One in air-fill, or of a declared fill, says nothing of a refill. A long one between
            # healthy ones is learned too: some plants have two kinds.
            if s.over == 1 and s.phase == phase:
                self._refill.learn(at - s.lasted, at, s.lasted)
            s.over, s.over_at = 0, None
            if not self._refill.state.doubtful:
                self._refill.learn(run.start_at, at, lasted)

    def _excused(self, now: int, limit: int) -> bool:
        start = self.state.run.start_at
        return start is not None and now < start + _MOST * limit and self._limit(now)[1] in (
            "nitrogen", "unknown") and self._refill.excused(now, start)

    def _limit(self, now: int) -> tuple[int, str]:
        phases = list(self.state.phases)
        if self.context.inputs.filling(self.asset, now) and "fill" not in phases:
            phases.append("fill")
        refill = self._refill.limit()[0]
        if not phases:
            return refill, "unknown"
        limits = {name: int(given or refill) for name, given in self._others.items()}
        limits["nitrogen"] = refill
        longest = max(phases, key=lambda p: limits[p])
        return limits[longest], longest

    def evaluate(self, now: int) -> RawEvaluation:
        self._note_phase(now)
        s, run = self.state, self.state.run
        if run.on and run.start_at is not None:
            limit, _ = self._limit(now)
            if now >= run.start_at + limit and (
                    s.found_at == run.start_at or not self._excused(now, limit)):
                s.found_at = run.start_at
                return RawEvaluation.active(s.over_at or run.start_at + limit)
            lost = run.gap_at is not None and run.lost_at is not None and (
                run.gap_at >= run.lost_at + limit)
            if lost and not s.over:
                return RawEvaluation.unknown(
                    "the samples have a gap: it may be the same run or a new one")
        if s.over:  # it is the same fact until a run is healthy
            return RawEvaluation.active(s.over_at)
        return RawEvaluation.inactive(
            run.end_at if not run.on else run.start_at if run.known else None)

    def next_evaluation_at(self, now: int) -> int | None:
        run = self.state.run
        if not run.on or run.start_at is None:
            return None
        over = run.start_at + self._limit(now)[0]
        if over <= now and not self.state.over and self._excused(now, over - run.start_at):
            over = now + _LOOK
        until = self.context.inputs.fill_until(self.asset)
        times = [t for t in (over, until) if t is not None and t > now]
        return min(times, default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        s, run = self.state, self.state.run
        limit, phase = self._limit(now)
        start = run.start_at if run.start_at is not None else now
        lasted, count = now - start, s.over + 1
        least = "" if run.known else "at least "
        numbers = (
            f"The compressor has run for {least}{self.words.duration(lasted)}; the limit is "
            f"{self.words.duration(limit)} {self._phase_words(phase)}. "
            f"The run began {'' if run.known else 'before '}{self.words.instant(start)}."
        )
        if s.over and (not run.on or lasted < limit):
            lasted, limit, phase, count = s.lasted, s.allowed, s.phase, s.over
            numbers = (
                f"The last run that was too long took {self.words.duration(lasted)}; the limit "
                f"was {self.words.duration(limit)} {self._phase_words(phase)}."
            )
        if count > 1:
            numbers += f" {count} runs in a row were too long."
        first, causes = [], self.about.causes
        if phase == "air-fill":
            first.append("the unit is in air-fill: find out why it fell back")
            causes = tuple(cause for cause in causes if "air-fill" not in cause)
        values: Values = {
            "run_minutes": round(lasted / MINUTE, 1), "limit_minutes": round(limit / MINUTE, 1),
            "at_least": int(not run.known), "phase": phase, "runs_in_a_row": count,
        }
        return values, self.words.message(
            self.about, self.asset, since=s.over_at or start + limit, numbers=numbers,
            first=first, causes=causes,
        )

    def _phase_words(self, phase: str) -> str:
        if phase == "fill":
            return "for a declared system fill"
        if phase == "air-fill":
            return "for a refill in air-fill"
        found = f"for a refill in nitrogen mode ({self._refill.limit()[1]})"
        return found if phase == "nitrogen" else f"{found}, taken because the mode is not read"

    def no_change_band(self, point: str) -> Band | None:
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
        """Return the band of a counter, of whose values only the last two matter."""
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
        counter = self.state.hours if point == self._hours else self.state.starts
        for at, value in zip(times[-2:], values[-2:], strict=True):
            counter.sample(at, value)
