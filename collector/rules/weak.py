"""Compressor output low: it delivers less than its baseline."""

from __future__ import annotations

from dataclasses import dataclass

from collector.domain.evaluations import flow_unit
from collector.domain.units import DAY
from collector.physics.estimate import Estimate
from collector.rules.base import (
    ALL,
    Band,
    Context,
    RawEvaluation,
    Rule,
    State,
    Values,
    contact_band,
    number,
)
from collector.rules.delivery import missing
from collector.rules.gasbalance import balance_of
from collector.rules.rates import COARSE, ROUGH, Rate, flow_factor, moles_per_psi, rate_of

_OLD = 14 * DAY
_TOO_FEW = 0.5
"""Share of the required runs with which the condition is evaluated."""

_SURE = 0.98
"""How sure a verdict is that is ventured anew after every run (setting)."""


def has_fallen(delivery: Estimate, baseline: Estimate, by: float) -> bool:
    """Whether delivery is less than its baseline by a share.

    The figure must lie past the limit, and its doubt, with the baseline's own, must not reach half
    way back.
    """
    left = delivery.over(baseline)
    return left.value <= 1 - by and left.interval(_SURE)[1] <= 1 - by / 2


@dataclass(slots=True, kw_only=True)
class _WeakState(State):
    on: bool | None = None
    """Last state of the compressor."""
    weak: bool | None = None
    since_at: int | None = None
    judged_at: int = 0
    delivery: float | None = None
    low: float | None = None
    high: float | None = None
    runs: int = 0
    drawn: float = 0.0


class CompressorWeak(Rule):
    """Delivery of the last runs has fallen by a share of its baseline, beyond its uncertainty.

    Delivery is what each run brought on top of what was drawn meanwhile, so more demand, which
    makes the runs longer too, does not touch it.
    """

    condition = "compressor-weak"
    state: _WeakState

    def __init__(self, context: Context, asset: str) -> None:
        self._balance = balance_of(context, asset)
        super().__init__(
            context, asset, inputs=[self._balance.running, self._balance.tank],
            needs=[self._balance.running, self._balance.tank],
        )
        self.state = _WeakState()
        self._share = (number(self.settings, "share") or 0.0) / 100
        self._deadband = (number(self.settings, "deadband") or 0.0) / 100
        self._runs = int(number(self.settings, "runs") or 8)
        self._volume = context.plant.generators[asset].tank_volume or 0.0
        self._unit = flow_unit(context.plant)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        if point != self._balance.running:
            return False
        self.state.on = value >= 0.5
        return True

    def no_change_band(self, point: str) -> Band | None:
        if point == self._balance.tank:
            return ALL
        return contact_band(self.state.on)

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        baseline = self.context.baselines.get("compressor-delivery", self.asset)
        if baseline is None:
            if s.weak:  # the baseline was reset: comparisons with it end
                self.state = _WeakState(on=s.on)
                return RawEvaluation.inactive(now)
            return RawEvaluation.unknown(self._learning())
        rows = self._balance.account.runs_series
        newest = int(rows[-1][0]) if rows else 0
        if newest != s.judged_at or s.delivery is None:
            s.judged_at = newest
            recent = [r for r in rows[-self._runs:] if r[0] > now - _OLD]
            rate = rate_of(recent, self._balance, max(3, int(self._runs * _TOO_FEW)))
            if rate is None:
                s.delivery = None
                return RawEvaluation.unknown("too few clean runs to tell the delivery")
            if rate.rough:
                s.delivery = None
                return RawEvaluation.unknown(COARSE if self._balance.whole else ROUGH)
            self._compare(rate, recent[-1][3], baseline, newest)
        if s.weak:
            return RawEvaluation.active(s.since_at)
        return RawEvaluation.inactive(s.since_at)

    def _compare(self, rate: Rate, drawn: float, baseline: Estimate, at: int) -> None:
        s = self.state
        factor = moles_per_psi(self._volume, self._balance.state.celsius) * flow_factor(
            self.context.plant)
        delivery = rate.psi.scaled(factor)
        s.low, s.high = delivery.interval()
        s.delivery, s.runs, s.drawn = delivery.value, rate.runs, drawn * factor
        past = has_fallen(delivery, baseline, self._share)
        within = delivery.value >= (1 - self._share + self._deadband) * baseline.value
        if s.weak is None or (not s.weak and past) or (s.weak and within):
            s.weak, s.since_at = past, at

    def _learning(self) -> str:
        for found in self.context.baselines.current():
            if (found.quantity, found.asset) == ("compressor-delivery", self.asset):
                return (f"its baseline is being learned: {found.days} of {found.needed} good days "
                        f"so far ({found.conditions})")
        return "no baseline is kept"

    def describe(self, now: int) -> tuple[Values, str]:
        s = self.state
        baseline = self.context.baselines.get("compressor-delivery", self.asset)
        was = baseline.value if baseline is not None else None
        values: Values = {
            "delivery": _round(s.delivery), "low": _round(s.low), "high": _round(s.high),
            "baseline": _round(was), "unit": self._unit, "runs": s.runs,
            "limit_percent": round(100 * self._share, 1),
        }
        if s.delivery is None or was is None or not was or s.low is None or s.high is None:
            numbers = "Its delivery is not known at present."
        else:
            values = {**values, "fallen_percent": round(100 * (1 - s.delivery / was), 1)}
            numbers = (
                f"In its last {s.runs} clean runs the generator delivered {s.delivery:.0f} "
                f"{self._unit} (between {s.low:.0f} and {s.high:.0f}), "
                f"{100 * (1 - s.delivery / was):.0f} % less than the {was:.0f} {self._unit} it "
                f"delivered in good order; the limit is {100 * self._share:.0f} % less. What is "
                f"drawn from the tank, {max(s.drawn, 0.0):.0f} {self._unit} now, is not counted "
                f"against it."
            )
        return values, self.words.message(
            self.about, self.asset, since=s.since_at, numbers=numbers,
        )

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        if reason := missing(context, asset):
            return reason
        return "" if context.plant.generators[asset].tank_volume else (
            f"no tank_volume is set for {asset}")


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
