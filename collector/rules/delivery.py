"""What the generator delivers and what is drawn, by the day.

Delivery is a mean over the run from cut-in to cut-out, as the unit runs it: it falls as the tank's
pressure rises. Demand is everything that leaves the tank: what the risers draw and what the tank
itself leaks. It is what the runs of the day brought, less what the tank gained. Between the falls
about it a run's gas is known to half a percent; how long it took is not, where polls are far apart,
so time tells only of those runs that could not be weighed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.events import EstimateMade
from collector.physics.estimate import Estimate
from collector.rules.base import Band, Context, Estimator, State, contact_band, number
from collector.rules.baselines import Want
from collector.rules.cycles import ABNORMAL, cycles_of
from collector.rules.cyclestate import CycleState
from collector.rules.rates import ROUGH, Rate, flow_factor, moles_per_psi, rate_of

__all__ = ["CompressorDelivery", "NitrogenDemand", "PumpUpTime", "build_estimators", "missing"]

_DAY = 86_400_000
_WEEK = 7 * _DAY
_KELVIN = 273.15
_SEEN = 0.5
_GOOD_RUNS = 3
_ENDS = 0.3
"""psi of doubt in the tank's gain over a day: its warmth at both ends, and the sensor's drift."""
_CONDITIONS = {
    "compressor-delivery": "at least 3 clean runs, no air-fill and no declared fill",
    "pump-up-time": "at least 3 clean runs, no air-fill and no declared fill",
    "nitrogen-demand": "at least 3 clean runs, every vent shut, no air-fill and no declared fill",
}


@dataclass(slots=True, kw_only=True)
class _DayState(State):
    start_at: int = 0
    vented: bool = False
    vents: dict[str, bool] = field(default_factory=dict)
    cycles: CycleState | None = None
    """Kept by the estimator that feeds them."""


class _TankEstimator(Estimator):
    """Base of what is read off the cycles of one generator's tank."""

    state: _DayState

    def __init__(self, context: Context, asset: str, inputs: tuple[str, ...] = ()) -> None:
        super().__init__(context, asset, inputs)
        self.cycles = cycles_of(context, asset)
        self.state = _DayState()
        self._volume = context.plant.generators[asset].tank_volume
        self._missing = missing(context, asset)
        weak = context.settings.for_("compressor-weak", asset)
        given = number(weak, "baseline") if self.quantity == "compressor-delivery" else None
        if not self._missing and (self._volume or self.quantity == "pump-up-time"):
            context.baselines.expect(Want(
                quantity=self.quantity, asset=asset, unit=self.unit,
                needed=int(number(weak, "baseline_days") or 3),
                conditions=_CONDITIONS[self.quantity],
                given=None if given is None else given * flow_factor(context.plant),
            ))

    def begin(self, now: int) -> None:
        """Start a window."""
        self.state.start_at = now

    def make(self, now: int) -> EstimateMade | None:
        """Return the day's figure, or the reason why there is none; a good one may be learned."""
        start, disturbed = self.state.start_at, bool(ABNORMAL & self.cycles.state.spoiled.keys())
        rate, why = None, self._missing
        if not why:
            rate, why = self._rate(start)
        figure, why = (None, why) if rate is None else self._figure(rate, now)
        self._turn(now)
        if figure is None:
            return self._made(now, start, None, reason=why)
        good = sum(r[0] >= start for r in self.cycles.state.runs_series) >= _GOOD_RUNS
        if good and not disturbed and self._ordinary():
            self.context.baselines.offer(f"{self.quantity}.{self.asset}", figure, (start, now))
        low, high = figure.interval()
        begin = start if rate is None or self.quantity == "nitrogen-demand" else min(
            start, rate.start)
        return self._made(now, begin, figure.value, max(0.0, low), high)

    def _rate(self, start: int) -> tuple[Rate | None, str]:
        """Return the rate of this day's runs, or of the last week's where the day has too few."""
        rows = self.cycles.state.runs_series
        rate = rate_of([r for r in rows if r[0] >= start], self.cycles, _GOOD_RUNS)
        if rate is None:
            rate = rate_of([r for r in rows if r[0] >= start - _WEEK], self.cycles, _GOOD_RUNS)
        if rate is not None and rate.rough:
            return None, ROUGH
        return rate, "" if rate is not None else self._why_none()

    def _why_none(self) -> str:
        spoiled = self.cycles.state.spoiled
        worst = max(spoiled, key=lambda w: spoiled[w], default="")
        few = f"fewer than {_GOOD_RUNS} clean runs in a week"
        return f"{few}: {worst}" if worst else few

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        raise NotImplementedError

    def _turn(self, now: int) -> None:
        self.begin(now)

    def _ordinary(self) -> bool:
        return True

    def _flow(self, psi: Estimate, now: int) -> Estimate | None:
        """Return psi/s of the tank as a flow the site reads, the tank's warmth in doubt."""
        if not self._volume:
            return None
        celsius = self.cycles.state.celsius
        factor = moles_per_psi(self._volume, celsius) * flow_factor(self.context.plant)
        doubt = self.cycles.vessel.temperature_doubt(now) / (celsius + _KELVIN)
        return psi.times(Estimate(value=factor, deviation=factor * doubt))


