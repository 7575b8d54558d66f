"""A generator: compressor, separator, tank, and their controller."""

from __future__ import annotations

from dataclasses import dataclass

from simulators.specs import GeneratorSpec
from simulators.units import AIR_OXYGEN, GAS_CONSTANT

__all__ = ["Generator", "GeneratorFaults", "Made", "Totals"]


class GeneratorFaults:
    """Faults of a generator."""

    __slots__ = ("air_saying_nitrogen", "no_start", "no_stop", "power_off", "stuck_air_fill",
                 "switch_band", "tank_leak", "tired_separator", "trouble", "wear")

    def __init__(self) -> None:
        self.wear = 0.0
        """Share of the delivery that is gone."""
        self.no_start = False
        self.no_stop = False
        self.stuck_air_fill = False
        self.air_saying_nitrogen = False
        self.power_off = False
        self.trouble = False
        self.tank_leak = 0.0
        self.switch_band = 0.0
        """Pa between the pressures where the switch stops and starts; 0: as it was set."""
        self.tired_separator = 0.0
        """How much more oxygen the product holds than when the separator was new."""


@dataclass(slots=True)
class Made:
    """Flows of the compressor and separator at one instant, mol/s."""

    intake: float = 0.0
    gas: float = 0.0
    oxygen: float = 0.0


@dataclass(slots=True)
class Totals:
    """Totals of one generator since the start: mol, s, full runs."""

    intake: float = 0.0
    gave: float = 0.0
    drawn: float = 0.0
    """By risers, leak and relief together."""
    gave_nitrogen: float = 0.0
    run_nitrogen: float = 0.0
    """s of running in nitrogen mode."""

    def count(self, dt: float, made: Made, drawn: float, generator: Generator) -> None:
        self.drawn += drawn * dt
        if generator.running:
            self.intake += made.intake * dt
            self.gave += made.gas * dt
            if not generator.air_fill:
                self.gave_nitrogen += made.gas * dt
                self.run_nitrogen += dt


class Generator:
    """State of one generator: ``nitrogen`` and ``oxygen`` of the tank in mol, temperature in K."""

    def __init__(self, spec: GeneratorSpec, atmosphere: float, room: float) -> None:
        self.spec = spec
        self.atmosphere = atmosphere
        self.temperature = room
        amount = (spec.tank_start + atmosphere) * spec.tank_volume / (GAS_CONSTANT * room)
        self.oxygen = amount * spec.tank_oxygen
        self.nitrogen = amount - self.oxygen
        self.gauge = spec.tank_start
        self.running = False
        self.air_fill = False
        self.coldness = 1.0
        """1 when the separator has been idle for long, 0 when it works."""
        self.analyser = spec.product_oxygen
        self.run_seconds = spec.running_hours * 3600
        self.starts = int(spec.start_count)
        self.cabinet = room + 4
        self.faults = GeneratorFaults()
        self.made = Made()
        self.totals = Totals()

    def __repr__(self) -> str:
        return (f"Generator({self.spec.id}, {self.gauge / 1000:.1f} kPa, "
                f"{'running' if self.running else 'off'}, {self.mode})")

    @property
    def mode(self) -> str:
        """The mode as the controller reports it."""
        if self.faults.power_off:
            return "off"
        return "air-fill" if self.air_fill else "nitrogen"

    @property
    def trouble(self) -> bool:
        """Whether the trouble relay has dropped out: a fault of its own, or no power to hold it."""
        return self.faults.trouble or self.faults.power_off

    @property
    def tank_fraction(self) -> float:
        """Oxygen fraction of the tank's gas."""
        return self.oxygen / (self.nitrogen + self.oxygen)

    def decide(self) -> None:
        """Run the controller's logic on the tank's true pressure."""
        spec, faults, gauge = self.spec, self.faults, self.gauge
        if faults.power_off:
            self.running = False
            return
        if gauge < spec.air_fill_below or faults.stuck_air_fill:
            self.air_fill = True
        elif self.air_fill and gauge >= spec.air_fill_return:
            self.air_fill = False
        if self.running:
            # A pressure switch that never opens leaves the relief valve to hold the tank.
            if faults.no_start or (gauge >= spec.cut_out and not faults.no_stop):
                self.running = False
        elif gauge <= self._starts_at() and not faults.no_start:
            self.running = True
            self.starts += 1

    def _starts_at(self) -> float:
        narrow = self.faults.switch_band
        return max(self.spec.cut_in, self.spec.cut_out - narrow) if narrow else self.spec.cut_in

    def make(self, room: float) -> Made:
        """Return the flows made now; delivery falls with tank pressure, wear and warm air."""
        made, spec = self.made, self.spec
        if not self.running:
            made.intake = made.gas = made.oxygen = 0.0
            return made
        fall = 1 - spec.falls_with_pressure * max(self.gauge, 0.0) / spec.cut_out
        made.intake = spec.intake * fall * (1 - self.faults.wear) * (293.15 / room)
        if self.air_fill or self.faults.air_saying_nitrogen:
            made.gas = made.intake
            made.oxygen = made.gas * AIR_OXYGEN
        else:
            made.gas = made.intake * spec.recovery
            made.oxygen = made.gas * self.product_fraction()
        return made

    def product_fraction(self) -> float:
        """Return the oxygen fraction of the separator's product."""
        worn = self.spec.product_oxygen + self.faults.tired_separator
        return worn + self.coldness**2 * self.spec.warm_up_oxygen

    def relief(self) -> float:
        """Return the flow through the tank's relief valve, mol/s; it opens well above cut-out."""
        over = self.gauge - 1.35 * self.spec.cut_out
        return self.spec.intake * min(over / (0.05 * self.spec.cut_out), 2.0) if over > 0 else 0.0

    def leak(self) -> float:
        """Return the tank's own leak, mol/s, which follows its absolute pressure."""
        if self.gauge <= 0:
            return 0.0
        hole = self.spec.tank_leak + self.faults.tank_leak
        return hole * (self.gauge + self.atmosphere) / (self.spec.cut_out + self.atmosphere)

    def move(self, dt: float, gas: float, oxygen: float, entering: float, room: float) -> None:
        """Add ``gas`` of which ``oxygen`` (net, mol) to the tank; let the rest of ``dt`` s pass.

        ``entering`` is the mol of hot gas that came in, which warms the tank.
        """
        spec = self.spec
        amount = self.nitrogen + self.oxygen
        self.oxygen += oxygen
        self.nitrogen += gas - oxygen
        hot = room + spec.heat_of_compression
        self.temperature += entering / amount * (hot - self.temperature) * 0.5
        self.temperature += (room - self.temperature) * min(dt / 900, 0.5)
        self.gauge = ((self.nitrogen + self.oxygen) * GAS_CONSTANT * self.temperature
                      / spec.tank_volume - self.atmosphere)
        self._pass_time(dt, room)

    def _pass_time(self, dt: float, room: float) -> None:
        generating = self.running and not self.air_fill
        if self.running:
            self.run_seconds += dt
            self.cabinet += (room + 14 - self.cabinet) * min(dt / 600, 0.5)
        else:
            self.cabinet += (room + 4 - self.cabinet) * min(dt / 1200, 0.5)
        if generating:
            self.coldness -= self.coldness * min(dt / self.spec.warm_up, 0.5)
        else:
            self.coldness += (1 - self.coldness) * min(dt / 7200, 0.5)
        made = self.made
        seen = made.oxygen / made.gas if self.running and made.gas > 0 else self.tank_fraction
        self.analyser += (seen - self.analyser) * min(dt / 20, 0.5)
