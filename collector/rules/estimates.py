"""Quantities that are reported by the day: each with an interval and its window, or a reason."""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

from collector.domain.events import EstimateMade
from collector.physics.atmosphere import OXYGEN_IN_AIR
from collector.physics.distributions import normal_quantile
from collector.physics.sums import MeanSums
from collector.rules.base import Context, SampleConsumer, State
from collector.rules.ventgas import PipeOxygen, target_of

__all__ = ["STEP", "Estimator", "PurgeCompletion", "build_estimators"]

_DAY = 86_400_000
_HOUR = 3_600_000
STEP = 0.1
"""%; the resolution of a common oxygen sensor, and the half-width (90 %) of its own error in a
day."""


class Estimator(SampleConsumer):
    """One quantity of one asset, fed with good samples and asked once a day."""

    quantity: ClassVar[str]
    unit: ClassVar[str]

    def __init__(self, context: Context, asset: str, inputs: tuple[str, ...]) -> None:
        self.context, self.asset, self.inputs = context, asset, inputs

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.asset}, {self.dump()})"

    @property
    def wanted(self) -> bool:
        """Whether it has news that should not wait for midnight; :meth:`make` settles it."""
        return False

    @abstractmethod
    def begin(self, now: int) -> None:
        """Start a window at ``now``."""

    @abstractmethod
    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""

    @abstractmethod
    def make(self, now: int) -> EstimateMade | None:
        """Close the window at ``now``; return what it gives, or ``None`` where nothing is read."""

    @abstractmethod
    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data, instants marked as for rules."""

    @abstractmethod
    def _made(
        self, now: int, start: int, value: float | None, low: float | None = None,
        high: float | None = None, reason: str = "",
    ) -> EstimateMade:
        rounded = [None if x is None else round(x, 3) for x in (value, low, high)]
        return EstimateMade(
            time=now, site=self.context.plant.site.id, quantity=self.quantity, asset=self.asset,
            value=rounded[0], low=rounded[1], high=rounded[2], unit=self.unit,
            window=(start, now), reason=reason,
        )


@dataclass(slots=True, kw_only=True)
class _CompletionState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    hour_at: int = 0
    sums: dict[str, float] = field(default_factory=dict)
    last_at: int | None = None
    last: dict[str, float] = field(default_factory=dict)


class PurgeCompletion(Estimator):
    """How much of the oxygen that has to go is gone: (air - x) / (air - target), in percent.

    From the last full hour with readings of the pipe's gas; what a chamber shows of room air is
    left out. The interval is that of the hour's mean and, independent of it, a step of the sensor
    for what averaging cannot remove: the rounding, and the drift of a common cell over days.
    """

    quantity = "purge-completion"
    unit = "%"
    state: _CompletionState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, (f"{asset}.oxygen", f"{asset}.open"))
        self.state = _CompletionState()
        self._target = target_of(context, asset)
        self._sums = MeanSums()
        self._last = context.inputs.point(self.inputs[0])

    def begin(self, now: int) -> None:
        """Start the first hour."""
        self.state.hour_at = now // _HOUR * _HOUR

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a sample into its hour."""
        s = self.state
        if point != self.inputs[0]:
            s.pipe.position(at, value)
            return
        if not s.pipe.of_pipe(at, value):
            return
        hour = at // _HOUR * _HOUR
        if hour != s.hour_at:
            if self._sums.count:
                s.last, s.last_at = self._sums.dump(), s.hour_at + _HOUR
            self._sums = MeanSums()
            s.hour_at = hour
        self._sums.add(value)

    def no_change_band(self, point: str) -> tuple[float, float] | None:
        """Return the band of the vent's position."""
        return None if point == self.inputs[0] else self.state.pipe.no_change_band()

    def holds(self, point: str) -> tuple[float, float, int | None] | None:
        """Return the oxygen that only goes into the mean of its hour."""
        if point != self.inputs[0]:
            return None
        found = self.state.pipe.holds(self._last.at or 0)
        return None if found is None else (
            found[0], found[1], self.state.hour_at + _HOUR if found[2] else None,
        )

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        """Take readings that were kept back."""
        found = self.state.pipe.holds(times[0])
        self.state.pipe.of_pipe_many(values)
        if found is not None and found[2]:
            for value in values:
                self._sums.add(value)

    def make(self, now: int) -> EstimateMade | None:
        """Return the completion by the last hour that has readings."""
        s = self.state
        if self.context.inputs.point(self.inputs[0]).at is None:
            return None
        sums = MeanSums.load(s.last) if s.last else self._sums
        end = s.last_at if s.last else now
        # The hour that ends at this very midnight is only closed by the reading after it.
        if self._sums.count > 1 and s.hour_at + _HOUR <= now:
            sums, end = self._sums, s.hour_at + _HOUR
        if sums.count < 2 or end is None or now - end > _DAY:
            return self._made(now, now - _DAY, None, reason="no oxygen readings in the last day")
        air = 100 * OXYGEN_IN_AIR
        if self._target >= air:
            return self._made(now, end - _HOUR, None, reason="the target is not below air")
        mean = sums.estimate()
        assert mean is not None  # noqa: S101 - two samples at least
        half = math.hypot(normal_quantile(0.95) * mean.deviation, STEP)
        low, value, high = (
            min(100.0, max(0.0, 100 * (air - x) / (air - self._target)))
            for x in (mean.value + half, mean.value, mean.value - half)
        )
        return self._made(now, end - _HOUR, value, low, high)

    def dump(self) -> dict[str, Any]:
        """Return the state."""
        self.state.sums = self._sums.dump()
        return self.state.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.state.restore(state)
        self._sums = MeanSums.load(self.state.sums) if self.state.sums else MeanSums()


def build_estimators(context: Context) -> list[Estimator]:
    """Return the estimators of everything that is wired."""
    return [
        PurgeCompletion(context, v) for v in context.plant.vents if context.wired(f"{v}.oxygen")
    ]