class CompressorDelivery(_TankEstimator):
    """What the generator puts into its tank while it runs in nitrogen mode."""

    quantity = "compressor-delivery"

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        return self._flow(rate.psi, now), f"no tank_volume is set for {self.asset}"


class PumpUpTime(_TankEstimator):
    """How long a run from cut-in to cut-out takes with nothing drawn, by a stop watch: warm."""

    quantity = "pump-up-time"

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        g = self.context.plant.generators[self.asset]
        if g.cut_in is None or g.cut_out is None or g.cut_out <= g.cut_in:
            return None, f"no cut_in and cut_out are set for {self.asset}"
        cold = Estimate(value=(g.cut_out - g.cut_in) / 60, deviation=0.0).over(rate.psi)
        warm = self.cycles.state.heat.warm_share(60 * cold.value)
        return cold.scaled(1 / (1 + warm)), ""


class NitrogenDemand(_TankEstimator):
    """What leaves the tank, on the mean of the day. It feeds the cycles for all the others."""

    quantity = "nitrogen-demand"

    def __init__(self, context: Context, asset: str) -> None:
        cycles = cycles_of(context, asset)
        self._vents = tuple(
            f"{v.id}.open" for v in context.plant.vents.values()
            if context.wired(f"{v.id}.open") and _fed_by(context, v.riser, asset)
        )
        super().__init__(context, asset, (cycles.running, cycles.tank, *self._vents))
        self.state.cycles = cycles.state

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a sample of the compressor, the tank or a vent."""
        if point == self.cycles.tank:
            self.cycles.observe_tank(at, value, before_at)
        elif point == self.cycles.running:
            self.cycles.observe_running(at, value >= 0.5, before_at)
        else:
            is_open = value >= 0.5
            if self.state.vents.get(point, is_open) is not is_open:
                self.cycles.disturb()
            self.state.vents[point] = is_open
            self.state.vented = self.state.vented or is_open

    def no_change_band(self, point: str) -> Band | None:
        """Return what the cycles make nothing of."""
        if point == self.cycles.tank:
            s = self.cycles.state
            return None if s.waits_at is not None else Band(
                -math.inf, math.inf, s.next_at, own=True)
        if point == self.cycles.running:
            return contact_band(self.cycles.state.on)
        is_open = self.state.vents.get(point)
        if is_open is None or (is_open and not self.state.vented):
            return None
        return contact_band(is_open)

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        passed, total = self.cycles.take_time(), now - self.state.start_at
        if passed.seen < _SEEN * total:
            share = 100 * passed.seen / total if total > 0 else 0.0
            return None, f"only {share:.0f} % of the day was seen in nitrogen mode"
        weighed, seen = passed.weighed, passed.seen / 1000
        # Gas that was weighed counts as it is; only of the other runs the time must tell.
        rest = Estimate(value=max(0.0, (passed.on - weighed.ms) / 1000),
                        deviation=passed.blunt / 1000)
        brought = Estimate(value=weighed.gas, deviation=math.sqrt(weighed.variance)).plus(
            rate.scatter.times(rest)).times(Estimate(value=1.0, deviation=rate.shared))
        kept = Estimate(value=passed.gain, deviation=_ENDS)
        return (self._flow(brought.minus(kept).scaled(1 / seen), now),
                f"no tank_volume is set for {self.asset}")

    def _turn(self, now: int) -> None:
        self.cycles.take_time()
        self.cycles.state.spoiled = {}
        self.begin(now)

    def _ordinary(self) -> bool:
        vented, self.state.vented = self.state.vented, False
        return not vented


def _fed_by(context: Context, riser: str, generator: str) -> bool:
    found = context.plant.risers.get(riser)
    return found is not None and found.fed_by in (generator, None)


def missing(context: Context, asset: str) -> str:
    """Return which reading is not there, in the words of the site file; empty when all are."""
    for quantity in ("tank_pressure", "compressor_running"):
        if not context.wired(f"{asset}.{quantity}"):
            return f"no {quantity.replace('_', ' ')} at {asset}"
    return ""


def build_estimators(context: Context) -> list[Estimator]:
    """Return the estimators of every generator; the last of each feeds, and closes the day."""
    return [
        made(context, g)
        for g in context.plant.generators
        for made in (CompressorDelivery, PumpUpTime, NitrogenDemand)
    ]
