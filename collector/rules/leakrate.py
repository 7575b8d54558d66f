"""The leak of each riser, or the sum of those that cannot be told apart, with how well it is known.

A riser whose pressure falls by itself is told by that. All others share what leaves their
generator's tank and pipes, less what the first ones lose. A vent that lets gas out, or may, leaves
no figure: what it passes is no leak.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.domain.events import EstimateMade
from collector.domain.quantities import flow_unit
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import R
from collector.rules.base import ALL_COUNTED, Band, Context, Estimator, State, contact_band
from collector.rules.pipeloss import REFERENCE, PipeLoss
from collector.rules.rates import flow_factor
from collector.rules.tankoutflow import outflow_of

__all__ = ["DAY", "DECAY", "PSI", "SUM", "Days", "Figure", "Leaks", "build_estimators",
           "days_of", "leaks_of"]

DAY = 86_400_000
"""ms."""
PSI = 6894.757293168
"""Pa."""
DECAY, SUM = "decay", "sum"
"""How a leak was seen: in the pipe's own falls, or in what the generator had to bring."""

_AFTER = 5 * 60_000
_KEPT_DAYS = 60
_KEPT = 50 * 3_600_000
_LONG = 3
_PURGING = "a purge vent is open: its flow would pass for a leak"
_UNREAD = "nobody reads whether its vent is open"


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
    """One riser as a source of leak figures: its gas, and when gas flowed that is no leak."""

    def __init__(self, context: Context, riser: str) -> None:
        self.context, self.riser = context, riser
        self.pressure, self._heat = f"{riser}.pressure", f"{riser}.pipe_temperature"
        self.read = context.inputs.point(self.pressure)
        self._supply = context.plant.risers[riser].fed_by
        vents = [v.id for v in context.plant.vents.values() if v.riser == riser]
        self._vents = tuple(context.inputs.point(f"{v}.open") for v in vents)
        self._opens = frozenset({f"{riser}.bypass_open", *(f"{v}.open" for v in vents)})
        heat = [self._heat] if context.wired(self._heat) else []
        self.points = (self.pressure, *heat, *sorted(self._opens))
        self.loss = PipeLoss(pressure_at_altitude(context.plant.site.altitude) / PSI)
        self.disturbed: list[list[int]] = []
        """From when (ms), and for how long, gas flowed that is no leak."""

    def __repr__(self) -> str:
        return f"Pipe({self.riser}, {self.loss!r})"

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""
        if point == self.pressure:
            if self.loss.pressure(at, value, before_at, self.read.max_gap()) and (
                    self._filling(at) or self.venting(at)):
                self._disturb(at)
        elif point == self._heat:
            self.loss.temperatures(at, (value,))
        elif value >= 0.5:
            self._disturb(at)

    def update_batch(self, point: str, times: Sequence[int], values: Sequence[float]) -> None:
        """Take samples that were kept back."""
        if point == self._heat:
            self.loss.temperatures(times[-1], values)
        else:
            self.loss.pressures(values)

    def no_change_band(self, point: str) -> Band | None:
        """Return a contact that is off, and samples that only go into the averages under way."""
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

    def venting(self, now: int) -> bool:
        """Whether a vent whose contact is read is open, or not known to be shut."""
        return any(p.at is not None and not (p.fresh(now, 3 * p.max_gap()) and p.value == 0)
                   for p in self._vents)

    @property
    def unread_vent(self) -> bool:
        """Whether it has a vent of whose position nothing is read."""
        return any(p.at is None for p in self._vents)

    @property
    def mol_per_psi(self) -> float | None:
        """Mol in the pipe for each psi at the reference temperature."""
        volume = self.context.plant.risers[self.riser].volume
        return None if volume is None else volume * PSI / (R * REFERENCE)

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {"loss": self.loss.dump(), "disturbed_series": self.disturbed}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.loss.load(state["loss"])
        self.disturbed = [list(row) for row in state["disturbed_series"]]


