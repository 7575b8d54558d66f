"""The whole plant: flows between its assets in one step, and totals that must balance.

Time is counted in ms since 1970 UTC. Steps are placed by the plant's own state, never by reads,
so that the same seed and the same commands give the same history to the bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.generator import Generator
from simulators.noise import key_of, slow
from simulators.pipe import Pipe, Vent
from simulators.specs import PlantSpec, RiserSpec, RoomSpec
from simulators.units import AIR_OXYGEN, GAS_CONSTANT

__all__ = ["MolTotals", "Plant", "Room"]

_DAY = 86400.0
_YEAR = 365.2425 * _DAY


@dataclass(slots=True)
class MolTotals:
    """Every mol that crossed the plant's boundary since the start, and how much was oxygen."""

    taken_in: float = 0.0
    rejected: float = 0.0
    leaked: float = 0.0
    vented: float = 0.0
    oxygen_in: float = 0.0
    oxygen_rejected: float = 0.0
    oxygen_leaked: float = 0.0
    oxygen_vented: float = 0.0

    @property
    def kept(self) -> float:
        """Gas in the plant in excess of the start, by the balance of flows, mol."""
        return self.taken_in - self.rejected - self.leaked - self.vented

    @property
    def oxygen_kept(self) -> float:
        return self.oxygen_in - self.oxygen_rejected - self.oxygen_leaked - self.oxygen_vented


class Room:
    """The air of a room: oxygen fraction and temperature (K)."""

    def __init__(self, spec: RoomSpec) -> None:
        self.spec = spec
        self.oxygen = AIR_OXYGEN
        self.temperature = spec.temperature

    def move(self, dt: float, released: float, fraction: float) -> None:
        """Let ``released`` mol/s of gas mix in while the ventilation carries it off."""
        spec = self.spec
        held = 101325.0 * spec.volume / (GAS_CONSTANT * self.temperature)
        fresh = held * spec.air_changes / 3600
        self.oxygen += (fresh * (AIR_OXYGEN - self.oxygen)
                        + released * (fraction - self.oxygen)) * dt / held


