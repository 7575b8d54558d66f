"""One riser's pipe and one generator's tank, watched for gas that goes while nothing flows in.

What is not a leak is left out here: an open vent, a bypass, a declared fill, air-fill, the minutes
after each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import R
from collector.rules.base import ALL, Context, contact_band
from collector.rules.leakdata import REFERENCE, Decays

__all__ = ["PSI", "Leaks", "RiserTrack", "TankTrack", "leaks_of"]

PSI = 6894.757293168
"""Pa."""

_AFTER = 5 * 60_000
_RUN_SETTLES = 20 * 60_000
_RUN_LEAST = 90_000
_OXYGEN_MARGIN = 0.5
_KEPT_PART = 0.7
_GIVEN_UP = 3_600_000
_WARM = 293.15  # K, a tank in its room
_PURGING, _SHUT, _NOBODY = "purging", "shut", "nobody"


class _Vent:
    """One vent of a riser."""

    def __init__(self, context: Context, vent: str) -> None:
        self.opens = f"{vent}.open"
        self._contact = context.inputs.point(self.opens)
        self._oxygen = context.inputs.point(f"{vent}.oxygen")
        target = context.plant.vents[vent].target_oxygen
        self._limit = (2.0 if target is None else target) + _OXYGEN_MARGIN

    def __repr__(self) -> str:
        return f"_Vent({self.opens})"

    def state(self, now: int) -> str:
        """Return whether it lets gas out: by its contact, else by its oxygen, else nobody."""
        contact, oxygen = self._contact, self._oxygen
        if contact.at is not None:
            fresh = contact.fresh(now, 3 * contact.max_gap())
            return _SHUT if fresh and contact.value == 0 else _PURGING
        if oxygen.value is None:
            return _NOBODY
        return _SHUT if oxygen.value <= self._limit else _PURGING


class _Track:
    """Common of pipe and tank: which points, what each of them does to the decays."""

    def __init__(self, context: Context, asset: str, pressure: str, decays: Decays) -> None:
        self.context, self.asset, self.pressure, self.decays = context, asset, pressure, decays
        self.ambient = pressure_at_altitude(context.plant.site.altitude) / PSI
        """Atmospheric pressure, psi."""
        self.points: tuple[str, ...] = ()
        self.read = context.inputs.point(pressure)
        """What is read of the pressure."""

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.asset}, {self.decays!r})"

    def quiet(self, point: str) -> tuple[float, float] | None:
        """Return the band in which a further sample of a contact or the mode changes nothing."""
        return contact_band(on=False)

    def holds(self, point: str) -> tuple[float, float, int | None] | None:
        """Return the band in which samples only go into the averages under way."""
        until = self.decays.whole_until() if point == self.pressure else None
        return None if until is None else (*ALL, until)

    def observe_many(self, point: str, times: Sequence[int], values: Sequence[float]) -> None:
        """Take samples that :meth:`holds` let be kept back."""
        self.decays.pressures(values)

    def _vents(self, risers: frozenset[str]) -> tuple[_Vent, ...]:
        return tuple(
            _Vent(self.context, v.id) for v in self.context.plant.vents.values()
            if v.riser in risers
        )

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return self.decays.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.decays.load(state)


class RiserTrack(_Track):
    """A riser's pipe."""

    def __init__(self, context: Context, riser: str) -> None:
        self._heat = f"{riser}.pipe_temperature"
        self._bypass = f"{riser}.bypass_open"
        warm = context.wired(self._heat)
        super().__init__(context, riser, f"{riser}.pressure", Decays(
            ambient=pressure_at_altitude(context.plant.site.altitude) / PSI, compensated=False,
        ))
        self.vents = self._vents(frozenset({riser}))
        self._opens = frozenset(v.opens for v in self.vents)
        self._supply = context.plant.risers[riser].fed_by
        extra = [self._heat] if warm else []
        self.points = (self.pressure, *extra, self._bypass, *sorted(self._opens))

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""
        if point == self.pressure:
            if self.decays.pressure(at, value, before_at, self.read.max_gap()):
                self._look(at)
        elif point == self._heat:
            if not self.decays.compensated:
                # From the first temperature on; what went before was another kind of figure.
                self.decays.cut()
                self.decays.compensated = True
            self.decays.temperature(at, value)
        elif value >= 0.5 and (point in self._opens or point == self._bypass):
            self.decays.block(at + _AFTER)

    def quiet(self, point: str) -> tuple[float, float] | None:
        """Return the band of a contact that is off."""
        return None if point in (self.pressure, self._heat) else super().quiet(point)

    def holds(self, point: str) -> tuple[float, float, int | None] | None:
        """Return the band in which samples only go into the averages under way."""
        if point == self._heat:
            return (*ALL, None) if self.decays.compensated else None
        return super().holds(point)

    def observe_many(self, point: str, times: Sequence[int], values: Sequence[float]) -> None:
        """Take samples that :meth:`holds` let be kept back."""
        if point == self._heat:
            self.decays.temperatures(times[-1], values)
        else:
            super().observe_many(point, times, values)

    def _look(self, at: int) -> None:
        inputs = self.context.inputs
        fills = (inputs.fills.get(self.asset), inputs.fills.get(self._supply or ""))
        filling = any([f is not None and at < f for f in fills])
        # A vent that is not known to be shut may be open.
        if filling or any([v.state(at) is not _SHUT for v in self.vents]):
            self.decays.block(at + _AFTER)

    def purging(self, now: int) -> bool:
        """Whether a vent of this riser is open, or not known to be shut."""
        return any([v.state(now) is _PURGING for v in self.vents])

    def unseen_vent(self) -> bool:
        """Whether it has a vent of which nothing is read."""
        return any([v.state(0) is _NOBODY for v in self.vents])

    def mol_per_psi(self) -> float | None:
        """Return mol in the pipe for each psi at the reference temperature."""
        volume = self.context.plant.risers[self.asset].volume
        return None if volume is None else volume * PSI / (R * REFERENCE)

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {**super().dump(), "compensated": self.decays.compensated}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        super().load(state)
        self.decays.compensated = bool(state.get("compensated", self.decays.compensated))


