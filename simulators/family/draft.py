"""A plant while it is drawn, as disturbances and faults read and change it; times of faults."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from simulators.family import columns as c
from simulators.family.chance import Chance
from simulators.family.specs import (
    PSI,
    Allowed,
    Change,
    Device,
    Force,
    Gauge,
    Generator,
    Happenings,
    Outage,
    R,
    Riser,
    Room,
)

__all__ = ["Draft"]


@dataclass(slots=True, kw_only=True)
class Draft:
    """Drawn equipment, and a growing list of planned events. Instants are s."""

    days: float
    purge: bool
    ambient: float
    structure: Mapping[str, str]
    generators: list[Generator]
    risers: list[Riser]
    rooms: list[Room]
    devices: Sequence[Device]
    points: frozenset[str]
    gauges: Mapping[str, Gauge]
    dice: Chance
    changes: list[Change] = field(default_factory=list)
    forces: list[Force] = field(default_factory=list)
    outages: list[Outage] = field(default_factory=list)
    clock_sets: list[tuple[float, float]] = field(default_factory=list)
    actions: list[Mapping[str, Any]] = field(default_factory=list)
    allowed: list[Allowed] = field(default_factory=list)

    @property
    def length(self) -> float:
        return self.days * 86400.0

    def one_psi(self, riser: Riser) -> float:
        """Return the gas (mol) that moves a pipe by one psi."""
        return PSI * riser.volume / (R * (riser.pipe.mean + 273.15))

    def drive(self, riser: Riser) -> float:
        """Return the upstream pressure that drives a leak at supervisory pressure (ISO 6358)."""
        return driving(riser.setting * PSI + self.ambient, self.ambient)

    def set(self, group: str, index: int, column: int, value: float, start: float,
            back: float = 0.0, end: float | None = None) -> None:
        """Set a number from ``start``; with ``end``, set it to ``back`` then."""
        self.changes.append(Change(at=start, group=group, index=index, column=column, value=value))
        if end is not None:
            self.changes.append(Change(at=end, group=group, index=index, column=column, value=back))

    def slide(self, group: str, index: int, column: int, first: float, last: float, start: float,
              length: float, *, doubling: bool = False) -> None:
        """Change a number gradually, in a hundred steps."""
        for k in range(1, 101):
            part = k / 100.0
            value = first * (last / first) ** part if doubling else first + (last - first) * part
            self.set(group, index, column, value, start + length * part)

    def allow(self, asset: str, start: float, end: float, *conditions: str) -> None:
        """Allow conditions that may rightly be raised from ``start`` to ``end``."""
        self.allowed += [Allowed(condition=name, asset=asset, start=start, end=end)
                         for name in conditions]

    def force(self, point: str, start: float, end: float, how: str, value: float = 0.0) -> None:
        """Force the value of a sensor or contact."""
        self.forces.append(Force(point=point, start=start, end=end, how=how, value=value))

    def power_off(self, start: float, end: float, *, silent: bool) -> None:
        """Cut the site's power. ``silent``: only a device with a power contact still answers."""
        for index, unit in enumerate(self.generators):
            self.set("generator", index, c.G_POWER, 0.0, start, 1.0, end)
            self.force(f"{unit.id}.power", start, end, "value", 0.0)
            self.force(f"{unit.id}.mode", start, end, "value", 0.0)
        for index in range(len(self.risers)):
            self.set("riser", index, c.V_POWER, 0.0, start, 1.0, end)
        how = "absent" if self.dice.chance(0.6) else "empty"
        for device in self.devices:
            alive = any(p.endswith(".power") for p in device.points)
            if silent and not alive:
                self.outages.append(Outage(device=device.id, start=start, end=end, how=how))
        until = end + 3600.0 + 0.25 * (end - start)
        self.allow("*", start, until, "device-silent", "power-lost", "compressor-not-starting",
                   "generator-trouble")
        if end - start > 900.0:  # the tank went on falling
            self.allow("*", start, until + 6 * 3600.0, "pressure-low", "low-air-contact",
                       "vent-stuck-closed", "oxygen-not-falling", "compressor-long-run",
                       "air-fill-frequent", "data-frozen")

    def every(self, asset: str) -> int:
        """Return the shortest poll interval (s) of the devices that read an asset."""
        return min(d.every for d in self.devices if asset in d.watches)

    def happenings(self) -> Happenings:
        """Return all planned events, in order."""
        return Happenings(
            changes=tuple(sorted(self.changes, key=lambda x: x.at)), forces=tuple(self.forces),
            outages=tuple(self.outages), clock_sets=tuple(sorted(self.clock_sets)),
            actions=tuple(self.actions), allowed=tuple(self.allowed))


def driving(upstream: float, downstream: float) -> float:
    """Return the upstream pressure that determines a hole's flow (ISO 6358, b = 0.528)."""
    ratio = downstream / upstream
    if ratio >= 1.0:
        return 0.0
    return upstream if ratio <= 0.528 else float(
        upstream * (1.0 - ((ratio - 0.528) / 0.472) ** 2) ** 0.5)


HOUR = 3600.0


def onset(draft: Draft, low: float = 0.3, high: float = 0.55) -> float:
    """Return when the fault begins, in s, as a share of the recording."""
    return round(draft.length * draft.dice.even(low, high))


def mended(draft: Draft, start: float, probability: float) -> float | None:
    """Return when the fault is mended within the recording, or ``None``."""
    end = start + max(draft.dice.even(0.1, 0.3) * draft.length, 8 * HOUR)
    return end if draft.dice.chance(probability) and end < 0.9 * draft.length else None


def delivery_at(unit: Generator, share: float = 0.85) -> float:
    """Return the nitrogen made (mol/s) with the tank at a share of its cut-out."""
    return unit.delivery * (1.0 - unit.pressure_loss * share)


def refill_time(draft: Draft, unit: Generator) -> float:
    """Return how long an isolated tank takes from cut-in to cut-out on nitrogen, in s."""
    one = unit.tank_volume * 6894.757 / (8.3145 * 293.0)
    return one * (unit.cut_out - unit.cut_in) / delivery_at(unit)


def demand_of(draft: Draft, index: int) -> float:
    """Return the mean flow (mol/s) out of a tank, vents included."""
    unit = draft.generators[index]
    total = unit.leak
    for riser in draft.risers:
        if riser.fed_by == index:
            total += max(riser.leak, riser.creep)
            vent = riser.vent
            if vent is not None and (vent.kind == "orifice" or draft.purge):
                total += vent.flow
            elif vent is not None and vent.kind == "timer":
                total += vent.flow * vent.timer_open / vent.timer_period
    return total


def allow_demand(draft: Draft, riser: Riser, start: float, end: float) -> None:
    """Allow the conditions that a riser with a larger draw may raise."""
    unit = draft.generators[riser.fed_by]
    last = end + 48 * HOUR
    draft.allow(riser.id, start, last, "leak-high", "leak-growing", "pressure-low",
                "low-air-contact", "pressure-falling-fast")
    draft.allow(unit.id, start, last, "compressor-long-run", "compressor-overduty", "leak-high",
                "leak-growing", "air-fill-stuck", "air-fill-frequent", "compressor-short-cycling",
                "tank-leak")
    for other in draft.risers:
        if other.fed_by == riser.fed_by:
            draft.allow(other.id, start, last, "pressure-low", "low-air-contact")
            if other.vent is not None:  # after a fallback there is air in every pipe
                draft.allow(other.vent.id, start, last + 240 * HOUR, "oxygen-rising",
                            "oxygen-not-falling", "vent-stuck-closed", "purge-blocked")
