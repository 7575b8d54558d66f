"""Estimates by the day: compressor running time, energy and cost."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.events import EstimateMade
from collector.physics.distributions import two_sided_factor
from collector.physics.energy import energy_used
from collector.rules.base import Band, Context, Estimator, State, contact_band, number
from collector.rules.duty import FROZEN
from collector.rules.running import OnTime, Span

_KWH = 3.6e6
_ENOUGH = 0.5


@dataclass(slots=True, kw_only=True)
class _WindowState(State):
    start_at: int = 0
    time: OnTime = field(default_factory=OnTime)
    on_ms: int = 0
    known_ms: int = 0
    variance: float = 0.0
    """ms squared, of the instants of change between samples."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """Share of a window (0 to 1) with its 90 % interval, or the reason there is none."""

    start: int
    total: int
    share: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str = ""


class CompressorDuty(Estimator):
    """Share of the window the compressor ran.

    Where all was seen, the interval comes from the instants of start and stop, which may lie
    anywhere between two samples. What was not seen, or came from a frozen device, may have been
    all off or all on.
    """

    quantity = "compressor-duty"
    state: _WindowState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, (f"{asset}.compressor_running",))
        self._point = context.inputs.point(self.inputs[0])
        given = number(context.settings.for_("compressor-overduty", asset), "frozen_after")
        self._frozen = int(given or FROZEN)
        self.state = _WindowState()
        self.last: Duty | None = None
        """What the last window gave."""

    def begin(self, now: int) -> None:
        s = self.state
        s.start_at, s.on_ms, s.known_ms, s.variance = now, 0, 0, 0.0
        if s.time.told_at is not None:
            s.time.told_at = max(s.time.told_at, now)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        s, gap = self.state, self._point.max_gap()
        on = value >= 0.5
        if on is s.time.on and before_at is not None and at - before_at <= gap:
            if s.time.doubt or self._point.source.still() > self._frozen:
                self._add(s.time.look(self._point, self._frozen))
            return
        spans, spacing = s.time.sample(at, on, before_at, gap)
        self._add(spans)
        s.variance += spacing * spacing / 12

    def no_change_band(self, point: str) -> Band | None:
        band = contact_band(self.state.time.on)
        if band is None or self.state.time.doubt:
            return None
        return Band(band.low, band.high, (self._point.source.moved_at or 0) + self._frozen)

    def _add(self, spans: list[Span]) -> None:
        s = self.state
        for start, end, on in spans:
            passed = end - max(start, s.start_at)
            if passed > 0:
                s.known_ms += passed
                s.on_ms += passed if on else 0

    def make(self, now: int) -> EstimateMade | None:
        self.last = found = self._close(now)
        if found is None:
            return None
        share, low, high = (
            None if x is None else 100 * x for x in (found.share, found.low, found.high)
        )
        return self._made(now, found.start, share, low, high, found.reason)

    def _close(self, now: int) -> Duty | None:
        s, point = self.state, self._point
        start, total = s.start_at, now - s.start_at
        if point.at is not None and s.time.told_at is not None:
            self._add(s.time.look(point, self._frozen))
            rest = s.time.pending(now if point.fresh(now) else point.at)
            self._add([rest] if rest is not None else [])
        on, known, spread = min(s.on_ms, total), min(s.known_ms, total), math.sqrt(s.variance)
        self.begin(now)
        if point.at is None or total <= 0:
            return None
        if known < _ENOUGH * total:
            return Duty(start=start, total=total, reason=(
                f"only {100 * known / total:.0f} % of the time was seen by a device that is alive"
            ))
        half = two_sided_factor(0.90) * spread
        return Duty(
            start=start, total=total, share=on / known, low=max(0.0, on - half) / total,
            high=min(1.0, (on + half + total - known) / total),
        )


class RunningEnergy(Estimator):
    """Energy of the compressor over the window of its duty, or what that costs.

    The power is the site file's: its own doubt is not in the interval.
    """

    quantity = "energy"

    def __init__(self, context: Context, asset: str, duty: CompressorDuty, power: float) -> None:
        super().__init__(context, asset, ())
        self._duty, self._power, self._price = duty, power, 1.0

    def make(self, now: int) -> EstimateMade | None:
        duty = self._duty.last
        if duty is None:
            return None
        value, low, high = (
            None if x is None
            else energy_used(x * duty.total / 1000, self._power) / _KWH * self._price
            for x in (duty.share, duty.low, duty.high)
        )
        return self._made(now, duty.start, value, low, high, duty.reason)


class RunningCost(RunningEnergy):
    """Cost of that energy, in the currency of the site file."""

    quantity = "energy-cost"

    def __init__(
        self, context: Context, asset: str, duty: CompressorDuty, power: float, price: float,
    ) -> None:
        super().__init__(context, asset, duty, power)
        self._price, self._currency = price, context.plant.generators[asset].currency

    @property
    def unit(self) -> str:
        return self._currency


def build_estimators(context: Context) -> list[Estimator]:
    """Return duty, energy and cost of every generator whose compressor is read."""
    found: list[Estimator] = []
    for name, unit in context.plant.generators.items():
        if not context.is_configured(f"{name}.compressor_running"):
            continue
        duty = CompressorDuty(context, name)
        found.append(duty)
        if unit.compressor_power is not None:
            found.append(RunningEnergy(context, name, duty, unit.compressor_power))
            if unit.energy_price is not None:
                found.append(
                    RunningCost(context, name, duty, unit.compressor_power, unit.energy_price)
                )
    return found
