"""Compressor not starting: it should start and does not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from collector.domain.readings import MODES
from collector.domain.units import MINUTE
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

_COMMON_CUT_IN = 60.0
_NEAR, _DEEP = 5, 3
"""Numbers of readings whose median is compared, so that a wrong one does not count."""
_STARTS, _FEWEST = 9, 3
"""Starts that are stored, and the fewest from which a cut-in is learned."""
_SPREADS = 3.0
_FROM_MAD = 1.4826
"""Median absolute deviation of normal values to their standard deviation."""


@dataclass(slots=True, kw_only=True)
class _NotStartingState(State):
    off: Stretch = field(default_factory=Stretch)
    low: Level = field(default_factory=Level)
    deep: Level = field(default_factory=Level)
    power: Stretch = field(default_factory=Stretch)
    waits: bool = False
    """Whether only one poll shows it so far, and the next must confirm it."""
    holds: bool = False
    """Whether it is active: then the tank must rise by the deadband to end it."""
    recent_series: list[list[float]] = field(default_factory=list)
    """The last tank pressures: instant, psi."""
    rested: list[float] = field(default_factory=list)
    """Tank pressures before the last starts, psi."""


class CompressorNotStarting(Rule):
    """The tank is at or below cut-in and the compressor stays off.

    Gauge and pressure switch never agree exactly. Clearly below cut-in the compressor must start at
    once, close to cut-in within ``near_limit``; both times begin again when the power returns. The
    gauge's readings before past starts show by how much the two differ; before any start was seen,
    a pressure close to cut-in proves nothing. A loss of power that its own contact reports explains
    the condition, and nothing is raised again; where no condition reports it, the message says what
    is known of the power.
    """

    condition = "compressor-not-starting"
    requires = {"tank_pressure": "tank pressure", "compressor_running": "compressor running"}
    state: _NotStartingState

    def __init__(self, context: Context, asset: str) -> None:
        self._tank, self._running = f"{asset}.tank_pressure", f"{asset}.compressor_running"
        self._power, self._trouble = f"{asset}.power", f"{asset}.trouble"
        extra = [self._power] if context.is_configured(self._power) else []
        super().__init__(
            context, asset, inputs=[self._tank, self._running, *extra],
            needs=[self._tank, self._running],
        )
        given = number(self.settings, "cut_in")
        self._given = given if given is not None else context.plant.generators[asset].cut_in
        self._margin = number(self.settings, "margin") or 0.0
        self._deadband = number(self.settings, "deadband") or 0.0
        self._gauge = number(self.settings, "gauge") or 0.0
        self._near = int(number(self.settings, "near_limit") or 0)
        self.state = _NotStartingState()
        self._set_limits()

    def _set_limits(self) -> None:
        """Set the limits from the site file and past starts."""
        rested, given = self.state.rested, self._given
        learned = median(rested) if rested else None
        self._source = "from the site file"
        if given is not None:
            self._cut_in = given
            if learned is not None and learned < given - self._gauge:
                # More than the margin is no difference of two instruments, but a start too late.
                self._cut_in = max(learned, given - self._margin)
                self._source = (f"the site file says {self.words.pressure(given)}; by this gauge "
                                "it starts lower")
        elif learned is not None and len(rested) >= _FEWEST:
            self._cut_in, self._source = learned, f"learned from its last {len(rested)} starts"
        else:
            self._cut_in, self._source = _COMMON_CUT_IN, "common practice"
        lowest, spread = self._cut_in, 0.0
        if learned is not None:
            if given is not None:
                lowest = max(min(given, learned), given - self._margin)
            spread = _SPREADS * _FROM_MAD * median(abs(r - learned) for r in rested)
        # A few starts show little of the scatter of the next.
        least = self._gauge * (1.0 + (2.0 / math.sqrt(len(rested)) if rested else 0.0))
        self._low = lowest - max(least, min(spread, self._margin)) + 1e-6
        self._deep = min(self._cut_in - self._margin, self._low) + 1e-6

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._power:
            return s.power.sample(at, value >= 0.5, before_at, self.gap(point))
        if point == self._running:
            was, gap = s.off.on, self.gap(point)
            changed = s.off.sample(at, value < 0.5, before_at, gap)
            if was and not s.off.on and before_at is not None and at - before_at <= gap:
                self._started(before_at)
            return changed or s.waits
        if before_at is None or at - before_at > self.gap(point):
            s.recent_series = []
        s.recent_series = [*s.recent_series, [at, value]][-_NEAR:]
        return self._compare(at) or s.waits

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        kept = [[at, value] for at, value in zip(times[-_NEAR:], values[-_NEAR:], strict=True)]
        self.state.recent_series = [*self.state.recent_series, *kept][-_NEAR:]

    def _started(self, off_at: int) -> None:
        """Store the tank pressure when the compressor was last off (``off_at``) before a start."""
        s = self.state
        before = [value for at, value in s.recent_series if at <= off_at]
        if before:
            s.rested = [*s.rested, before[-1]][-_STARTS:]
            self._set_limits()
            self._compare(int(s.recent_series[-1][0]))

    def _compare(self, at: int) -> bool:
        s = self.state
        band = self._deadband if s.holds else 0.0
        changed = False
        for level, limit, count in ((s.low, self._low, _NEAR), (s.deep, self._deep, _DEEP)):
            rows = s.recent_series[-count:]
            middle = sorted(r[1] for r in rows)[len(rows) // 2]
            # A fall is dated from its first reading below, not from when half of them were.
            began = next((int(r[0]) for r in rows if r[1] < limit), at)
            changed |= level.compare(
                began if middle < limit else at, middle, limit, band, above=False)
        return changed

    def _power_off(self, now: int) -> bool:
        point = self.context.inputs.point(self._power)
        return point.fresh(now, self.gap(self._power)) and (point.value or 0.0) < 0.5

    def _began(self, level: Level, now: int) -> int:
        s = self.state
        times = (level.since_at, s.off.start_at, s.power.start_at if s.power.on else None)
        return max((t for t in times if t is not None), default=now)

    def _since(self, now: int) -> int:
        s = self.state
        return self._began(s.low if s.low.beyond else s.deep, now)

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        s.waits = False
        if not s.off.on or not (s.low.beyond or s.deep.beyond):
            s.holds = False
            times = (s.off.end_at if not s.off.on else None, s.low.since_at)
            return RawEvaluation.inactive(max((t for t in times if t is not None), default=None))
        since = self._since(now)
        if not s.deep.beyond and not s.rested and not s.holds:
            return RawEvaluation.inactive()  # by how much gauge and switch differ is not known yet
        held = self._began(s.deep, now) if s.deep.beyond else since + self._near
        if now < held and not s.holds:
            return RawEvaluation.inactive()
        s.waits = not s.holds and self._seen_until() <= (held if s.deep.beyond else since)
        if s.waits:
            return RawEvaluation.inactive()
        s.holds = True
        return RawEvaluation.active(since, held=held)

    def _seen_until(self) -> int:
        """Return the time up to which both tank and compressor were read."""
        inputs = self.context.inputs
        return min(inputs.point(p).at or 0 for p in (self._running, self._tank))

    def next_evaluation_at(self, now: int) -> int | None:
        s = self.state
        if not s.off.on or not s.low.beyond:
            return None
        over = self._began(s.low, now) + self._near
        return over if over > now else None

    def describe(self, now: int) -> tuple[Values, str]:
        s, inputs = self.state, self.context.inputs
        since = self._since(now)
        psi = inputs.point(self._tank).value or 0.0
        start = s.off.start_at if s.off.start_at is not None else now
        least = "" if s.off.known else "at least "
        said, first, power = self._supply(now)
        numbers = (
            f"Tank pressure is {self.words.pressure(psi)}, at or below the cut-in of "
            f"{self.words.pressure(self._cut_in)} ({self._source}), and the compressor has been "
            f"off for {least}{self.words.duration(now - start)}. {said}"
        )
        values: Values = {
            "tank_pressure_psi": round(psi, 2), "cut_in_psi": round(self._cut_in, 2),
            "off_minutes": round((now - start) / MINUTE, 1), "power": power,
        }
        return values, self.words.message(
            self.about, self.asset, since=since, numbers=numbers, first=first,
        )

    def _supply(self, now: int) -> tuple[str, list[str], str]:
        """Return a sentence on the power, the causes to check first, and one word."""
        inputs = self.context.inputs
        power = inputs.point(self._power)
        off = "the power: switched off at the disconnect, a breaker or a fuse"
        mode = inputs.mode(self.asset, now)
        trouble = inputs.points.get(f"{self.asset}.trouble")
        first = []
        if trouble is not None and trouble.fresh(now) and (trouble.value or 0) >= 0.5:
            first = ["the unit's own trouble contact is on: read its display"]
        if power.at is not None and power.fresh(now, self.gap(self._power)):
            if self._power_off(now):
                return "Its power contact says the power is off.", [off, *first], "off"
            return "Its power contact says the power is on.", first, "on"
        if mode == MODES[0]:
            return (
                "Its mode reads off: the unit is switched off or has no power.",
                [off, "the unit's own switch", *first], "not read",
            )
        return "Whether it has power is not read.", [*first, off], "not read"

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._power:
            return s.power.no_change_band()
        if s.waits:
            return None
        if point == self._tank:
            # Only remembered: they cannot make a median low.
            known = s.low.beyond is False and s.deep.beyond is False
            return Band(self._low, math.inf, counted=True) if known else None
        return None if s.off.on is None else contact_band(not s.off.on)._replace(own=False)

    def load(self, state: Mapping[str, Any]) -> None:
        super().load(state)
        self._set_limits()
