"""Frequent air-fill: a generator that falls back to air-fill again and again."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.readings import mode_code
from collector.domain.units import DAY
from collector.rules.base import Band, Context, Level, RawEvaluation, Rule, State, Values, number
from collector.rules.running import Steady

_AIR_FILL = mode_code("air-fill")


@dataclass(slots=True, kw_only=True)
class _FallbackState(State):
    air: Steady = field(default_factory=Steady)
    entry_series: list[list[int]] = field(default_factory=list)
    level: Level = field(default_factory=Level)


class AirFillFrequent(Rule):
    """More fallbacks to air-fill in a day than the limit.

    A fallback that began in a declared fill is intended. One that was under way when monitoring
    began is not counted: its start was not seen.
    """

    condition = "air-fill-frequent"
    requires = {"mode": "mode"}
    state: _FallbackState

    def __init__(self, context: Context, asset: str) -> None:
        self._mode = f"{asset}.mode"
        super().__init__(context, asset, inputs=[self._mode], needs=[self._mode])
        self._limit = number(self.settings, "limit") or 0.0
        self._deadband = number(self.settings, "deadband") or 0.0
        self._bounce = int(number(self.settings, "bounce") or 0)
        self.state = _FallbackState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        moved = self._settle(at)
        return self.state.air.sample(at, value == _AIR_FILL) or moved

    def _settle(self, now: int) -> bool:
        s = self.state
        began = s.air.settle(now, self._bounce)
        if began is not None and s.air.on and not self.context.inputs.filling(self.asset, began):
            s.entry_series.append([began])
        return began is not None

    def evaluate(self, now: int) -> RawEvaluation:
        self._settle(now)
        s = self.state
        while s.entry_series and s.entry_series[0][0] <= now - DAY:
            s.entry_series.pop(0)
        s.level.compare(now, len(s.entry_series), self._limit, self._deadband, above=True)
        return s.level.evaluation()

    def next_evaluation_at(self, now: int) -> int | None:
        s = self.state
        times = [s.air.ripe(self._bounce)]
        if s.level.beyond and s.entry_series:
            times.append(s.entry_series[0][0] + DAY)
        return min((t for t in times if t is not None and t > now), default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        entries = self.state.entry_series
        numbers = (
            f"{len(entries)} times in the last 24 h the unit fell back to air-fill; the limit is "
            f"{self._limit:.0f}."
        )
        if entries:
            numbers += f" The last time was {self.words.instant(entries[-1][0])}."
        numbers += " Each time the pipe gets air, not nitrogen."
        values: Values = {"fallbacks": len(entries), "limit": round(self._limit)}
        return values, self.words.message(
            self.about, self.asset, since=self.state.level.since_at, numbers=numbers,
        )

    def no_change_band(self, point: str) -> Band | None:
        if self.state.air.no_change_band() is None:
            return None
        return Band(_AIR_FILL, _AIR_FILL) if self.state.air.on else Band(
            -math.inf, _AIR_FILL - 0.5)