class Leaks:
    """The pipes of one site and the figures that rules and quantities share."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.ambient = pressure_at_altitude(context.plant.site.altitude) / PSI
        """Atmospheric pressure, psi."""
        self.pipes = {r: Pipe(context, r) for r in context.plant.risers}
        self._known: dict[tuple[str, int], Figure | Refusal] = {}
        self._at: int | None = None

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
        """Whether a tank's demand can be had: its pressure is wired and its volume known."""
        plant = self.context.plant
        return (
            generator in plant.generators and generator is not None
            and self.context.wired(f"{generator}.tank_pressure")
            and plant.generators[generator].tank_volume is not None
        )

    def fed_by(self, generator: str) -> list[str]:
        """Return the risers of a generator."""
        return [r for r in self.pipes if self.feeds(r) == generator]

    def figure(self, asset: str, now: int, window: int) -> Figure | Refusal:
        """Return the leak of a riser, or of a generator's risers that cannot be told apart.

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
                f"{flow_unit(pipe.context.plant)} and cannot be told apart")
            return Refusal(code="vent", reason=f"{_UNREAD}{both}")
        if isinstance(own, Figure) or own.code != "held":
            return own
        generator = self.feeds(riser)
        if generator is None or not self.tank_read(generator):
            return own
        total = self._sum(generator, now, window)
        if isinstance(total, Refusal):
            return Refusal(code=own.code, reason=f"{own.reason}; {total.reason}")
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
        """Return what a riser's own pressure tells; with a vent nobody reads, vent and leak."""
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
        """Return what the risers lose together that do not fall by themselves."""
        name = self.context.words.name
        own = {r: self._own(r, now, window) for r in self.fed_by(generator)}
        shared = tuple(r for r, o in own.items() if isinstance(o, Refusal) and o.code == "held")
        if not shared:
            return Refusal(code="told-apart", reason="every riser is seen by itself")
        for riser, other in own.items():
            if riser in shared and self.pipes[riser].unread_vent:
                return Refusal(code="vent", reason=f"{_UNREAD} at {name(riser)}, and its flow "
                               "would pass for a leak")
            if riser not in shared and isinstance(other, Refusal):
                return Refusal(
                    code=other.code, reason=f"{name(riser)} is not clear: {other.reason}")
        disturbed = [row for r in own for row in self.pipes[r].disturbed]
        flow = outflow_of(self.context, generator, now - window, now, disturbed)
        if isinstance(flow, Refusal):
            open_now = any(self.pipes[r].venting(now) for r in own)
            return Refusal(code="purging", reason=_PURGING) if open_now else flow
        for other in own.values():
            if isinstance(other, Figure) and other.flow is not None:
                flow = flow.minus(other.flow)
        return self._as_riser(flow, shared, (now - window, now))

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


def leaks_of(context: Context) -> Leaks:
    """Return the pipes and figures that rules and quantities of one engine share."""
    found = context.shared.get("leaks")
    if not isinstance(found, Leaks):
        found = context.shared["leaks"] = Leaks(context)
    return found


@dataclass(slots=True, kw_only=True)
class Days(State):
    """One row a day: [end (ms), share of the gas lost in a day, its deviation, psi a day, way].

    A share, because a hole leaks in proportion to the absolute pressure: days with another set
    pressure stay comparable.
    """

    rows_series: list[list[Any]] = field(default_factory=list)

    def add(self, figure: Figure) -> None:
        """Take the figure of a day."""
        if figure.psi is None or figure.level <= 0:
            return
        self.rows_series.append([
            figure.window[1], figure.psi.value / figure.level, figure.psi.deviation / figure.level,
            figure.psi.value, f"{figure.way} {' '.join(figure.shared)}".strip(),
        ])
        del self.rows_series[:-_KEPT_DAYS]

    def alike(self) -> list[list[Any]]:
        """Return the days that were seen in the same way as the latest."""
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
        """Return the leak of the last 24 h."""
        found = self._leaks.figure(self.asset, now, DAY)
        told: Estimate | Refusal = found if isinstance(found, Refusal) else (
            self._express(found)
            or Refusal(code="no-volume", reason="the volume of the pipe is not set"))
        if isinstance(told, Estimate):
            start = now - DAY if isinstance(found, Refusal) else found.window[0]
            return self._made(now, start, told.value, *told.interval())
        if self.asset in self.context.plant.generators and told.code != "no-volume":
            return None  # its risers say it
        return self._made(now, now - DAY, None, reason=told.reason)

    def _express(self, figure: Figure) -> Estimate | None:
        return figure.psi


class LeakRate(LeakEquivalent):
    """The leak as a flow. It also feeds the pipe that everything about leaks is read from.

    The volume is taken as the site file states it; an error there scales the figure.
    """

    quantity = "leak-rate"

    def __init__(self, context: Context, asset: str) -> None:
        self._pipe = leaks_of(context).pipes.get(asset)
        super().__init__(context, asset, self._pipe.points if self._pipe else ())
        self._days = days_of(context, asset)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""
        if self._pipe:
            self._pipe.observe(point, at, value, before_at)

    def no_change_band(self, point: str) -> Band | None:
        """Return what changes nothing in the pipe."""
        return self._pipe.no_change_band(point) if self._pipe else None

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        """Take samples that were kept back."""
        if self._pipe:
            self._pipe.update_batch(point, times, values)

    def make(self, now: int) -> EstimateMade | None:
        """Return the leak of the last 24 h."""
        found = self._leaks.figure(self.asset, now, DAY)
        if isinstance(found, Figure):
            self._days.add(found)
        return super().make(now)

    def _express(self, figure: Figure) -> Estimate | None:
        factor = flow_factor(self.context.plant)
        return None if figure.flow is None else figure.flow.scaled(factor)

    def dump(self) -> dict[str, Any]:
        """Return the state of the pipe and of the days."""
        return {"pipe": self._pipe.dump() if self._pipe else None, "days": self._days.dump()}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        if self._pipe and state.get("pipe"):
            self._pipe.load(state["pipe"])
        self._days.restore(state["days"])


def build_estimators(context: Context) -> Iterable[Estimator]:
    """Return the estimators of every riser, and of every generator whose tank is read."""
    leaks, plant = leaks_of(context), context.plant
    read = [r for r in plant.risers
            if context.wired(f"{r}.pressure") or leaks.tank_read(leaks.feeds(r))]
    assets = [*read, *(g for g in plant.generators if leaks.tank_read(g))]
    return [kind(context, a) for a in assets for kind in (LeakRate, LeakEquivalent)]
