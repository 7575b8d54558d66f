"""The leak of each riser, or of several together where they cannot be separated, with intervals.

A riser whose pressure falls by itself is measured by that. All others share what leaves their
generator's tank and pipes, less what the first ones lose. A vent that lets gas out, or may, leaves
no figure: what it passes is no leak.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.domain.evaluations import flow_unit
from collector.domain.units import DAY, HOUR, MINUTE, PSI
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import R
from collector.rules.base import ALL_COUNTED, Band, Context, contact_band
from collector.rules.pipeloss import REFERENCE, PipeLoss
from collector.rules.rates import flow_factor
from collector.rules.tankoutflow import TankOutflow, outflow_of

DECAY, SUM = "decay", "sum"
"""How a leak was measured: by the pipe's pressure falls, or by the generator's delivery."""

_AFTER = 5 * MINUTE
_KEPT = 74 * HOUR
_LONG = 3
_EVERY = 3 * HOUR
"""ms between two computations of a gas balance of a day and more."""
_KNOWN = 0.15
"""Largest deviation of a sum, as a share of it; a figure known no better is none."""
_EVENLY = math.sqrt(3.0)
"""What lies anywhere between nothing and its most, to a deviation about nothing."""
_PURGING = "a purge vent is open: its flow would pass for a leak"
_UNREAD = "no point says whether its vent is open"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A leak over ``window`` (ms).

    ``psi`` is psi a day at 15 degC, ``flow`` mol/s (``None`` where the volume is not known),
    ``level`` the mean absolute pressure (psi). ``shared`` names the risers whose sum it is.
    """

    psi: Estimate | None
    flow: Estimate | None
    way: str
    window: tuple[int, int]
    level: float
    shared: tuple[str, ...] = ()
    compensated: bool = True


class Pipe:
    """The gas of one riser, with the times of flows that are no leak."""

    def __init__(self, context: Context, riser: str) -> None:
        self.context, self.riser = context, riser
        self.pressure, self._heat = f"{riser}.pressure", f"{riser}.pipe_temperature"
        self.read = context.inputs.point(self.pressure)
        self._supply = context.plant.risers[riser].fed_by
        own = [v for v in context.plant.vents.values() if v.riser == riser]
        vents = [v.id for v in own]
        self._vent_flow = math.fsum(v.flow or math.inf for v in own)
        self._vents = tuple(context.inputs.point(f"{v}.open") for v in vents)
        self._opens = frozenset({f"{riser}.bypass_open", *(f"{v}.open" for v in vents)})
        heat = [self._heat] if context.is_configured(self._heat) else []
        self.points = (self.pressure, *heat, *sorted(self._opens))
        self.loss = PipeLoss(pressure_at_altitude(context.plant.site.altitude) / PSI)
        self.disturbed: list[list[int]] = []
        """From when (ms), and for how long, gas flowed that is no leak."""

    def __repr__(self) -> str:
        return f"Pipe({self.riser}, {self.loss!r})"

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        if point == self.pressure:
            if self.loss.pressure(at, value, before_at, self.read.max_gap()) and (
                    self._filling(at) or self.venting(at)):
                self._disturb(at)
        elif point == self._heat:
            self.loss.temperatures(at, (value,))
        elif value >= 0.5:
            self._disturb(at)

    def update_batch(self, point: str, times: Sequence[int], values: Sequence[float]) -> None:
        if point == self._heat:
            self.loss.temperatures(times[-1], values)
        else:
            self.loss.pressures(values)

    def no_change_band(self, point: str) -> Band | None:
        if point in self._opens:
            return contact_band(on=False)
        if point == self._heat:
            return ALL_COUNTED if self.loss.compensated else None
        until = self.loss.whole_until() if point == self.pressure else None
        return None if until is None else Band(
            -math.inf, math.inf, until, counted=True, own=True)

    def _filling(self, at: int) -> bool:
        fills = self.context.inputs.fills
        return any(at < fills.get(asset, at) for asset in (self.riser, self._supply or ""))

    def _disturb(self, at: int) -> None:
        self.loss.block(at + _AFTER)
        rows = self.disturbed
        if rows and at <= rows[-1][0] + rows[-1][1]:
            rows[-1][1] = at + _AFTER - rows[-1][0]
        else:
            rows.append([at, _AFTER])
        while sum(rows[0]) < at - _KEPT:
            rows.pop(0)

    def hidden(self, start: int, end: int) -> float:
        """Return the gas (mol) that its vents may have let out unseen, ``start`` to ``end`` (ms).

        A loss below half a step of the gauge does not show. Once the riser is topped up, the tank
        shows it.
        """
        most = 0.5 * self.loss.state.gauge.step * (self.mol_per_psi or 0.0)
        return math.fsum(min(most, self._vent_flow * lasted / 1000.0)
                         for begin, lasted in self.disturbed if start < begin <= end)

    def venting(self, now: int) -> bool:
        """Whether a vent whose contact is read is open, or not known to be shut."""
        return any(p.at is not None and not (p.fresh(now, 3 * p.max_gap()) and p.value == 0)
                   for p in self._vents)

    @property
    def unread_vent(self) -> bool:
        """Whether it has a vent whose position is not read."""
        return any(p.at is None for p in self._vents)

    @property
    def mol_per_psi(self) -> float | None:
        """Mol in the pipe for each psi at the reference temperature."""
        volume = self.context.plant.risers[self.riser].volume
        return None if volume is None else volume * PSI / (R * REFERENCE)

    def dump(self) -> dict[str, Any]:
        return {"loss": self.loss.dump(), "disturbed_series": self.disturbed}

    def load(self, state: Mapping[str, Any]) -> None:
        self.loss.load(state["loss"])
        self.disturbed = [list(row) for row in state["disturbed_series"]]


