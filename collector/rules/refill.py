"""Longest refill of the tank: set, accepted, learned, or by common practice."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from statistics import median

from collector.domain.plant import Generator
from collector.domain.units import MINUTE, PSI, ZERO_CELSIUS
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import R
from collector.physics.pumpup import pump_up_time
from collector.physics.rungain import TAUS
from collector.rules.base import Context, State
from collector.rules.gasbalance import GasBalance, balance_of
from collector.rules.gasstate import TANK, WHOLE

_MARGIN, _LEARNED_MARGIN = 1.5, 2.0
"""Over the pump-up of an isolated tank, and over what is learned of refills (settings)."""
_OVER_LONGEST = 1.3
_COMMON_LIMIT = 12 * MINUTE
_LEARNED, _KEPT = 5, 40
_USUAL = 0.95
_PURGE = 2.0
"""Factor by which a refill takes longer with a purge vent open: vents are sized to leave the
compressor half of the time (common practice)."""
_MOST_DRAWN = 0.75
_SHORT = 0.35
"""Share of what a healthy run adds to tank and pipes that must be missing."""
_WIDTH, _LATELY = 120.0, 900_000
"""s that a run is looked at over, at the least, and ms within which one such stretch must be found:
the others may hold a minute in which a riser is drained (settings)."""
_APART = MINUTE
"""ms by which the start of a run may differ as the balance and the rule saw it."""
_OVERSHOOT, _DREW = 3.0, 2.5
"""psi above cut-out that says its switch stays shut, and by which a tank falls while it is filled
where a riser draws more than is made (settings)."""
_GULP = 1.0
"""psi of all its pipes that one run may have to refill, before it is learned what its runs do:
regulators refill 0.5 to 3 psi (common practice)."""
_ONCE = 2.0
"""Most limits that a run may last for risers that are refilled (setting)."""
_DOUBTS, _CLEAR = 2.5, 0.3
"""Deviations that a gain must be short by, and share of the gas of a run that they may be where
runs are told apart by gas."""
_FROM_MAD = 1.4826


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
    """The learned lengths of healthy refills."""

    run_series: list[list[float]] = field(default_factory=list)
    """Of the last ones: stop (ms), ms, purge vents that were open, gas (psi of the tank) that tank
    and pipes gained, and the s in which that was read (0: it was not)."""
    rate: float = 0.0
    drawn: float = 0.0
    """psi/s that healthy runs bring, and that is drawn."""
    doubtful: bool = False
    """Whether the last run was past its limit, and its gas too little or not read."""


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
        fed = {r.id: (r.volume or 0.0) / (self._generator.tank_volume or math.inf)
               for r in context.plant.risers.values() if r.fed_by in (asset, None)}
        self._pipes = math.fsum(fed.values())
        vents = [v.id for v in context.plant.vents.values() if v.riser in fed]
        self._vents = [context.inputs.point(f"{v}.open") for v in vents
                       if context.is_configured(f"{v}.open")]
        self._unread = len(self._vents) < len(vents)
        self.state = RefillState()

    def __repr__(self) -> str:
        return f"Refill({self._asset}, {len(self.state.run_series)} learned)"

    def _open(self) -> int:
        """Return how many purge vents are open."""
        return sum((v.value or 0.0) >= 0.5 for v in self._vents)

    def learn(self, start: int, stop: int, length: int) -> None:
        """Take a healthy refill of so many ms."""
        s, gained = self.state, self._gained(stop, start)
        row = [stop, length, self._open(), *gained]
        s.run_series = [*s.run_series[-_KEPT + 1:], row]
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
        if len(self.state.run_series) >= _LEARNED:
            rows, more = self._alike(self.state.run_series)
            usual = sorted(r[1] for r in rows)
            middle, longest = (usual[int(share * (len(usual) - 1))] for share in (0.5, _USUAL))
            rate, doubt = self._healthy()
            # Where it shows that a run fills the pipes, the usual one is the measure.
            limit = max(_LEARNED_MARGIN * middle, _OVER_LONGEST * longest) \
                if _DOUBTS * doubt < _CLEAR * rate * middle / 1000 else _LEARNED_MARGIN * longest
            return round(limit * more), f"learned from its last {len(usual)} healthy runs" + (
                ", doubled for a purge vent that has opened" if more > 1.0 else "")
        limit, why = self._computed
        if limit != _COMMON_LIMIT and self._pipes:
            limit = round(limit * self._refilled())
            why += ", and 1 psi of every riser, until it is learned"
        return round(limit * self._stretch()), why + self._by_draw()

    def _alike(self, rows: list[list[float]]) -> tuple[list[list[float]], float]:
        """Return runs with as many vents open; or all, and how much longer one with more takes."""
        alike = [r for r in rows if r[2] >= self._open()]
        return (alike, 1.0) if len(alike) >= _LEARNED else (rows, _PURGE)

    def _span(self) -> float:
        """Return the psi from cut-in to cut-out; infinite where they are not stated."""
        g = self._generator
        known = g.cut_in is not None and g.cut_out is not None
        return g.cut_out - g.cut_in if known else math.inf  # type: ignore[operator]

    def _refilled(self) -> float:
        """Return how much longer a run is that refills all pipes by a psi too."""
        return 1.0 + _GULP * self._pipes / self._span()

    def _stretch(self) -> float:
        """Return the factor by which draw lengthens a refill over that of an isolated tank."""
        s = self.state
        if s.rate > 0:
            return 1.0 / (1.0 - min(s.drawn / s.rate, _MOST_DRAWN))
        return _PURGE if self._unread or self._open() else 1.0

    def _by_draw(self) -> str:
        stretch = self._stretch()
        return "" if stretch < 1.01 else f", and {stretch:.1f} times that for what is drawn"

    def _healthy(self) -> tuple[float, float]:
        """Return what tank and pipes gain in a healthy run, psi/s, and the doubt of a gain, psi."""
        rows = [r for r in self.state.run_series if r[4]]
        coarse = self._balance.coarse if self._balance is not None else 0.0
        if len(rows) < _LEARNED:  # what the limit itself takes for healthy
            more = _PURGE if self._unread or self._open() else 1.0
            return self._span() * _MARGIN * 1000 / self._computed[0] / more, coarse
        rows, more = self._alike(rows)
        rate = median(r[3] / r[4] for r in rows)
        doubt = _FROM_MAD * median(abs(r[3] - rate * r[4]) for r in rows)
        return rate / more, max(doubt, coarse)

    def _rows(self, start: int) -> list[list[float]]:
        """Return what was read of the run since ``start``: ms, psi of tank and pipes, of the tank.

        The pressure is that of its gas: the heat of compression is taken off.
        """
        if self._balance is None or abs(self._balance.state.run.start_at - start) > _APART:
            return []
        heats = self._balance.account.values[:len(TAUS)]
        return [[r[0], r[WHOLE] - math.fsum(h * x for h, x in zip(heats, r[3:], strict=True)),
                 r[TANK]] for r in self._balance.state.run.inner_series]

    def _gained(self, stop: int, start: int) -> tuple[float, float]:
        """Return what tank and pipes gained in a run (psi of the tank), and the s it was read."""
        rows = self._rows(start)
        if not rows or rows[-1][0] - rows[0][0] < (stop - start) / 2:
            return 0.0, 0.0
        return rows[-1][1] - rows[0][1], (rows[-1][0] - rows[0][0]) / 1000

    def fills(self, now: int, start: int) -> bool | None:
        """Return whether the run since ``start`` fills tank and pipes as a healthy one does.

        A drained riser is refilled through the tank: gas that stays in the plant is no loss. Looked
        at over stretches as short as the gauges allow, since draining takes a minute, and what
        leaks goes on. ``None`` where it is not read.
        """
        rows, cut_out = self._rows(start), self._generator.cut_out
        if len(rows) < 2 or self._balance is None or now - rows[-1][0] > (now - start) / 2:
            return None
        if cut_out is not None and rows[-1][2] > cut_out + _OVERSHOOT:
            return False
        rate, doubt = self._healthy()
        if not math.isfinite(rate):
            return None
        width = 1000 * max(_WIDTH, _DOUBTS * doubt / (_SHORT * rate))
        width = min(width, rows[-1][0] - rows[0][0])
        since = rows[-1][0] - max(_LATELY, 2 * width)
        over = []
        for k, (at, psi, _) in enumerate(rows):
            later = next((r for r in rows[k + 1:] if r[0] - at >= width), None)
            if later is not None and at >= since:
                wanted = rate * (later[0] - at) / 1000
                over.append(later[1] - psi - wanted + max(_SHORT * wanted, _DOUBTS * doubt))
        if not over:
            return None
        if max(over) >= 0:
            return True
        return False if self._balance.vessel.known else None

    def excused(self, now: int, start: int) -> bool:
        """Whether a run past its limit may be healthy all the same.

        It is given time for a riser that is refilled: once, since what is worn lets the tank rise
        slowly every time, and where the tank fell while the compressor ran, as a riser draws that
        was drained or opened.
        """
        found, highest, drew = self.fills(now, start), -math.inf, False
        for _, _, tank in self._rows(start):
            highest = max(highest, tank)
            drew = drew or tank < highest - _DREW
        if found or self._set is not None or (
                self._generator.cut_out is not None
                and highest > self._generator.cut_out + _OVERSHOOT):
            return bool(found)
        more = min(self._refilled(), _ONCE)
        return (len(self.state.run_series) >= _LEARNED
                and (not self.state.doubtful or (drew and found is False))
                and now < start + more * self.limit()[0])
