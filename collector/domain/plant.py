"""The plant as the site file describes it, in units of record.

Pressures are psi gauge, temperatures degrees C, oxygen percent (the units readings are kept in);
volumes are m3, gas flows mol/s, durations ms. Conversion happens once, in ``config``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from collector.domain.basis import AdoptedCode


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """The site: its place, time zone and units."""

    id: str
    name: str
    timezone: str
    altitude: float = 0.0
    """m above sea level."""
    units: str = "us"
    """``us`` or ``metric``."""
    standard_temperature: float = 15.5556
    """degrees C; the base of every standard volume (60 F by default)."""
    code: AdoptedCode = AdoptedCode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Generator:
    """Compressor, separator, tank and controller."""

    id: str
    name: str
    tank_volume: float | None = None
    cut_in: float | None = None
    cut_out: float | None = None
    air_fill_below: float | None = None
    product_oxygen_limit: float | None = None
    compressor_delivery: float | None = None
    """mol/s, on air."""
    nitrogen_delivery: float | None = None
    """mol/s, through the separator."""
    compressor_power: float | None = None
    """W, electrical, while it runs."""
    energy_price: float | None = None
    """Of one kWh, in ``currency``."""
    currency: str = ""
    service_every: float | None = None
    """Running hours from one service to the next."""
    service_months: int | None = None
    """Calendar months from one service to the next."""
    last_service: date | None = None
    """The day of the last service, by the site's calendar."""
    last_service_hours: float | None = None
    """Value of the hour counter at the last service."""
    kind: str = field(default="generator", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeRun:
    """One entry of a riser's list of pipes: steel pipe of one size."""

    size: str
    """Nominal, in inches: ``4``, ``1 1/4``."""
    schedule: str
    length: float
    """m."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Riser:
    """One sprinkler system: its pipe, and the pressure it is held at."""

    id: str
    name: str
    fed_by: str | None = None
    volume: float | None = None
    """As stated, or else computed from the take-off."""
    pipes: tuple[PipeRun, ...] = ()
    supervisory_pressure: float | None = None
    low_pressure: float | None = None
    high_pressure: float | None = None
    kind: str = field(default="riser", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Vent:
    """A purge vent at the remote end of a riser."""

    id: str
    name: str
    riser: str
    target_oxygen: float | None = None
    flow: float | None = None
    """mol/s at supervisory pressure."""
    kind: str = field(default="vent", init=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A room that holds a generator or other equipment and that people enter."""

    id: str
    name: str
    kind: str = field(default="room", init=False)


Thing = Generator | Riser | Vent | Room


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSource:
    """The device that gives a point, and its poll interval."""

    point: str
    device: str
    every: int
    """ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A controller or remote I/O as the rules see it: a name, a pace and the points it gives."""

    id: str
    name: str
    every: int
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """The plant: everything that rules know of the site, by id."""

    site: Site
    generators: Mapping[str, Generator] = field(default_factory=dict)
    risers: Mapping[str, Riser] = field(default_factory=dict)
    vents: Mapping[str, Vent] = field(default_factory=dict)
    rooms: Mapping[str, Room] = field(default_factory=dict)
    devices: Mapping[str, Device] = field(default_factory=dict)
    """Empty for a site file that only replays: any point may then turn up."""

    def thing(self, thing_id: str) -> Thing | None:
        """Return the asset of that id, or ``None``."""
        for group in (self.generators, self.risers, self.vents, self.rooms):
            if thing_id in group:
                found: Thing = group[thing_id]
                return found
        return None

    def things(self) -> tuple[Thing, ...]:
        """Return every asset in the order of the gas flow, generators first."""
        return (
            *self.generators.values(), *self.risers.values(),
            *self.vents.values(), *self.rooms.values(),
        )

    def downstream_of(self, asset: str) -> frozenset[str]:
        """Return an asset with the risers and vents downstream of it; all of them for the site."""
        risers = {r.id for r in self.risers.values()
                  if asset in (r.id, r.fed_by, self.site.id)}
        generators = self.generators if asset == self.site.id else ()
        return frozenset({asset, *generators, *risers,
                          *(v.id for v in self.vents.values() if v.riser in risers)})

    def source_of(self, point: str) -> PointSource | None:
        """Return which device gives ``point``, or ``None`` when no device is said to."""
        for device in self.devices.values():
            if point in device.points:
                return PointSource(point=point, device=device.id, every=device.every)
        return None

    def is_configured(self, point: str) -> bool:
        """Whether ``point`` can have readings: some device gives it, or the site has no devices."""
        return not self.devices or self.source_of(point) is not None

    def name_of(self, asset: str) -> str:
        """Return the display name of an asset or device; its id where it has no name."""
        thing = self.thing(asset)
        if thing is not None:
            return thing.name
        device = self.devices.get(asset)
        return device.name if device is not None else asset
