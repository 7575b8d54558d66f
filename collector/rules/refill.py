"""Longest refill of the tank: set, accepted, learned, or by common practice."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.plant import Generator
from collector.domain.units import MINUTE, PSI, ZERO_CELSIUS
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import R
from collector.physics.pumpup import pump_up_time
from collector.physics.rungain import TAUS
from collector.rules.base import Context, State
from collector.rules.gasbalance import GasBalance, balance_of
from collector.rules.gasstate import TANK, WHOLE

__all__ = ["Refill", "RefillState", "refill_limit"]

_MARGIN, _LEARNED_MARGIN = 1.5, 2.0
"""Margins over the pump-up of an isolated tank, and over the learned refill (settings)."""
_OVER_LONGEST, _NOT_LEARNED = 1.3, 4 / 3
_COMMON_LIMIT = 12 * MINUTE
_LEARNED, _KEPT = 5, 40
_USUAL = 0.95
_PURGE = 2.0
"""Factor by which a refill takes longer with a purge vent open: vents are sized to leave the
compressor half of the time (common practice)."""
_MOST_DRAWN = 0.75
_FULL = 0.65
"""Share of a healthy run's gain of tank and pipes; with more a long run is filling them."""
_OVERSHOOT = 3.0  # psi
_CLEAR = 0.1
"""Largest scatter of tank and pipes, as a share of the gas of a run."""


def refill_limit(generator: Generator, altitude: float, temperature: float) -> tuple[int, str]:
    """Return the longest run (ms) that refilling the tank on nitrogen may take, and its reason.

    Half as much again as the pump-up time from cut-in to cut-out; common practice (12 min) where
    volume, set points or delivery are not known. ``temperature`` (degrees C) is that of the free
    air the delivery is counted at.
    """
    g = generator
    delivery = g.nitrogen_delivery
    if g.tank_volume and g.cut_in is not None and g.cut_out is not None and delivery:
        ambient = pressure_at_altitude(altitude)
        flow = delivery * R * (temperature + ZERO_CELSIUS) / ambient
        seconds = pump_up_time(
            g.tank_volume, g.cut_in * PSI, g.cut_out * PSI, ambient, flow,
        )
        return round(seconds * _MARGIN * 1000), "half as much again as the tank's pump-up time"
    return _COMMON_LIMIT, "common practice"


@dataclass(slots=True, kw_only=True)
class RefillState(State):
    """Lengths of the last healthy refills: stop (ms), ms, purge vents that were open."""

    length_series: list[list[int]] = field(default_factory=list)
    rate: float = 0.0
    drawn: float = 0.0
    """psi/s that healthy runs deliver and that is drawn."""