class TankTrack(_Track):
    """A generator's tank: while its compressor is off it falls at the demand of all its risers.

    Risers draw in gulps. Where the pressure and volume of every one is known, tank and pipes are
    taken as one vessel, in which a gulp only moves gas from here to there.
    """

    def __init__(self, context: Context, generator: str, pipes: Mapping[str, RiserTrack]) -> None:
        super().__init__(context, generator, f"{generator}.tank_pressure", Decays(
            ambient=pressure_at_altitude(context.plant.site.altitude) / PSI, compensated=False,
            jump=0.8, odd=10.0, look_back=1, others=self._in_the_pipes,
        ))
        self._pipes = pipes
        self.whole: bool | None = None
        self._running = f"{generator}.compressor_running"
        self._mode = f"{generator}.mode"
        self.risers = tuple(pipes)
        self.vents = self._vents(frozenset(self.risers))
        self._opens = frozenset(v.opens for v in self.vents)
        self._off_at: int | None = None
        self._off = 0.0
        self.points = (self.pressure, self._running, self._mode, *sorted(self._opens))

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""
        if point == self.pressure:
            if self.decays.pressure(at, value, before_at, self.read.max_gap()):
                self._look(at)
        elif point == self._running:
            self._run(at, running=value >= 0.5)
        elif (point in self._opens and value >= 0.5) or (point == self._mode and value != 1.0):
            self.decays.block(at + _AFTER)

    def quiet(self, point: str) -> tuple[float, float] | None:
        """Return the bands of contacts that are off and of the mode in nitrogen."""
        if point == self.pressure or (point == self._running and self._off_at is None):
            return None
        return (1.0, 1.0) if point == self._mode else super().quiet(point)

    def _run(self, at: int, *, running: bool) -> None:
        if not running:
            self._off_at = at if self._off_at is None else self._off_at
            return
        if self._off_at is not None:
            lasted = float(at - self._off_at)
            self._off += (lasted - self._off) * (0.2 if self._off else 1.0)
        self._off_at = None
        # A tank cools after a run and falls without any demand: a third of the pause is left out.
        self.decays.block(at + int(min(max(0.35 * self._off, _RUN_LEAST), _RUN_SETTLES)))

    def _in_the_pipes(self, at: int) -> float | None:
        """Return the gas in all pipes as psi of the tank; 0 where they do not all tell."""
        plant, total = self.context.plant, 0.0
        tank = plant.generators[self.asset].tank_volume
        told = True
        for name, pipe in self._pipes.items():
            volume, point = plant.risers[name].volume, pipe.read
            if not volume or not tank or point.at is None or at - point.at > _GIVEN_UP:
                told = False
                break
            held = pipe.decays.recent(at)
            if held is None:
                return None
            total += volume / tank * held * _WARM / REFERENCE
        if told is not self.whole:
            known, self.whole = self.whole is not None, told
            return None if known else self._in_the_pipes(at)
        return total if told else 0.0

    def _look(self, at: int) -> None:
        if self.context.inputs.filling(self.asset, at) or self.purging(at):
            self.decays.block(at + _AFTER)
        if not self.whole and self._off and self._off_at is not None \
                and at - self._off_at > _KEPT_PART * self._off:
            # A gulp ends the pause: what is cut by it would end on half a gulp too much. A cut by
            # the clock does not know of gulps.
            self.decays.block(at + 1)

    def purging(self, now: int) -> bool:
        """Whether a vent of any of its risers is open, or not known to be shut."""
        return any([v.state(now) is _PURGING for v in self.vents])

    def mol_per_psi(self) -> float | None:
        """Return mol in the tank for each psi, at 20 degC."""
        volume = self.context.plant.generators[self.asset].tank_volume
        return None if volume is None else volume * PSI / (R * _WARM)

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {
            **super().dump(), "pause": {"off_at": self._off_at}, "pauses_ms": self._off,
            "whole": self.whole,
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        super().load(state)
        self._off_at = state.get("pause", {}).get("off_at")
        self._off = float(state.get("pauses_ms", 0.0))
        self.whole = state.get("whole")


class Leaks:
    """The tracks of one site, made when first asked for."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self.ambient = pressure_at_altitude(context.plant.site.altitude) / PSI
        """Atmospheric pressure, psi."""
        self._risers: dict[str, RiserTrack] = {}
        self._tanks: dict[str, TankTrack] = {}

    def __repr__(self) -> str:
        return f"Leaks({[*self._risers, *self._tanks]})"

    def riser(self, riser: str) -> RiserTrack:
        """Return the track of a riser."""
        if riser not in self._risers:
            self._risers[riser] = RiserTrack(self._context, riser)
        return self._risers[riser]

    def tank(self, generator: str) -> TankTrack:
        """Return the track of a generator's tank."""
        if generator not in self._tanks:
            pipes = {r: self.riser(r) for r in self._context.plant.risers
                     if self.feeds(r) == generator}
            self._tanks[generator] = TankTrack(self._context, generator, pipes)
        return self._tanks[generator]

    def feeds(self, riser: str) -> str | None:
        """Return the generator of a riser: the one it names, or the only one there is."""
        plant = self._context.plant
        named = plant.risers[riser].fed_by
        if named is None and len(plant.generators) == 1:
            return next(iter(plant.generators))
        return named

    def tank_read(self, generator: str | None) -> bool:
        """Whether a tank's demand can be had: its pressure is wired and its volume known."""
        plant = self._context.plant
        return (
            generator in plant.generators and generator is not None
            and self._context.wired(f"{generator}.tank_pressure")
            and plant.generators[generator].tank_volume is not None
        )


def leaks_of(context: Context) -> Leaks:
    """Return the tracks that rules and quantities of one engine share."""
    found = context.shared.get("leaks")
    if not isinstance(found, Leaks):
        found = context.shared["leaks"] = Leaks(context)
    return found
