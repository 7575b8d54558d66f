"""Supervisory pressure outside its limits, and low valve room temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

from collector.domain.conditions import limit_of
from collector.rules.base import Band, Context, Level, RawEvaluation, Rule, State, Values, number
from collector.rules.falling import SENSOR_FIRST, fell_at_once

_ZONE = 4.0
"""Deadbands about the limit within which every sample is taken; no deadband grows wider."""
_SPREADS = 6.0
"""Deviations of one reading from side to side of those that scatter about a limit."""
_FROM_BENDS = 0.512
"""Mean absolute second difference of normal readings to the deviation of one: sqrt(pi/12)."""
_LONG = 100


@dataclass(slots=True, kw_only=True)
class _BoundState(State):
    level: Level = field(default_factory=Level)
    last: float | None = None
    last_at: int | None = None
    moved: float | None = None
    step: float = 0.0
    """Smallest change between two samples near the limit."""
    bend: float = 0.0
    """Mean absolute second difference near the limit."""
    count: int = 0

    def learn(self, at: int, value: float, before_at: int | None) -> None:
        """Learn the scatter of readings near the limit."""
        if self.last is None or before_at != self.last_at:
            self.moved = None
        else:
            moved = value - self.last
            if moved:
                self.step = min(self.step or abs(moved), abs(moved))
            if self.moved is not None:
                self.count = min(self.count + 1, _LONG)
                self.bend += (abs(moved - self.moved) - self.bend) / self.count
            self.moved = moved
        self.last, self.last_at = value, at


class _Bound(Rule):
    """One measured point of a riser against one limit, with a deadband.

    The deadband is no narrower than the gauge's own step and scatter, learned near the limit: a
    pressure that passes it slowly would be raised and return with every flicker.
    """

    above: ClassVar[bool] = False
    quantity: ClassVar[str] = "pressure"
    state: _BoundState

    def __init__(self, context: Context, asset: str) -> None:
        self._point = f"{asset}.{self.quantity}"
        super().__init__(context, asset, inputs=[self._point], needs=[self._point])
        limit = limit_of(self.condition, asset, context.plant, context.settings)
        assert limit is not None  # noqa: S101 - lacks() saw to it
        self._limit = limit
        self._least = number(self.settings, "deadband") or 0.0
        self.state = _BoundState()

    @property
    def level(self) -> Level:
        """Side of the limit."""
        return self.state.level

    @property
    def _deadband(self) -> float:
        s = self.state
        own = max(s.step, _SPREADS * _FROM_BENDS * s.bend)
        return max(self._least, min(own, _ZONE * self._least))

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        changed = self.level.compare(at, value, self._limit, self._deadband, above=self.above)
        if abs(value - self._limit) <= _ZONE * self._least:
            self.state.learn(at, value, before_at)
        return changed

    def evaluate(self, now: int) -> RawEvaluation:
        return self.level.evaluation()

    def no_change_band(self, point: str) -> Band | None:
        beyond, reach = self.level.beyond, _ZONE * self._least + 1e-6
        if beyond is None:
            return None
        return Band(self._limit + reach, math.inf) if beyond is self.above else Band(
            -math.inf, self._limit - reach)

    def _last(self) -> float:
        value = self.context.inputs.point(self._point).value
        return value if value is not None else self._limit


class _PressureBound(_Bound):
    """A limit of the supervisory pressure."""

    requires = {"pressure": "supervisory pressure"}
    bound: ClassVar[str]
    """Key of the riser's limit in the site file."""

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        none = limit_of(cls.condition, asset, context.plant, context.settings) is None
        return super().lacks(context, asset) or (
            f"no {cls.bound} is set for {asset}" if none else "")

    def describe(self, now: int) -> tuple[Values, str]:
        known = self._last()
        numbers = (
            f"Supervisory pressure is {self.words.pressure(known)}; the limit is "
            f"{self.words.pressure(self._limit)}."
        )
        values: Values = {"pressure_psi": round(known, 2), "limit_psi": round(self._limit, 2)}
        return values, self.words.message(
            self.about, self.asset, since=self.level.since_at, numbers=numbers,
        )


class PressureLow(_PressureBound):
    """Supervisory pressure below its limit; a temperature swing within limits does not count."""

    condition = "pressure-low"
    bound = "low_pressure"

    def describe(self, now: int) -> tuple[Values, str]:
        values, text = super().describe(now)
        start = fell_at_once(self.context, self.asset, now)
        if start is None:
            return values, text
        pressure = self.words.pressure
        numbers = (
            f"Supervisory pressure reads {pressure(self._last())}; the limit is "
            f"{pressure(self._limit)}. It fell from {pressure(start)} from one reading to the next,"
            " with no fall in between, and nothing else says that gas went: likely the sensor. Take"
            " it for real until somebody has looked."
        )
        return {**values, "cause": "sensor"}, self.words.message(
            self.about, self.asset, since=self.level.since_at, numbers=numbers,
            first=(SENSOR_FIRST,), causes=self.about.causes[:-1],
        )


class PressureHigh(_PressureBound):
    """Supervisory pressure above its limit; a temperature swing within limits does not count."""

    condition = "pressure-high"
    bound = "high_pressure"
    above = True


class LowTemperature(_Bound):
    """The valve room is too cold for the water below the valve.

    The pipe of a freezer is meant to be cold, so the pipe's temperature never counts here.
    """

    condition = "low-temperature"
    quantity = "valve_room_temperature"
    requires = {quantity: "valve-room temperature"}

    def describe(self, now: int) -> tuple[Values, str]:
        known = self._last()
        numbers = (
            f"The valve room is at {self.words.temperature(known)}; the limit is "
            f"{self.words.temperature(self._limit)}."
        )
        values: Values = {"temperature_degc": round(known, 1), "limit_degc": round(self._limit, 1)}
        return values, self.words.message(
            self.about, self.asset, since=self.level.since_at, numbers=numbers,
        )
