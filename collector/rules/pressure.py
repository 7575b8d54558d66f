"""Supervisory pressure outside its limits, and the cold that threatens the valve."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

from collector.domain.verdicts import NotWatched
from collector.rules.base import Context, Level, RawEvaluation, Rule, Values, number
from collector.rules.falling import SENSOR_FIRST, fell_at_once

__all__ = ["CONDITIONS", "LowTemperature", "PressureHigh", "PressureLow"]

_FROST = {"us": (40 - 32) / 1.8, "metric": 4.0}
"""degrees C: 40 F (4 C), NFPA 25 as a checklist quotes it; each site gets the figure it reads."""


class _Bound(Rule):
    """One measured point of a riser against one limit, with a deadband."""

    above: ClassVar[bool] = False
    quantity: ClassVar[str] = "pressure"

    def __init__(self, context: Context, asset: str, limit: float) -> None:
        self._point = f"{asset}.{self.quantity}"
        super().__init__(context, asset, inputs=[self._point], needs=[self._point])
        self._limit = limit
        self._deadband = number(self.settings, "deadband") or 0.0
        self.level = Level()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Compare with the limit."""
        return self.level.compare(at, value, self._limit, self._deadband, above=self.above)

    def evaluate(self, now: int) -> RawEvaluation:
        """Return whether the limit is passed."""
        return self.level.evaluation()

    def no_change_band(self, point: str) -> tuple[float, float] | None:
        """Return the values that change nothing."""
        return self.level.band(self._limit, self._deadband, above=self.above)

    def _last(self) -> float:
        value = self.context.inputs.point(self._point).value
        return value if value is not None else self._limit


class _PressureBound(_Bound):
    """A limit of the supervisory pressure."""

    def describe(self, now: int) -> tuple[Values, str]:
        """Return the pressure and its limit."""
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
    """Supervisory pressure below its limit; a swing with temperature inside the limits is none."""

    condition = "pressure-low"

    def describe(self, now: int) -> tuple[Values, str]:
        """Return pressure and limit, and whether it looks like a sensor rather than like gas."""
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
    """Supervisory pressure above its limit; a swing with temperature inside the limits is none."""

    condition = "pressure-high"
    above = True


class LowTemperature(_Bound):
    """The valve room is too cold for the water that stands below the valve.

    The pipe of a freezer is meant to be cold, so the pipe's temperature never counts here.
    """

    condition = "low-temperature"
    quantity = "valve_room_temperature"

    def describe(self, now: int) -> tuple[Values, str]:
        """Return the temperature and its limit."""
        known = self._last()
        numbers = (
            f"The valve room is at {self.words.temperature(known)}; the limit is "
            f"{self.words.temperature(self._limit)}."
        )
        values: Values = {"temperature_degc": round(known, 1), "limit_degc": round(self._limit, 1)}
        return values, self.words.message(
            self.about, self.asset, since=self.level.since_at, numbers=numbers,
        )


def _pressure(kind: type[_PressureBound], name: str) -> Callable[
        [Context, str], Rule | NotWatched | None]:
    def build(context: Context, asset: str) -> Rule | NotWatched:
        reason = ""
        limit = number(context.settings.for_(kind.condition, asset), "limit")
        if limit is None:
            limit = getattr(context.plant.risers[asset], name)
        if not context.wired(f"{asset}.pressure"):
            reason = f"no supervisory pressure at {asset}"
        elif limit is None:
            reason = f"no {name} is set for {asset}"
        if reason or limit is None:
            return NotWatched(condition=kind.condition, asset=asset, reason=reason)
        return kind(context, asset, limit)
    return build


def _low_temperature(context: Context, asset: str) -> Rule | NotWatched:
    if not context.wired(f"{asset}.valve_room_temperature"):
        return NotWatched(
            condition=LowTemperature.condition, asset=asset,
            reason=f"no valve-room temperature at {asset}",
        )
    limit = number(context.settings.for_(LowTemperature.condition, asset), "limit")
    frost = _FROST[context.plant.site.units]
    return LowTemperature(context, asset, frost if limit is None else limit)


CONDITIONS: Mapping[str, Callable[[Context, str], Rule | NotWatched | None]] = {
    PressureLow.condition: _pressure(PressureLow, "low_pressure"),
    PressureHigh.condition: _pressure(PressureHigh, "high_pressure"),
    LowTemperature.condition: _low_temperature,
}
"""Condition id to what builds its rule for one asset."""