class Leaks:
    """The pipes of one site and their leak estimates, shared by rules and estimators."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.ambient = pressure_at_altitude(context.plant.site.altitude) / PSI
        """Atmospheric pressure, psi."""
        self.pipes = {r: Pipe(context, r) for r in context.plant.risers}
        self.outflows = {g: TankOutflow(context, g, self.fed_by(g))
                         for g in context.plant.generators if self.tank_read(g)}
        self._known: dict[tuple[str, int], Figure | Refusal] = {}
        self._at: int | None = None
        self._flows: dict[tuple[str, int], Estimate | Refusal] = {}
        self._flows_at: int | None = None
        self._owned: dict[tuple[str, int], Figure | Refusal] = {}
        self._own_at: int | None = None

    def __repr__(self) -> str:
        return f"Leaks({[*self.pipes]})"

    def feeds(self, riser: str) -> str | None:
        """Return the generator of a riser: the one it names, or the only one there is."""
        plant = self.context.plant
        named = plant.risers[riser].fed_by
        if named is None and len(plant.generators) == 1:
            return next(iter(plant.generators))
        return named

    def tank_read(self, generator: str | None) -> bool:
        """Whether a tank's pressure is configured and its volume known."""
        plant = self.context.plant
        return (
            generator in plant.generators and generator is not None
            and self.context.is_configured(f"{generator}.tank_pressure")
            and plant.generators[generator].tank_volume is not None
        )

    def fed_by(self, generator: str) -> list[str]:
        """Return the risers of a generator."""
        return [r for r in self.pipes if self.feeds(r) == generator]

    def figure(self, asset: str, now: int, window: int) -> Figure | Refusal:
        """Return the leak of a riser, or of a generator's risers that cannot be separated.

        The code ``shared`` says that only the sum of several risers is known, ``told-apart`` that
        every riser is seen by itself.
        """
        if now != self._at:
            self._at, self._known = now, {}
        found = self._known.get((asset, window))
        if found is None:
            make = self._riser if asset in self.pipes else self._generator
            found = self._known[asset, window] = make(asset, now, window)
        return found

    def _riser(self, riser: str, now: int, window: int) -> Figure | Refusal:
        own = self._own(riser, now, window)
        pipe = self.pipes[riser]
        if pipe.unread_vent and not isinstance(own, Refusal):
            both = "" if own.flow is None else (
                f": leak and vent together are "
                f"{own.flow.value * flow_factor(pipe.context.plant):.2f} "
                f"{flow_unit(pipe.context.plant)} and cannot be separated")
            return Refusal(code="vent", reason=f"{_UNREAD}{both}")
        if isinstance(own, Figure):
            return own
        generator = self.feeds(riser)
        if generator is None or not self.tank_read(generator):
            return own
        total = self._sum(generator, now, window)
        if isinstance(total, Refusal):
            both = own.reason if own.reason == total.reason else f"{own.reason}; {total.reason}"
            return Refusal(code=own.code, reason=both)
        if total.shared != (riser,):
            called = ", ".join(self.context.words.name(r) for r in total.shared)
            return Refusal(code="shared", reason=(
                f"{own.reason}, as with others: only the sum of {called} is known"))
        return total

    def _generator(self, generator: str, now: int, window: int) -> Figure | Refusal:
        found = self._sum(generator, now, window)
        if isinstance(found, Figure) and len(found.shared) < 2:
            return Refusal(code="told-apart", reason="every riser is seen by itself")
        return found

    def _own(self, riser: str, now: int, window: int) -> Figure | Refusal:
        """Return the loss by a riser's own pressure; with the vent's where the vent is not read."""
        if now != self._own_at:
            self._own_at, self._owned = now, {}
        key = riser, window
        if key not in self._owned:
            self._owned[key] = self._of_pipe(riser, now, window)
        return self._owned[key]

    def _of_pipe(self, riser: str, now: int, window: int) -> Figure | Refusal:
        pipe = self.pipes[riser]
        if pipe.read.at is None or now - pipe.read.at > window:
            return Refusal(code="held", reason="no supervisory pressure is read")
        found = pipe.loss.loss(now - window, now)
        if isinstance(found, Refusal) and window >= DAY:
            # A tight pipe takes days to fall by more than its gauge can see.
            longer = pipe.loss.loss(now - _LONG * window, now)
            found, window = (found, window) if isinstance(longer, Refusal) else (
                longer, _LONG * window)
        if isinstance(found, Refusal):
            if found.code == "too-short" and pipe.venting(now):
                return Refusal(code="purging", reason=_PURGING)
            return found
        psi, level = found
        scale = pipe.mol_per_psi
        return Figure(psi=psi, flow=None if scale is None else psi.scaled(scale / 86_400.0),
                      way=DECAY, window=(now - window, now), level=level,
                      compensated=pipe.loss.compensated)

    def _sum(self, generator: str, now: int, window: int) -> Figure | Refusal:
        """Return the loss of the risers whose own pressure shows none, together."""
        name = self.context.words.name
        own = {r: self._own(r, now, window) for r in self.fed_by(generator)}
        shared = tuple(r for r, o in own.items() if isinstance(o, Refusal))
        if not shared:
            return Refusal(code="told-apart", reason="every riser is seen by itself")
        for riser in shared:
            if self.pipes[riser].unread_vent:
                return Refusal(code="vent", reason=f"{_UNREAD} at {name(riser)}, and its flow "
                               "would pass for a leak")
        end = _settled(now)
        windows = (window,) if window < DAY else (window, _LONG * window)
        found = [(self._outflow(generator, end, w), (end - w, end)) for w in windows]
        disturbed = [row for r in own for row in self.pipes[r].disturbed]
        found.append((outflow_of(self.context, generator, now - window, now, disturbed),
                      (now - window, now)))
        known = [(f, w) for f, w in found if isinstance(f, Estimate) and f.value > 0.0]
        if not known:
            open_now = any(self.pipes[r].venting(now) for r in own)
            return Refusal(code="purging", reason=_PURGING) if open_now else Refusal(
                code="too-short", reason=f"the tank of {name(generator)} was not seen falling for "
                "long enough with every vent shut")
        flow, over = min(known, key=lambda f: f[0].deviation / f[0].value)
        for other in own.values():
            if isinstance(other, Figure) and other.flow is not None:
                flow = flow.minus(other.flow)
        hidden = math.fsum(self.pipes[r].hidden(*over) for r in own) / (over[1] - over[0]) * 1000.0
        flow = flow.plus(Estimate(value=0.0, deviation=hidden / _EVENLY))
        if flow.deviation > _KNOWN * flow.value:
            factor, unit = flow_factor(self.context.plant), flow_unit(self.context.plant)
            low, high = (max(0.0, x * factor) for x in flow.interval())
            return Refusal(code="too-short", reason=(
                f"the gas balance of {name(generator)} knows it only as between {low:.2f} and "
                f"{high:.2f} {unit}"))
        return self._as_riser(flow, shared, over)

    def _outflow(self, generator: str, end: int, window: int) -> Estimate | Refusal:
        if self._flows_at != end:
            self._flows_at, self._flows = end, {}
        key = generator, window
        if key not in self._flows:
            self._flows[key] = self.outflows[generator].flow(end - window, end)
        return self._flows[key]

    def tank_loss(self, generator: str, now: int) -> Estimate | Refusal:
        """Return what the tank lost in a day beyond what each of its risers loses, mol/s.

        It is known only where every riser is seen to fall by itself.
        """
        if generator not in self.outflows:
            return Refusal(code="no-tank", reason=f"no tank is read at {generator}")
        end = _settled(now)
        found = self.outflows[generator].flow(end - DAY, end, tank=True)
        for riser in self.fed_by(generator):
            own = self._own(riser, now, DAY)
            if isinstance(found, Refusal) or isinstance(own, Refusal):
                return own if isinstance(own, Refusal) else found
            if own.flow is None:
                return Refusal(code="unsure", reason=f"the volume of {riser} is missing")
            found = found.minus(own.flow)
        return found

    def _as_riser(
        self, flow: Estimate, shared: tuple[str, ...], window: tuple[int, int],
    ) -> Figure:
        pipes = [self.pipes[r] for r in shared]
        known = [p.mol_per_psi for p in pipes if p.mol_per_psi is not None]
        whole = math.fsum(known) if len(known) == len(pipes) else 0.0
        levels = [p.loss.level(self.ambient + (
            self.context.plant.risers[p.riser].supervisory_pressure or 0.0)) for p in pipes]
        return Figure(
            psi=flow.scaled(86_400.0 / whole) if whole else None, flow=flow, way=SUM,
            window=window, level=math.fsum(levels) / len(levels), shared=shared,
        )


def _settled(now: int) -> int:
    """Return the end of the last complete means at ``now``, to which gas balances are computed."""
    settled = now - 2 * _AFTER
    return settled - settled % _EVERY


def leaks_of(context: Context) -> Leaks:
    """Return the pipes and leak estimates that rules and estimators of one engine share."""
    found = context.shared.get("leaks")
    if not isinstance(found, Leaks):
        found = context.shared["leaks"] = Leaks(context)
    return found
