"""Leak estimates: the rate, its cost for a day, and the days that show growth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.domain.events import EstimateMade
from collector.domain.units import DAY
from collector.physics.estimate import Estimate, Refusal
from collector.rules.base import Band, Context, Estimator, State
from collector.rules.leakrate import Figure, leaks_of
from collector.rules.rates import flow_factor

_KEPT_DAYS = 60


@dataclass(slots=True, kw_only=True)
class Days(State):
    """One row a day: [end (ms), share of the gas lost in a day, its deviation, psi a day, way].

    A share, because a hole leaks in proportion to the absolute pressure: days with another set
    pressure stay comparable.
    """

    rows_series: list[list[Any]] = field(default_factory=list)

    def add(self, figure: Figure) -> None:
        if figure.psi is None or figure.level <= 0:
            return
        self.rows_series.append([
            figure.window[1], figure.psi.value / figure.level, figure.psi.deviation / figure.level,
            figure.psi.value, f"{figure.way} {' '.join(figure.shared)}".strip(),
        ])
        del self.rows_series[:-_KEPT_DAYS]

    def alike(self) -> list[list[Any]]:
        """Return the days that were measured in the same way as the latest."""
        rows = self.rows_series
        return [r for r in rows if r[4] == rows[-1][4]] if rows else []


def days_of(context: Context, asset: str) -> Days:
    """Return the days of a riser or generator, shared by its quantity and its rule."""
    found = context.shared.get(f"leak-days.{asset}")
    if not isinstance(found, Days):
        found = context.shared[f"leak-days.{asset}"] = Days()
    return found


class LeakEquivalent(Estimator):
    """The leak as the pressure it would cost in 24 h at one temperature, nothing flowing in."""

    quantity = "leak-equivalent"

    def __init__(self, context: Context, asset: str, inputs: tuple[str, ...] = ()) -> None:
        super().__init__(context, asset, inputs)
        self._leaks = leaks_of(context)

    def make(self, now: int) -> EstimateMade | None:
        found = self._leaks.figure(self.asset, now, DAY)
        known: Estimate | Refusal = found if isinstance(found, Refusal) else (
            self._express(found)
            or Refusal(code="no-volume", reason="the volume of the pipe is not set"))
        if isinstance(known, Estimate):
            start = now - DAY if isinstance(found, Refusal) else found.window[0]
            return self._made(now, start, known.value, *known.interval())
        if self.asset in self.context.plant.generators and known.code != "no-volume":
            return None  # its risers say it
        return self._made(now, now - DAY, None, reason=known.reason)

    def _express(self, figure: Figure) -> Estimate | None:
        return figure.psi


class LeakRate(LeakEquivalent):
    """The leak as a flow.

    It also feeds the pipe's gas balance, which all leak rules and estimates share.

    The volume is taken as the site file states it; an error there scales the figure.
    """

    quantity = "leak-rate"

    def __init__(self, context: Context, asset: str) -> None:
        self._pipe = leaks_of(context).pipes.get(asset)
        super().__init__(context, asset, self._pipe.points if self._pipe else ())
        self._days = days_of(context, asset)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        if self._pipe:
            self._pipe.observe(point, at, value, before_at)

    def no_change_band(self, point: str) -> Band | None:
        return self._pipe.no_change_band(point) if self._pipe else None

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        if self._pipe:
            self._pipe.update_batch(point, times, values)

    def make(self, now: int) -> EstimateMade | None:
        found = self._leaks.figure(self.asset, now, DAY)
        if isinstance(found, Figure):
            self._days.add(found)
        return super().make(now)

    def _express(self, figure: Figure) -> Estimate | None:
        factor = flow_factor(self.context.plant)
        return None if figure.flow is None else figure.flow.scaled(factor)

    def dump(self) -> dict[str, Any]:
        return {"pipe": self._pipe.dump() if self._pipe else None, "days": self._days.dump()}

    def load(self, state: Mapping[str, Any]) -> None:
        if self._pipe and state.get("pipe"):
            self._pipe.load(state["pipe"])
        self._days.restore(state["days"])


class SharedLeakRate(LeakRate):
    """The leak of several risers of a generator together; it feeds the outflow."""

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._outflow = leaks_of(context).outflows[asset]
        self.inputs = self._outflow.points

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        self._outflow.observe(point, at, (value,))

    def no_change_band(self, point: str) -> Band | None:
        return self._outflow.held_band()

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        self._outflow.observe(point, times[-1], values)

    def dump(self) -> dict[str, Any]:
        return {**super().dump(), "outflow": self._outflow.state.dump()}

    def load(self, state: Mapping[str, Any]) -> None:
        super().load(state)
        self._outflow.state.restore(state.get("outflow", {}))


def build_estimators(context: Context) -> Iterable[Estimator]:
    """Return the estimators of every riser, and of every generator whose tank is read."""
    leaks, plant = leaks_of(context), context.plant
    read = [r for r in plant.risers
            if context.is_configured(f"{r}.pressure") or leaks.tank_read(leaks.feeds(r))]
    assets = [*read, *(g for g in plant.generators if leaks.tank_read(g))]
    return [kind(context, a) for a in assets for kind in (
        LeakRate if a in plant.risers else SharedLeakRate, LeakEquivalent)]
