"""Purge completion and exposure to oxygen by the day, with interval, or the reason for none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.events import EstimateMade
from collector.domain.units import DAY, HOUR
from collector.physics.atmosphere import OXYGEN_IN_AIR
from collector.physics.distributions import normal_quantile
from collector.physics.sums import MeanSums
from collector.rules.base import Band, Context, Estimator, State
from collector.rules.ventgas import PipeOxygen, target_of

__all__ = ["OxygenExposure", "PurgeCompletion", "build_estimators"]

_SEEN = 0.5
_STEP = 0.1
"""%; the resolution of a common oxygen sensor, and the half-width (90 %) of its own error in a
day."""


@dataclass(slots=True, kw_only=True)
class _CompletionState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    hour_at: int = 0
    sums: MeanSums = field(default_factory=MeanSums)
    last_at: int | None = None
    last: MeanSums = field(default_factory=MeanSums)


class PurgeCompletion(Estimator):
    """Share of the oxygen to be purged that is gone: (air - x) / (air - target), in percent.

    From the last full hour with readings of the pipe's gas; what a chamber shows of room air is
    left out. The interval is that of the hour's mean and, independent of it, a step of the sensor
    for what averaging cannot remove: the rounding, and the drift of a common cell over days.
    """

    quantity = "purge-completion"
    state: _CompletionState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, (f"{asset}.oxygen", f"{asset}.open"))
        self.state = _CompletionState()
        self._target = target_of(context, asset)
        self._last = context.inputs.point(self.inputs[0])

    def begin(self, now: int) -> None:
        self.state.hour_at = now // HOUR * HOUR

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        s = self.state
        if point != self.inputs[0]:
            s.pipe.position(at, value)
            return
        if not s.pipe.of_pipe(at, value):
            return
        hour = at // HOUR * HOUR
        if hour != s.hour_at:
            if s.sums.count:
                s.last, s.last_at = s.sums, s.hour_at + HOUR
            s.sums, s.hour_at = MeanSums(), hour
        s.sums.add(value)

    def no_change_band(self, point: str) -> Band | None:
        if point != self.inputs[0]:
            return self.state.pipe.no_change_band()
        found = self.state.pipe.held_band(self._last.at or 0)
        if found is None:
            return None
        band, of_pipe = found
        if not of_pipe:
            return band
        return Band(band.low, band.high, self.state.hour_at + HOUR, counted=True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s = self.state
        found = s.pipe.held_band(times[0])
        s.pipe.of_pipe_many(values)
        if found is not None and found[1]:
            for value in values:
                s.sums.add(value)

    def make(self, now: int) -> EstimateMade | None:
        s = self.state
        if self.context.inputs.point(self.inputs[0]).at is None:
            return None
        sums = s.last if s.last.count else s.sums
        end = s.last_at if s.last.count else now
        # The hour that ends at this very midnight is only closed by the reading after it.
        if s.sums.count > 1 and s.hour_at + HOUR <= now:
            sums, end = s.sums, s.hour_at + HOUR
        if sums.count < 2 or end is None or now - end > DAY:
            return self._made(now, now - DAY, None, reason="no oxygen readings in the last day")
        air = 100 * OXYGEN_IN_AIR
        if self._target >= air:
            return self._made(now, end - HOUR, None, reason="the target is not below air")
        mean = sums.estimate()
        assert mean is not None  # noqa: S101 - two samples at least
        half = math.hypot(normal_quantile(0.95) * mean.deviation, _STEP)
        low, value, high = (
            min(100.0, max(0.0, 100 * (air - x) / (air - self._target)))
            for x in (mean.value + half, mean.value, mean.value - half)
        )
        return self._made(now, end - HOUR, value, low, high)


@dataclass(slots=True, kw_only=True)
class _ExposureState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    start_at: int = 0
    last: float | None = None
    total: float = 0.0
    """% ms above the target."""
    known_ms: int = 0


class OxygenExposure(Estimator):
    """Percent-days of oxygen above the target in the day that ends: corrosion exposure of the pipe.

    Readings of the pipe's gas count until the next one, within the longest gap that still is
    unbroken; while a vent breathes room air when shut, the last reading of the pipe holds. Bounds:
    a step of the sensor for its own error, as for the completion, and what was not seen anywhere
    between the target and air.
    """

    quantity = "oxygen-exposure"
    state: _ExposureState

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        super().__init__(context, asset, (self._oxygen, self._open))
        self.state = _ExposureState()
        self._last = context.inputs.point(self._oxygen)
        self._target = target_of(context, asset)

    def begin(self, now: int) -> None:
        s = self.state
        s.start_at, s.total, s.known_ms = now, 0.0, 0

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        s = self.state
        if point == self._open:
            s.pipe.position(at, value)
            return
        gap = self.context.inputs.max_gap(point)
        if before_at is not None and at - before_at <= gap and s.last is not None:
            passed = max(at - max(before_at, s.start_at), 0)
            s.known_ms += passed
            s.total += max(s.last - self._target, 0.0) * passed
        if s.pipe.of_pipe(at, value):
            s.last = value

    def no_change_band(self, point: str) -> Band | None:
        if point == self._open:
            return self.state.pipe.no_change_band()
        found = self.state.pipe.held_band(self._last.at or 0) if point == self._oxygen else None
        return None if found is None else found[0]

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s, target = self.state, self._target
        found = s.pipe.held_band(times[0])
        of_pipe, last = found is not None and found[1], s.last
        for at, value in zip(times, values, strict=True):
            if last is not None:
                passed = max(at - max(before_at, s.start_at), 0)
                s.known_ms += passed
                s.total += max(last - target, 0.0) * passed
            if of_pipe:
                last = value
            before_at = at
        s.last = last
        s.pipe.of_pipe_many(values)

    def make(self, now: int) -> EstimateMade | None:
        s = self.state
        start, whole = s.start_at, now - s.start_at
        seen, total, last = min(s.known_ms, whole), s.total / DAY, s.last
        self.begin(now)
        if self.context.inputs.point(self._oxygen).at is None or whole <= 0:
            return None
        cover = seen / whole
        if cover < _SEEN:
            return self._made(
                now, start, None, reason=f"only {100 * cover:.0f} % of the time was seen",
            )
        blind = (whole - seen) / DAY
        air = 100 * OXYGEN_IN_AIR - self._target
        error = _STEP * seen / DAY
        above = last is not None and last > self._target - _STEP
        low = max(total - error, 0.0)
        high = total + (error if total > 0 or above else 0.0) + blind * air
        coverage = "" if cover > 0.995 else f"{100 * cover:.0f} % of the time was seen"
        return self._made(now, start, total / cover, low, high, reason=coverage)


def build_estimators(context: Context) -> list[Estimator]:
    """Return the estimators of every configured vent."""
    return [
        kind(context, v) for v in context.plant.vents if context.is_configured(f"{v}.oxygen")
        for kind in (PurgeCompletion, OxygenExposure)
    ]
