"""Conditions of the supervisory pressure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from collector.domain.verdicts import NotWatched
from collector.rules.base import Context, Finding, Level, Rule, Values, number

__all__ = ["CONDITIONS", "PressureLow"]


class PressureLow(Rule):
    """Supervisory pressure below its limit; a swing with temperature inside the limits is none."""

    condition = "pressure-low"

    def __init__(self, context: Context, asset: str, limit: float) -> None:
        self._pressure = f"{asset}.pressure"
        super().__init__(context, asset, inputs=[self._pressure], needs=[self._pressure])
        self._limit = limit
        self._deadband = number(self.settings, "deadband") or 0.0
        self.level = Level()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Compare with the limit."""
        return self.level.compare(at, value, self._limit, self._deadband, above=False)

    def judge(self, now: int) -> Finding:
        """Return whether the pressure is low."""
        return self.level.finding()

    def quiet(self, point: str) -> tuple[float, float] | None:
        """Return the pressures that change nothing."""
        return self.level.band(self._limit, self._deadband, above=False)

    def describe(self, now: int) -> tuple[Values, str]:
        """Return the pressure and its limit."""
        value = self.context.inputs.point(self._pressure).value
        known = value if value is not None else self._limit
        numbers = (
            f"Supervisory pressure is {self.words.pressure(known)}; the limit is "
            f"{self.words.pressure(self._limit)}."
        )
        values: Values = {"pressure_psi": round(known, 2), "limit_psi": round(self._limit, 2)}
        return values, self.words.message(
            self.about, self.asset, since=self.level.since_at, numbers=numbers,
        )

    def dump(self) -> dict[str, Any]:
        """Return the state."""
        return self.level.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.level.take(state)


def _pressure_low(context: Context, asset: str) -> Rule | NotWatched:
    reason = ""
    limit = number(context.settings.for_(PressureLow.condition, asset), "limit")
    if limit is None:
        limit = context.plant.risers[asset].low_pressure
    if not context.wired(f"{asset}.pressure"):
        reason = f"no supervisory pressure at {asset}"
    elif limit is None:
        reason = f"no low_pressure is set for {asset}"
    if reason or limit is None:
        return NotWatched(condition=PressureLow.condition, asset=asset, reason=reason)
    return PressureLow(context, asset, limit)


CONDITIONS: Mapping[str, Callable[[Context, str], Rule | NotWatched | None]] = {
    PressureLow.condition: _pressure_low,
}
"""Condition id to what builds its rule for one asset."""
