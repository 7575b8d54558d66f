"""Devices: the site file's ``[[devices]]`` joined with their profiles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.config.diagnostics import Diagnostics, Key, Source, nearest
from collector.config.field_types import parse_address
from collector.config.profiles import (
    BIT_TABLES,
    LegTable,
    PointTable,
    Profile,
    ProfilePoint,
    Profiles,
    quantity_names,
)
from collector.config.tables import DeviceTable
from collector.config.units import QuantityError, affine
from collector.domain.readings import (
    MODES,
    QUANTITIES,
    Quantity,
    mode_code,
    point_kind,
    split_point,
)
from collector.sources import Address, ContactLeg, DeviceSettings, PointSettings
from collector.sources.read_plan import point_names

_KIND_OF_UNIT = {"psi": "pressure", "%": "percent", "degC": "temperature", "h": "hours"}


@dataclass(slots=True, kw_only=True)
class DeviceReader:
    """Joins devices and profiles, and collects their mistakes.

    ``kinds`` maps the id of every asset to its kind, also of assets with mistakes of their own.
    """

    source: Source
    mistakes: Diagnostics
    profiles: Profiles
    kinds: Mapping[str, str]
    _givers: dict[str, str] = field(default_factory=dict)
    _units: dict[tuple[str, int], str] = field(default_factory=dict)
    _lines: dict[str, Address] = field(default_factory=dict)

    def devices(self, tables: Sequence[DeviceTable]) -> tuple[DeviceSettings, ...]:
        """Return every device that could be read."""
        found = (self._device(table, ("devices", i)) for i, table in enumerate(tables))
        return tuple(d for d in found if d is not None)

    def _device(self, table: DeviceTable, key: Key) -> DeviceSettings | None:
        address = self._address(table, key)
        assets = self._known_assets(table, key)
        profile = self.profiles.get(table.profile, self.source, (*key, "profile")) \
            if table.profile else None
        points: list[PointSettings] = []
        if profile is not None:
            for point in profile.points:
                settings = self._point(table, assets, profile, point, address)
                if settings is not None and self._are_new(settings, table, key):
                    points.append(settings)
        if address is None or not table.id:
            return None
        return DeviceSettings(
            id=table.id, name=table.name or table.id, address=address, unit=table.unit,
            every=table.every, points=tuple(points), timeout=table.timeout, max_gap=table.max_gap,
            max_registers=table.max_registers, max_bits=table.max_bits, pause=table.pause,
            retries=table.retries,
            trusted=self._trusted(table, [p.point for p in points], key),
        )

    def _trusted(self, table: DeviceTable, points: Sequence[str], key: Key) -> frozenset[str]:
        """Return the points that ``trusted`` means: all, or those of the quantities it names."""
        if isinstance(table.trusted, bool):
            return frozenset(points if table.trusted else ())
        own = {split_point(p)[1] for p in points}
        for name in table.trusted:
            if name not in own and points:
                self.mistakes.add(self.source, (*key, "trusted"),
                                  f'device "{table.id}" gives no "{name}"{nearest(name, own)}',
                                  "true, or quantities that it gives")
        return frozenset(p for p in points if split_point(p)[1] in table.trusted)

    def _address(self, table: DeviceTable, key: Key) -> Address | None:
        if not table.address:
            return None
        try:
            address = parse_address(table.address)
        except QuantityError as exc:
            self.mistakes.add(self.source, (*key, "address"), exc.problem, exc.expected)
            return None
        where = address.path or f"{address.host.lower()}:{address.port}"
        known = self._lines.setdefault(where, address)
        if known != address and str(known).lower() != str(address).lower():
            self.mistakes.add(self.source, (*key, "address"),
                              f"{where} is already used as {known}", "the same settings")
        self._unit(table, key, where, address)
        return address

    def _unit(self, table: DeviceTable, key: Key, where: str, address: Address) -> None:
        unit = 0 if address.kind == "gpio" else table.unit
        if address.kind in ("rtu", "rtu+tcp") and not 1 <= unit <= 247:
            self.mistakes.add(self.source, (*key, "unit"),
                              f"{unit} is no unit on a serial line", "1 to 247")
        other = self._units.setdefault((where, unit), table.id)
        if other != table.id:
            self.mistakes.add(self.source, (*key, "unit"),
                              f'unit {unit} at {address} is already device "{other}"',
                              "another unit, or one device with both profiles' points")

    def _known_assets(self, table: DeviceTable, key: Key) -> list[str]:
        for thing in table.assets:
            if thing and thing not in self.kinds:
                self.mistakes.add(self.source, (*key, "watches"),
                                  f'nothing is called "{thing}"{nearest(thing, self.kinds)}',
                                  "ids of generators, risers, vents or rooms")
        return [t for t in table.assets if t in self.kinds]

    def _are_new(self, settings: PointSettings, table: DeviceTable, key: Key) -> bool:
        new = True
        for point in point_names(settings):
            other = self._givers.get(point)
            if other is not None:
                who = f'device "{other}" gives it too' if other != table.id \
                    else "its profile has it twice"
                self.mistakes.add(self.source, (*key, "profile"),
                                  f"two sources of {point}: {who}", "one source for each point")
                new = False
            self._givers.setdefault(point, table.id)
        return new

    # -- one point -------------------------------------------------------------------------------

    def _point(
        self, table: DeviceTable, assets: Sequence[str], profile: Profile,
        placed: ProfilePoint, address: Address | None,
    ) -> PointSettings | None:
        point = placed.table
        if point.quantity not in quantity_names():
            return None  # said already, where the profile was read
        fitting = [t for t in assets if self._has(t, point)]
        if len(fitting) < point.nth:
            # A second or third of its kind is a spare channel: controllers have more than are used.
            # Unknown or missing "watches" has been said; the profile is not to blame for it.
            if point.nth == 1 and len(assets) == len(table.assets):
                self._unwanted(table, assets, placed)
            return None
        thing = fitting[point.nth - 1]
        quantity = point_kind(self.kinds[thing], point.quantity)
        assert quantity is not None
        if not self._wire_fits(placed, address):
            return None
        scale = unit_scale(placed, quantity, self.mistakes)
        return None if scale is None else point_settings(
            f"{thing}.{point.quantity}", profile, point, quantity, scale)

    def _has(self, thing: str, point: PointTable) -> bool:
        kind = self.kinds[thing]
        return point.kind in (None, kind) and point_kind(kind, point.quantity) is not None

    def _unwanted(
        self, table: DeviceTable, assets: Sequence[str], placed: ProfilePoint,
    ) -> None:
        point = placed.table
        what = ", ".join(f"{t} ({self.kinds[t]})" for t in assets)
        having = [k for k, names in QUANTITIES.items() if point_kind(k, point.quantity)
                  and point.kind in (None, k)]
        problem = f'device "{table.id}" watches {what}, none of which has "{point.quantity}"'
        self.mistakes.add(placed.source, (*placed.key, "quantity"), problem,
                          f'a {" or ".join(having) or "thing"} in its "watches"')

    def _wire_fits(self, placed: ProfilePoint, address: Address | None) -> bool:
        point = placed.table
        if address is None:
            return True
        legs = (point.normally_open, point.normally_closed)
        tables: list[str] = [leg.table for leg in legs if leg is not None]
        tables += [point.table] if point.table is not None else []
        gpio = address.kind == "gpio"
        if any((table == "lines") != gpio for table in tables):
            self.mistakes.add(placed.source, placed.key,
                              f"{', '.join(tables)} cannot be read at {address}",
                              'table = "lines"' if gpio else "coils, discrete-inputs, "
                              "input-registers or holding-registers")
            return False
        return bool(tables)


def unit_scale(
    placed: ProfilePoint, quantity: Quantity, mistakes: Diagnostics,
) -> tuple[float, float] | None:
    """Return factor and shift from the profile's unit into that of record.

    ``None`` after a mistake: the unit does not fit.
    """
    unit, kind = placed.table.unit, _KIND_OF_UNIT.get(quantity.unit)
    if unit is None or unit == quantity.unit:
        return 1.0, 0.0
    key = (*placed.key, "unit")
    if kind is None:
        mistakes.add(placed.source, key, f'a {quantity.label} has no unit "{unit}"', "no unit")
        return None
    try:
        return affine(unit, kind)
    except QuantityError as exc:
        mistakes.add(placed.source, key, f'unit "{unit}" does not fit a {quantity.label}',
                     exc.expected)
        return None


def _leg(leg: LegTable | None) -> ContactLeg | None:
    return None if leg is None else ContactLeg(
        table=leg.table, address=leg.address, inverted=leg.inverted)


def point_settings(
    name: str, profile: Profile, point: PointTable, quantity: Quantity,
    scale: tuple[float, float],
) -> PointSettings:
    """Return how ``point`` is read and decoded, called ``name``.

    ``scale`` is factor and shift from the profile's unit into the unit of record.
    """
    factor, shift = scale
    low, high = quantity.limits if point.range is None else (
        bound * factor + shift for bound in point.range)
    legs = _leg(point.normally_open), _leg(point.normally_closed)
    if point.table == "lines":
        # A line of a chip is a contact with one leg; there is nothing else it could be.
        legs = ContactLeg(table="lines", address=point.address or 0), None
    contact = any(legs)
    bits = contact or point.table in BIT_TABLES or point.bit is not None
    values = {raw: mode_code(word) if isinstance(word, str) else word
              for raw, word in point.values.items()
              if not isinstance(word, str) or word in MODES}
    if quantity.is_contact and not bits and not values:
        values = {"0": 0.0, "1": 1.0}
    return PointSettings(
        point=name, table="" if contact else point.table or "",
        address=0 if contact else point.address or 0,
        type="bit" if bits else point.type or "uint16",
        length=point.length, bit=point.bit,
        word_order=point.word_order or profile.head.word_order,
        byte_order=point.byte_order or profile.head.byte_order,
        scale=point.scale, offset=point.offset, factor=factor, shift=shift,
        invalid=tuple(point.invalid),
        low=low, high=high,
        values=values,
        normally_open=legs[0], normally_closed=legs[1],
        debounce=point.debounce,
    )
