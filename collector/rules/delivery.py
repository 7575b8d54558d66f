"""Estimates by the day: gas that the generator delivers, gas drawn from its tank.

Delivery is a mean over the run from cut-in to cut-out, as the unit runs it: it falls as the tank's
pressure rises. Demand is everything that leaves the tank: what the risers draw and what the tank
itself leaks. It is what the runs of the day brought, less what the tank gained. What a run brought
is known from its length and from the rests about it; each counts by how well it is known, since
polls may be far apart, or risers draw in gulps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import median

from collector.domain.events import EstimateMade
from collector.domain.units import DAY, ZERO_CELSIUS
from collector.physics.estimate import Estimate
from collector.rules.base import Band, Context, Estimator, State, contact_band, number
from collector.rules.baselines import Want
from collector.rules.gasbalance import ABNORMAL, balance_of
from collector.rules.gasstate import BalanceState, Passed
from collector.rules.rates import COARSE, ROUGH, Rate, flow_factor, moles_per_psi, rate_of

_WEEK = 7 * DAY
_SEEN = 0.5
_GOOD_RUNS, _ENOUGH = 3, 12
_KNOWN = 0.012
"""Deviation, as a share, of a rate that needs no runs of earlier days."""
_DRIFT = 0.007
"""Deviation, as a share, of a day's delivery from that of the days before: the room's warmth."""
_LEAST_OWN = 1.0
"""s of a run by which its gas from the rests is uncertain at the least."""
_MOST_OFF = 0.75
"""Largest deviation, by the median, of a length of which two edges lie anywhere between two polls,
as a share of the time between the polls: 1.48 / 2."""
_ENDS = 0.3
"""psi of uncertainty in the tank's gain over a day: temperature at both ends, sensor drift."""
_CONDITIONS = {
    "compressor-delivery": "at least 3 clean runs, no air-fill and no declared fill",
    "pump-up-time": "at least 3 clean runs, no air-fill and no declared fill",
    "nitrogen-demand": "at least 3 clean runs, every vent shut, no air-fill and no declared fill",
}


@dataclass(slots=True, kw_only=True)
class _DayState(State):
    start_at: int = 0
    offered_at: int = 0
    """The end of the last day offered as a baseline."""
    vented: bool = False
    vents: dict[str, bool] = field(default_factory=dict)
    balance: BalanceState | None = None
    """Kept by the estimator that feeds it."""


class _TankEstimator(Estimator):
    """Base of the estimators of one generator's gas balance."""

    state: _DayState

    def __init__(self, context: Context, asset: str, inputs: tuple[str, ...] = ()) -> None:
        super().__init__(context, asset, inputs)
        self.balance = balance_of(context, asset)
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
        self.state.start_at = now

    def make(self, now: int) -> EstimateMade | None:
        if self.balance.state.on is False:
            self.balance.weigh(learn=False)
        start, disturbed = self.state.start_at, bool(ABNORMAL & self.balance.state.spoiled.keys())
        rate, why = None, self._missing
        if not why:
            rate, why = self._rate(start)
        figure, why = (None, why) if rate is None else self._figure(rate, now)
        self._turn(now)
        if figure is None:
            return self._made(now, start, None, reason=why)
        if not disturbed and self._ordinary():
            self._offer(figure, now)
        low, high = figure.interval()
        begin = start if rate is None or self.quantity == "nitrogen-demand" else min(
            start, rate.start)
        return self._made(now, begin, figure.value, max(0.0, low), high)

    def _offer(self, figure: Estimate, now: int) -> None:
        """Offer a good estimate to the baseline; no two estimates share a run."""
        s, rows = self.state, self.balance.account.runs_series
        since = max(s.offered_at, now - _WEEK)
        mine = [r for r in rows if r[0] >= since]
        own = rate_of(mine, self.balance, _GOOD_RUNS)
        if own is None:
            return
        if self.quantity != "nitrogen-demand":
            found, _ = self._figure(own, now)
            figure = figure if found is None else found
        s.offered_at = now
        self.context.baselines.offer(f"{self.quantity}.{self.asset}", figure, (since, now))

    def _rate(self, start: int) -> tuple[Rate | None, str]:
        """Return the rate of this day's runs, with earlier ones where the day's alone are too few.

        Polls far apart leave the length of each run in doubt: many runs are wanted then.
        """
        rows = self.balance.account.runs_series
        mine = [r for r in rows if r[0] >= start]
        rate = rate_of(mine, self.balance, _GOOD_RUNS)
        for days in (_WEEK, 2 * _WEEK):
            off = math.inf if rate is None else rate.scatter.deviation / rate.scatter.value
            if len(mine) < _ENOUGH or off > _KNOWN:
                wanted = max(_ENOUGH, len(mine))
                if rate is not None:
                    wanted = max(wanted, math.ceil(len(mine) * (off / _KNOWN) ** 2))
                mine = [r for r in rows if r[0] >= start - days][-wanted:]
                rate = rate_of(mine, self.balance, _GOOD_RUNS)
        if rate is not None and rate.rough:
            return None, COARSE if self.balance.whole else ROUGH
        return rate, "" if rate is not None else self._why_none()

    def _why_none(self) -> str:
        spoiled = self.balance.state.spoiled
        worst = max(spoiled, key=lambda w: spoiled[w], default="")
        few = f"fewer than {_GOOD_RUNS} clean runs in three weeks"
        return f"{few}: {worst}" if worst else few

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        raise NotImplementedError

    def _turn(self, now: int) -> None:
        self.begin(now)

    def _ordinary(self) -> bool:
        return True

    def _flow(self, psi: Estimate, now: int) -> Estimate | None:
        """Convert psi/s of the tank into a flow, with the doubt of the tank's temperature."""
        if not self._volume:
            return None
        celsius = self.balance.state.celsius
        factor = moles_per_psi(self._volume, celsius) * flow_factor(self.context.plant)
        doubt = self.balance.vessel.temperature_doubt(now) / (celsius + ZERO_CELSIUS)
        return psi.times(Estimate(value=factor, deviation=factor * doubt))


