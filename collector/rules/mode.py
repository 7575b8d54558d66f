"""Conditions of the generator's mode."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.readings import mode_code
from collector.domain.units import MINUTE
from collector.rules.base import Band, Context, Level, RawEvaluation, Rule, State, Values, number
from collector.rules.runs import Stretch

_OFF, _AIR_FILL = mode_code("off"), mode_code("air-fill")
_COMMON_RETURN = 80.0  # psi, the usual cut-out by common practice


@dataclass(slots=True, kw_only=True)
class _StayState(State):
    stay: Stretch = field(default_factory=Stretch)
    tank: Level = field(default_factory=Level)
    full_at: int | None = None
    """Time at which the tank was first too full in this stay; a later draw does not clear it."""
    last: float | None = None
    """The last mode."""
    run_series: list[list[int]] = field(default_factory=list)
    """Start of each stay since nitrogen was last seen, with only off in between."""
    found_at: int | None = None
    """Time since which it is stuck; neither off at rest nor a draw on the tank ends it."""


class AirFillStuck(Rule):
    """In air-fill for too long, or still in it with the tank full again.

    During a declared fill only the fill's own limit holds: then air-fill is what was asked for,
    with the tank full or not. Without a tank pressure the time alone decides.

    Some controllers say off while the compressor rests. Then a stay is no longer than a run, and
    the evidence is run after run in air-fill alone; off by itself ends nothing.
    """

    condition = "air-fill-stuck"
    requires = {"mode": "mode"}
    state: _StayState

    def __init__(self, context: Context, asset: str) -> None:
        self._mode, self._tank = f"{asset}.mode", f"{asset}.tank_pressure"
        extra = [self._tank] if context.is_configured(self._tank) else []
        super().__init__(context, asset, inputs=[self._mode, *extra], needs=[self._mode])
        self.state = _StayState()
        get = self.settings
        self._limit_set = int(number(get, "limit") or 0)
        self._fill_limit = int(number(get, "fill_limit") or self._limit_set)
        self._return_delay = int(number(get, "return_delay") or 0)
        self._deadband = number(get, "deadband") or 0.0
        self._runs = int(number(get, "runs") or 0)
        given = number(get, "return_pressure")
        if given is None:
            given = context.plant.generators[asset].cut_out
        self._return = _COMMON_RETURN if given is None else given

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        if point == self._mode:
            return self._observe_mode(at, value, before_at)
        return self.state.tank.compare(at, value, self._return, self._deadband, above=True)

    def _observe_mode(self, at: int, value: float, before_at: int | None) -> bool:
        s, gap = self.state, self.gap(self._mode)
        if before_at is None or at - before_at > gap:
            s.run_series = []  # what it did meanwhile was not seen
        if value != _AIR_FILL:
            s.full_at = None
        if value not in (_OFF, _AIR_FILL):
            s.run_series, s.found_at = [], None
        changed = s.stay.sample(at, value == _AIR_FILL, before_at, gap) or value != s.last
        if s.stay.on and value != s.last:
            s.run_series = [*s.run_series, [at]][-max(self._runs, 1):]
        s.last = value
        return changed

    def _filling(self, now: int) -> bool:
        return self.context.inputs.filling(self.asset, now)

    def _only_air(self, now: int) -> bool:
        """Whether enough runs in a row were in air-fill only, with off in between."""
        runs = self.state.run_series
        return 0 < self._runs <= len(runs) and not self._filling(now)

    def _too_long(self, now: int) -> int:
        start = self.state.stay.start_at
        limit = self._fill_limit if self._filling(now) else self._limit_set
        return (start if start is not None else now) + limit

    def _too_full(self, now: int) -> int | None:
        """Return when the stay above the return pressure becomes, or became, too long."""
        s = self.state
        if self._filling(now):
            return None
        if s.full_at is not None:
            return s.full_at
        if not s.tank.beyond or s.tank.since_at is None:
            return None
        if not self.context.inputs.point(self._tank).fresh(now):
            return None
        start = s.stay.start_at if s.stay.start_at is not None else now
        return max(s.tank.since_at, start) + self._return_delay

    def evaluate(self, now: int) -> RawEvaluation:
        s, stay = self.state, self.state.stay
        if not stay.on:
            if s.found_at is None and s.last == _OFF and self._only_air(now):
                s.found_at = s.run_series[0][0]
            if s.found_at is None:
                return RawEvaluation.inactive(stay.end_at)
            return RawEvaluation.active(s.found_at)
        if s.found_at is not None and not self._filling(now):
            return RawEvaluation.active(s.found_at)
        s.found_at = None
        long, full = self._too_long(now), self._too_full(now)
        first = min(t for t in (long, full) if t is not None)
        if full is not None and now >= full:
            s.full_at = full
        if now >= first:
            s.found_at = first
            return RawEvaluation.active(first)
        if (
            stay.lost_at is not None and stay.gap_at is not None
            and stay.gap_at >= stay.lost_at + self._limit_set
        ):
            return RawEvaluation.unknown("the mode has a gap: it may have left air-fill in between")
        return RawEvaluation.inactive(stay.start_at if stay.known else None)

    def next_evaluation_at(self, now: int) -> int | None:
        if not self.state.stay.on:
            return None
        times = (
            self._too_long(now), self._too_full(now), self.context.inputs.fill_until(self.asset),
        )
        return min((t for t in times if t is not None and t > now), default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        stay = self.state.stay
        start = stay.start_at if stay.start_at is not None else now
        end = now if stay.on or stay.end_at is None else stay.end_at
        lasted, limit = end - start, self._fill_limit if self._filling(now) else self._limit_set
        long, full = self._too_long(now), self._too_full(now)
        values: dict[str, float | int | str | None] = {
            "air_fill_minutes": round(lasted / MINUTE, 1),
            "limit_minutes": round(limit / MINUTE, 1),
            "at_least": int(not stay.known),
        }
        least = "" if stay.known else "at least "
        kind = "during a declared fill" if self._filling(now) else "for a stay in air-fill"
        numbers = (
            f"In air-fill for {least}{self.words.duration(lasted)}; the limit is "
            f"{self.words.duration(limit)} {kind}."
        )
        if not stay.on and lasted < limit and self._only_air(now):
            values["runs"] = self._runs
            numbers = (f"Its last {self._runs} runs were in air-fill, and no nitrogen was seen "
                       "between them.")
        tank = self.context.inputs.point(self._tank)
        if tank.value is not None and tank.fresh(now):
            values["tank_pressure_psi"] = round(tank.value, 2)
            numbers += f" Tank pressure is {self.words.pressure(tank.value)}."
        if full is not None and now >= full:
            values["return_pressure_psi"] = round(self._return, 2)
            numbers += (
                f" It should have gone back to nitrogen at {self.words.pressure(self._return)}."
            )
        numbers += " The pipe gets air, not nitrogen."
        since = self.state.found_at
        if since is None:
            since = long if full is None else min(long, full)
        return values, self.words.message(self.about, self.asset, since=since, numbers=numbers)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point != self._mode:
            return s.tank.band(self._return, self._deadband, above=True)
        return None if s.last is None else Band(s.last, s.last)
