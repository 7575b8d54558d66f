"""Conditions of the generator's mode."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.readings import mode_code
from collector.rules.base import Band, Context, Level, RawEvaluation, Rule, State, Values, number
from collector.rules.runs import Stretch

__all__ = ["AirFillStuck"]

_AIR_FILL = mode_code("air-fill")
_COMMON_RETURN = 80.0  # psi, the usual cut-out by common practice


@dataclass(slots=True, kw_only=True)
class _StayState(State):
    stay: Stretch = field(default_factory=Stretch)
    tank: Level = field(default_factory=Level)
    full_at: int | None = None
    """When this stay was first too full: a tank that is drawn down again later excuses nothing."""


class AirFillStuck(Rule):
    """In air-fill for too long, or still in it with the tank full again.

    During a declared fill only the fill's own limit holds: then air-fill is what was asked for,
    with the tank full or not. Without a tank pressure the time alone decides.
    """

    condition = "air-fill-stuck"
    requires = {"mode": "mode"}
    state: _StayState

    def __init__(self, context: Context, asset: str) -> None:
        self._mode, self._tank = f"{asset}.mode", f"{asset}.tank_pressure"
        extra = [self._tank] if context.wired(self._tank) else []
        super().__init__(context, asset, inputs=[self._mode, *extra], needs=[self._mode])
        self.state = _StayState()
        get = self.settings
        self._limit_set = int(number(get, "limit") or 0)
        self._fill_limit = int(number(get, "fill_limit") or self._limit_set)
        self._return_delay = int(number(get, "return_delay") or 0)
        self._deadband = number(get, "deadband") or 0.0
        given = number(get, "return_pressure")
        if given is None:
            given = context.plant.generators[asset].cut_out
        self._return = _COMMON_RETURN if given is None else given

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Take a sample of mode or tank pressure."""
        if point == self._mode:
            if value != _AIR_FILL:
                self.state.full_at = None
            return self.state.stay.sample(at, value == _AIR_FILL, before_at, self.gap(point))
        return self.state.tank.compare(at, value, self._return, self._deadband, above=True)

    def _filling(self, now: int) -> bool:
        return self.context.inputs.filling(self.asset, now)

    def _too_long(self, now: int) -> int:
        start = self.state.stay.start_at
        limit = self._fill_limit if self._filling(now) else self._limit_set
        return (start if start is not None else now) + limit

    def _too_full(self, now: int) -> int | None:
        """Return when the stay above the return pressure became too long, or will."""
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
        """Return whether it is stuck."""
        stay = self.state.stay
        if not stay.on:
            return RawEvaluation.absent(stay.end_at)
        long, full = self._too_long(now), self._too_full(now)
        first = min(t for t in (long, full) if t is not None)
        if full is not None and now >= full:
            self.state.full_at = full
        if now >= first:
            return RawEvaluation.present(first)
        if (
            stay.lost_at is not None and stay.gap_at is not None
            and stay.gap_at >= stay.lost_at + self._limit_set
        ):
            return RawEvaluation.unknown("the mode has a gap: it may have left air-fill in between")
        return RawEvaluation.absent(stay.start_at if stay.known else None)

    def due(self, now: int) -> int | None:
        """Return when it will have been too long, or a declared fill ends."""
        if not self.state.stay.on:
            return None
        times = (
            self._too_long(now), self._too_full(now), self.context.inputs.fill_until(self.asset),
        )
        return min((t for t in times if t is not None and t > now), default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        """Return how long it has been in air-fill, and the tank pressure where it is read."""
        stay = self.state.stay
        start = stay.start_at if stay.start_at is not None else now
        lasted, limit = now - start, self._fill_limit if self._filling(now) else self._limit_set
        long, full = self._too_long(now), self._too_full(now)
        values: dict[str, float | int | str | None] = {
            "air_fill_minutes": round(lasted / 60_000, 1),
            "limit_minutes": round(limit / 60_000, 1),
            "at_least": int(not stay.known),
        }
        least = "" if stay.known else "at least "
        kind = "during a declared fill" if self._filling(now) else "for a stay in air-fill"
        numbers = (
            f"In air-fill for {least}{self.words.duration(lasted)}; the limit is "
            f"{self.words.duration(limit)} {kind}."
        )
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
        since = long if full is None else min(long, full)
        return values, self.words.message(self.about, self.asset, since=since, numbers=numbers)

    def no_change_band(self, point: str) -> Band | None:
        """Return the band of each point in which a sample in time changes nothing."""
        s = self.state
        if point != self._mode:
            return s.tank.band(self._return, self._deadband, above=True)
        if s.stay.on is None:
            return None
        return Band(_AIR_FILL, _AIR_FILL) if s.stay.on else Band(-math.inf, _AIR_FILL - 0.5)