class CompressorDelivery(_TankEstimator):
    """Flow into the tank while the generator runs in nitrogen mode."""

    quantity = "compressor-delivery"

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        return self._flow(rate.absolute, now), f"no tank_volume is set for {self.asset}"


class PumpUpTime(_TankEstimator):
    """Duration of a warm run from cut-in to cut-out with nothing drawn."""

    quantity = "pump-up-time"

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        g = self.context.plant.generators[self.asset]
        if g.cut_in is None or g.cut_out is None or g.cut_out <= g.cut_in:
            return None, f"no cut_in and cut_out are set for {self.asset}"
        cold = Estimate(value=(g.cut_out - g.cut_in) / 60, deviation=0.0).over(rate.absolute)
        # A warm tank is full early: the heat of a run of that length is no gas.
        share = self.balance.warm(60 * cold.value) * (g.cut_out + self.balance.vessel.ambient)
        warm = share / (g.cut_out - g.cut_in)
        return cold.scaled(1 / (1 + warm)), ""


class NitrogenDemand(_TankEstimator):
    """Flow out of the tank, the mean of the day. It feeds the cycles to the other estimators."""

    quantity = "nitrogen-demand"

    def __init__(self, context: Context, asset: str) -> None:
        balance = balance_of(context, asset)
        super().__init__(context, asset, (balance.running, balance.tank, *balance.vents))
        self.state.balance = balance.state

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        if point == self.balance.tank:
            self.balance.observe_tank(at, value, before_at)
        elif point == self.balance.running:
            self.balance.observe_running(at, value >= 0.5, before_at)
        else:
            is_open = value >= 0.5
            self.balance.observe_vent(point, at, is_open)
            self.state.vents[point] = is_open
            self.state.vented = self.state.vented or is_open

    def no_change_band(self, point: str) -> Band | None:
        if point == self.balance.tank:
            s = self.balance.state
            return None if s.waits_at is not None else Band(
                -math.inf, math.inf, s.next_at, False, True)
        if point == self.balance.running:
            return contact_band(self.balance.state.on)
        is_open = self.state.vents.get(point)
        if is_open is None or (is_open and not self.state.vented):
            return None
        return contact_band(is_open)

    def _figure(self, rate: Rate, now: int) -> tuple[Estimate | None, str]:
        passed, total = self.balance.take_time(), now - self.state.start_at
        if passed.seen < _SEEN * total:
            share = 100 * passed.seen / total if total > 0 else 0.0
            return None, f"only {share:.0f} % of the day was seen in nitrogen mode"
        brought = self._brought(rate, passed).times(
            Estimate(value=1.0, deviation=math.hypot(rate.shared, rate.settles, _DRIFT)))
        kept = Estimate(value=passed.gain, deviation=_ENDS)
        return (self._flow(brought.minus(kept).scaled(1000 / passed.seen), now),
                f"no tank_volume is set for {self.asset}")

    def _brought(self, rate: Rate, passed: Passed) -> Estimate:
        """Return the gas (psi) of the day's runs: by their length, and by the rests about them.

        Each way counts by the inverse of its variance. A rest that says more than the contact
        allows, which changed somewhere between two polls, is held to that.
        """
        q, account = rate.scatter.value, self.balance.account
        runs = [r for r in account.runs_series if r[0] >= self.state.start_at]
        if not runs:
            return rate.scatter.scaled(passed.on / 1000).plus(
                Estimate(value=0.0, deviation=q * math.sqrt(passed.blunt) / 1000))
        length = q * q * passed.blunt / 1e6 / len(runs)
        unseen = q * math.sqrt(6.0 * passed.blunt / len(runs)) / 1000
        rests = max(account.noise * median(r[4] for r in runs), (_LEAST_OWN * q) ** 2) + max(
            0.0, rate.single - _MOST_OFF * unseen) ** 2
        share = length / (length + rests)
        bound = unseen + 3.0 * math.sqrt(rests)
        off = math.fsum(min(max(account.gas_of(r) - q * r[6], -bound), bound) for r in runs)
        common = rate.scatter.deviation * (
            passed.on / 1000 - share * math.fsum(r[6] for r in runs))
        return Estimate(value=q * passed.on / 1000 + share * off, freedom=rate.scatter.freedom,
                        deviation=math.hypot(common, math.sqrt(share * rests * len(runs))))

    def _turn(self, now: int) -> None:
        self.balance.take_time()
        self.balance.state.spoiled = {}
        self.begin(now)

    def _ordinary(self) -> bool:
        vented, self.state.vented = self.state.vented, False
        return not vented


def missing(context: Context, asset: str) -> str:
    """Return the missing reading, as the site file names it; empty when there is none."""
    for quantity in ("tank_pressure", "compressor_running"):
        if not context.is_configured(f"{asset}.{quantity}"):
            return f"no {quantity.replace('_', ' ')} at {asset}"
    return ""


def build_estimators(context: Context) -> list[Estimator]:
    """Return the estimators of every generator; the last of each feeds its gas balance."""
    return [
        made(context, g)
        for g in context.plant.generators
        for made in (CompressorDelivery, PumpUpTime, NitrogenDemand)
    ]