class Refill:
    """The limit of one generator's refills, in order of trust."""

    def __init__(self, context: Context, asset: str, limit: float | None) -> None:
        self._context, self._asset = context, asset
        self._set = None if limit is None else int(limit)
        site, self._generator = context.plant.site, context.plant.generators[asset]
        self._computed = refill_limit(
            self._generator, site.altitude, site.standard_temperature)
        tank = context.is_configured(f"{asset}.tank_pressure")
        self._balance: GasBalance | None = balance_of(context, asset) if tank else None
        fed = {r.id for r in context.plant.risers.values() if r.fed_by in (asset, None)}
        vents = [v.id for v in context.plant.vents.values() if v.riser in fed]
        self._vents = [context.inputs.point(f"{v}.open") for v in vents
                       if context.is_configured(f"{v}.open")]
        self._unread = len(self._vents) < len(vents)
        self.state = RefillState()

    def __repr__(self) -> str:
        return f"Refill({self._asset}, {len(self.state.length_series)} learned)"

    def _open(self) -> int:
        """Return how many purge vents are open."""
        return sum((v.value or 0.0) >= 0.5 for v in self._vents)

    def learn(self, stop: int, length: int) -> None:
        """Learn from a healthy refill of so many ms."""
        s = self.state
        s.length_series = [*s.length_series[-_KEPT + 1:], [stop, length, self._open()]]
        rows = self._balance.booked.runs_series[-8:] if self._balance is not None else []
        if len(rows) >= 3:
            s.rate = sorted(r[1] / r[2] for r in rows)[len(rows) // 2]
            s.drawn = max(0.0, sorted(r[3] for r in rows)[len(rows) // 2])

    def limit(self) -> tuple[int, str]:
        """Return the longest healthy refill (ms), and the source of the limit."""
        if self._set is not None:
            return self._set, "set in the site file"
        found = self._context.baselines.accepted("pump-up-time", self._asset)
        if found is not None:
            return (round(found.value * _MARGIN * MINUTE * self._stretch()),
                    "half as much again as the pump-up of the acceptance" + self._by_draw())
        rows = self.state.length_series
        if len(rows) >= _LEARNED:
            alike = [r[1] for r in rows if r[2] >= self._open()]
            more = 1.0 if len(alike) >= _LEARNED else _PURGE
            usual = sorted(alike if more == 1.0 else [r[1] for r in rows])
            middle, longest = (usual[int(share * (len(usual) - 1))] for share in (0.5, _USUAL))
            # Where it shows that a run fills the pipes, the usual one is the measure.
            limit = max(_LEARNED_MARGIN * middle, _OVER_LONGEST * longest) if self._seen() \
                else _LEARNED_MARGIN * longest
            return round(limit * more), f"learned from its last {len(usual)} healthy runs" + (
                ", doubled for a purge vent that has opened" if more > 1.0 else "")
        limit, why = self._computed
        if limit != _COMMON_LIMIT:  # gulps of the risers lengthen many a run
            limit, why = round(limit * _NOT_LEARNED), why + ", a third more until it is learned"
        return round(limit * self._stretch()), why + self._by_draw()

    def _seen(self) -> bool:
        """Whether tank and pipes are read well enough to detect a fill."""
        if self._balance is None or not self._balance.whole or self.state.rate <= 0:
            return False
        account = self._balance.booked
        return math.sqrt(account.noise) < _CLEAR * account.typical()

    def _stretch(self) -> float:
        """Return the factor by which draw lengthens a refill over that of an isolated tank."""
        s = self.state
        if s.rate > 0:
            return 1.0 / (1.0 - min(s.drawn / s.rate, _MOST_DRAWN))
        return _PURGE if self._unread or self._open() else 1.0

    def _by_draw(self) -> str:
        stretch = self._stretch()
        return "" if stretch < 1.01 else f", and {stretch:.1f} times that for what is drawn"

    def filling(self, now: int, start: int) -> bool:
        """Whether the run since ``start`` fills tank and pipes as a healthy one does.

        A drained riser is refilled through the tank: gas that stays in the plant is no loss.
        """
        balance, g = self._balance, self._generator
        if balance is None or len(balance.state.run.inner_series) < 2:
            return False
        run, cut_out = balance.state.run, g.cut_out
        first, last = run.inner_series
        healthy = self.state.rate - self.state.drawn
        if healthy <= 0 and g.cut_in is not None and cut_out is not None:
            # Nothing is learned: what the limit itself takes for healthy.
            healthy = (cut_out - g.cut_in) * _MARGIN / (self.limit()[0] / 1000)
        if (last[0] < (now + start) / 2 or abs(run.start_at - start) > last[0] - first[0]
                or (cut_out is not None and last[TANK] > cut_out + _OVERSHOOT)):
            return False
        place = WHOLE if balance.whole else TANK
        heat = sum(h * (b - a) for h, a, b in zip(
            balance.account.values[:len(TAUS)], first[3:], last[3:], strict=True))
        rise = (last[place] - first[place] - heat) / ((last[0] - first[0]) / 1000)
        return healthy > 0 and rise >= _FULL * healthy