class Plant:
    """The simulated plant. Only :meth:`advance_to` advances its time."""

    def __init__(self, spec: PlantSpec) -> None:
        self.spec = spec
        self.time = spec.start
        """ms since 1970 UTC up to which everything has happened."""
        self.rooms = {r.id: Room(r) for r in spec.rooms}
        air = spec.atmosphere
        self.generators = {
            g.id: Generator(g, air, self._room_temperature(g.room)) for g in spec.generators
        }
        self._weather = {r.id: key_of(spec.seed, f"weather.{r.id}") for r in spec.risers}
        self.risers = {r.id: Pipe(r, air, r.temperature) for r in spec.risers}
        self.vents = {
            v.id: Vent(v, self.risers[v.riser].far_oxygen,
                       self.risers[v.riser].spec.supervisory_pressure + air, air)
            for v in spec.vents
        }
        self._fed = {g: [(r.id, self.risers[r.id]) for r in spec.risers if r.fed_by == g]
                     for g in self.generators}
        self._vents_of = {r: [v for v in self.vents.values() if v.spec.riser == r]
                          for r in self.risers}
        self.totals = MolTotals()
        self.steps = 0
        self._quiet, self._busy = round(spec.quiet_step * 1000), round(spec.busy_step * 1000)
        self._outside: dict[str, float] = {}
        self._weather_until = -math.inf
        self._look_outside()

    def __repr__(self) -> str:
        return (f"Plant({len(self.generators)} generators, {len(self.risers)} risers, "
                f"{self.steps} steps)")

    @property
    def seconds(self) -> float:
        """Seconds since 1970, as the weather and the timers count."""
        return self.time / 1000

    def content(self) -> tuple[float, float]:
        """Return all the gas in tanks and pipes, and the oxygen in it, mol."""
        gas = sum(g.nitrogen + g.oxygen for g in self.generators.values())
        oxygen = sum(g.oxygen for g in self.generators.values())
        return (gas + sum(p.total for p in self.risers.values()),
                oxygen + sum(p.oxygen_total for p in self.risers.values()))

    def advance_to(self, instant: int) -> None:
        """Let time pass up to ``instant``, in whole steps: the state may lag by less than one."""
        while True:
            step = self._next_step()
            if self.time + step > instant:
                return
            self._step(step)

    def advance_exactly(self, instant: int) -> None:
        """Let time pass up to ``instant`` exactly, as for an order at that instant."""
        self.advance_to(instant)
        if self.time < instant:
            self._step(instant - self.time)

    def _look_outside(self) -> None:
        """Update the ambient temperatures; once a minute is enough."""
        seconds = self.time / 1000
        if seconds < self._weather_until:
            return
        self._weather_until = seconds + 60
        for name, pipe in self.risers.items():
            self._outside[name] = self._weather_at(name, pipe.spec, seconds)
        for room in self.rooms.values():
            room.temperature = room.spec.temperature + room.spec.daily_swing * math.sin(
                2 * math.pi * (seconds / _DAY - 0.4))

    def _room_temperature(self, room: str) -> float:
        return self.rooms[room].temperature if room in self.rooms else 291.15

    def _next_step(self) -> int:
        step = self._quiet
        for generator in self.generators.values():
            if generator.running:
                step = min(step, self._busy)
        for pipe in self.risers.values():
            if pipe.amd_open or pipe.faults.bypass_open:
                step = min(step, self._busy)
            if pipe.faults.trip:
                limit = 0.02 * pipe.total / (pipe.losses(self.seconds) + 1e-9)
                step = min(step, max(int(limit * 1000), 100))
            if pipe.faults.bypass_open:
                step = min(step, 1000)
        return step

    def _step(self, milliseconds: int) -> None:
        dt = milliseconds / 1000
        seconds = self.time / 1000
        self._look_outside()
        for name, generator in self.generators.items():
            generator.decide()
            self._feed(generator, name, dt, seconds)
        for vent in self.vents.values():
            vent.decide(seconds)
        for room in self.rooms.values():
            self._breathe(room, dt)
        self.time += milliseconds
        self.steps += 1

    def _feed(self, generator: Generator, name: str, dt: float, seconds: float) -> None:
        """Let one generator make gas, its risers draw it, and the tank take the difference."""
        room = self._room_temperature(generator.spec.room)
        made = generator.make(room)
        tank_fraction = generator.tank_fraction
        fed = self._fed[name]
        demands = self._demands(generator, fed, made.gas, dt)
        wanted = sum(demands)
        # In air-fill the compressor feeds the pipe first; only what is over goes to the tank.
        direct = min(made.gas, wanted) if generator.air_fill else 0.0
        feed = tank_fraction
        if direct > 0:
            feed = (direct * AIR_OXYGEN + (wanted - direct) * tank_fraction) / wanted
        into = made.gas - direct
        oxygen_into = made.oxygen - direct * AIR_OXYGEN
        for (riser, pipe), demand in zip(fed, demands, strict=True):
            self._run_pipe(riser, pipe, demand, demand * feed, dt, seconds)
        lost = generator.leak() + generator.relief()
        from_tank = wanted - direct + lost
        generator.totals.count(dt, made, from_tank + direct, generator)
        totals = self.totals
        totals.taken_in += made.intake * dt
        totals.oxygen_in += made.intake * AIR_OXYGEN * dt
        totals.rejected += (made.intake - made.gas) * dt
        totals.oxygen_rejected += (made.intake * AIR_OXYGEN - made.oxygen) * dt
        totals.leaked += lost * dt
        totals.oxygen_leaked += lost * tank_fraction * dt
        generator.move(dt, (into - from_tank) * dt, (oxygen_into - from_tank * tank_fraction) * dt,
                       into * dt, room)

    def _demands(self, generator: Generator, fed: list[tuple[str, Pipe]], made: float,
                 dt: float) -> list[float]:
        """Return each riser's draw, mol/s: from the tank, or straight from the compressor."""
        demands = [pipe.demand(generator.gauge) for _, pipe in fed]
        wanted = sum(demands)
        if generator.air_fill and wanted < made:
            # The compressor pushes into the header directly, however low the tank stands.
            pushed = [pipe.demand(max(generator.gauge, generator.spec.air_fill_below))
                      for _, pipe in fed]
            share = min(1.0, made / sum(pushed)) if sum(pushed) > 0 else 1.0
            return [d * share for d in pushed]
        most = made + 0.2 * (generator.nitrogen + generator.oxygen) / dt
        return [d * most / wanted for d in demands] if wanted > most else demands

    def _run_pipe(self, riser: str, pipe: Pipe, entering: float, entering_oxygen: float, dt: float,
                  seconds: float) -> None:
        leaving = pipe.losses(seconds)
        vented = 0.0
        for vent in self._vents_of[riser]:
            flow = vent.flow(pipe.gauge)
            vented += flow
            vent.vented += flow * dt
            vent.sense(dt, pipe.far_oxygen, flow > 0)
        limit = pipe.step_limit(max(entering, leaving + vented))
        parts = 1 if dt <= limit else math.ceil(dt / limit)
        leaked_oxygen = vented_oxygen = 0.0
        for _ in range(parts):
            out = pipe.move(dt / parts, entering, entering_oxygen, leaving, vented)
            leaked_oxygen += out[0]
            vented_oxygen += out[1]
        pipe.drawn += entering * dt
        pipe.leaked += leaving * dt
        totals = self.totals
        totals.leaked += leaving * dt
        totals.oxygen_leaked += leaked_oxygen
        totals.vented += vented * dt
        totals.oxygen_vented += vented_oxygen
        follow = min(dt / pipe.spec.temperature_lag, 0.5)
        pipe.settle(pipe.temperature + (self._outside[riser] - pipe.temperature) * follow)
        pipe.cool_room(dt, self._outside[riser])

    def _weather_at(self, riser: str, spec: RiserSpec, seconds: float) -> float:
        """Return the temperature around a pipe: day, year, and irregular weather."""
        return (spec.temperature
                + spec.daily_swing * math.sin(2 * math.pi * (seconds / _DAY - 0.375))
                - spec.season_swing * math.cos(2 * math.pi * (seconds / _YEAR - 0.04))
                + spec.weather_swing * slow(self._weather[riser], seconds, 6 * 3600))

    def _breathe(self, room: Room, dt: float) -> None:
        released = carried = 0.0
        for generator in self.generators.values():
            if generator.spec.room == room.spec.id:
                out = generator.leak() + generator.relief()
                released += out
                carried += out * generator.tank_fraction
        room.move(dt, released, carried / released if released else 0.0)
