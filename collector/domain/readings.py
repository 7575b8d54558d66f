"""Readings: one value of one point at one instant, with its quality."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MODES = ("off", "nitrogen", "air-fill")
"""Generator modes in the order of their stored codes 0, 1, 2."""


def mode_code(word: str) -> float:
    """Return the stored number of a mode word.

    Raises ``ValueError`` for any other word.

    >>> mode_code("air-fill")
    2.0
    """
    return float(MODES.index(word))


class Quality(StrEnum):
    """The quality of a reading."""

    GOOD = "good"
    BAD = "bad"
    """The device answered, but the value is impossible, marked invalid, or could not be read."""
    STALE = "stale"
    """No answer in time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One value read from a device, or the lack of one.

    ``asked`` is when it was requested, ``time`` when it was received or given up (ms since 1970
    UTC). ``value`` is in the quantity's own unit (:data:`QUANTITIES`); contacts are 0 or 1, modes
    their code in :data:`MODES`. ``value`` is ``None`` when there is none. ``why`` explains any
    quality but good.
    """

    point: str
    asked: int
    time: int
    value: float | None
    quality: Quality = Quality.GOOD
    why: str = ""

    @property
    def usable(self) -> float | None:
        """The value if it may be computed with, else ``None``."""
        return self.value if self.quality is Quality.GOOD else None


_LIMITS: Mapping[str, tuple[float, float]] = {
    "psi": (-15.0, 1000.0),
    "%": (-5.0, 105.0),
    "degC": (-100.0, 200.0),
    "h": (0.0, 1e7),
    "count": (0.0, 1e10),
    "contact": (0.0, 1.0),
    "mode": (0.0, 2.0),
}
"""What each unit of record can be on such a plant: no gauge reads below a vacuum (14.7 psi under
the atmosphere), no counter below zero. The upper ends are a setting, far above any plant, and so is
the tolerance of a sensor about 0 % and 100 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A quantity of an asset: its unit of record and its kind."""

    unit: str
    """``psi`` (gauge), ``%``, ``degC``, ``h``, ``count``, ``contact`` or ``mode``."""
    label: str
    """How a person reads it."""

    @property
    def limits(self) -> tuple[float, float]:
        """Lowest and highest value that the quantity can physically have, both included."""
        return _LIMITS[self.unit]

    def impossible(self, value: float) -> str:
        """Return why ``value`` (unit of record) cannot be this quantity; empty where it can.

        >>> QUANTITIES["riser"]["pressure"].impossible(-145.0)
        'supervisory pressure of -145 psi is impossible'
        >>> QUANTITIES["vent"]["open"].impossible(0.5)
        'vent open reads 0.5, neither 0 nor 1'
        """
        low, high = self.limits
        if self.unit in ("contact", "mode"):
            allowed = "neither 0 nor 1" if self.is_contact else "none of 0, 1 and 2"
            fits = low <= value <= high and value == int(value)
            return "" if fits else f"{self.label} reads {value:g}, {allowed}"
        return "" if low <= value <= high else \
            f"{self.label} of {value:g} {self.unit} is impossible"

    @property
    def is_contact(self) -> bool:
        """Whether its values are 0 or 1."""
        return self.unit == "contact"


def _q(unit: str, label: str) -> Quantity:
    return Quantity(unit=unit, label=label)


QUANTITIES: Mapping[str, Mapping[str, Quantity]] = {
    "generator": {
        "tank_pressure": _q("psi", "tank pressure"),
        "compressor_running": _q("contact", "compressor running"),
        "mode": _q("mode", "mode"),
        "product_oxygen": _q("%", "product oxygen"),
        "running_hours": _q("h", "running hours"),
        "start_count": _q("count", "starts"),
        "dew_point": _q("degC", "dew point"),
        "cabinet_temperature": _q("degC", "cabinet temperature"),
        "trouble": _q("contact", "trouble contact"),
        "power": _q("contact", "power"),
    },
    "riser": {
        "pressure": _q("psi", "supervisory pressure"),
        "pipe_temperature": _q("degC", "pipe temperature"),
        "valve_room_temperature": _q("degC", "valve-room temperature"),
        "low_air": _q("contact", "low-air switch"),
        "high_air": _q("contact", "high-air switch"),
        "bypass_open": _q("contact", "air maintenance device bypass"),
    },
    "vent": {
        "oxygen": _q("%", "oxygen at the vent"),
        "open": _q("contact", "vent open"),
        "water": _q("contact", "water at the vent"),
    },
    "room": {
        "oxygen": _q("%", "room oxygen"),
        "temperature": _q("degC", "room temperature"),
    },
}
"""Every quantity of every kind of asset. Contacts also exist as ``<quantity>_no`` and ``_nc``."""


def split_point(point: str) -> tuple[str, str]:
    """Split ``gen1.tank_pressure`` into asset and quantity.

    Raises ``ValueError`` when there is no dot.
    """
    thing, dot, quantity = point.rpartition(".")
    if not dot or not thing or not quantity:
        raise ValueError(f"not a point: {point!r}; expected <thing>.<quantity>")
    return thing, quantity


def point_kind(kind: str, quantity: str) -> Quantity | None:
    """Return the quantity of a kind of asset, following ``_no``/``_nc`` legs, or ``None``."""
    known = QUANTITIES[kind]
    if quantity in known:
        return known[quantity]
    for leg, name in (("_no", "normally open leg"), ("_nc", "normally closed leg")):
        base = known.get(quantity.removesuffix(leg)) if quantity.endswith(leg) else None
        if base is not None and base.is_contact:
            return Quantity(unit="contact", label=f"{base.label}, {name}")
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Readings as arrays of one length."""

    names: Sequence[str]
    """Points by their code; the list may grow behind the codes that are here."""
    times: NDArray[np.int64]
    """ms since 1970 UTC."""
    points: NDArray[np.int32]
    """Codes of the points: places in ``names``."""
    values: NDArray[np.float64]
    """In the unit of record; not a number where there is none."""
    good: NDArray[np.bool_]
    """Whether there is a value that may be computed with."""

    def __len__(self) -> int:
        return len(self.times)

    def take(self, where: slice | NDArray[np.int64] | NDArray[np.bool_]) -> Columns:
        """Return some of the rows, by slice, places or mask."""
        return Columns(
            names=self.names, times=self.times[where], points=self.points[where],
            values=self.values[where], good=self.good[where],
        )


def readings_of(columns: Columns) -> list[Reading]:
    """Return columns as readings; a value that is not good becomes stale."""
    return [
        Reading(
            point=columns.names[point], asked=time, time=time, value=value if good else None,
            quality=Quality.GOOD if good else Quality.STALE,
        )
        for time, point, value, good in zip(
            columns.times.tolist(), columns.points.tolist(), columns.values.tolist(),
            columns.good.tolist(), strict=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendStep:
    """Minimum, mean and maximum of the good readings from ``start`` to ``end`` (ms, end excluded).

    ``count`` is the number of good readings; with none, the values are ``None``: a gap stays a gap.
    """

    start: int
    end: int
    count: int
    low: float | None
    mean: float | None
    high: float | None
