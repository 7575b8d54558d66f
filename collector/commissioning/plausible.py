"""Assesses whether readings are possible, and likely, on their plant. Pure.

A doubt is about a wrong register map, never about an alarm. So there are two grades. *Impossible*
is what no gauge on a plant of this kind shows in any state, empty, tripped or out of power
included; such a reading is not good. *Unlikely* is what a plant could show in a rare state, while
another reading of the same registers would be usual; it stays good, so that its alarms are raised,
and the doubt is reported beside them. Pressures down to nothing, rooms short of oxygen and cold
valve rooms are therefore never impossible.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from collector.domain.plant import Generator, Plant, Riser
from collector.domain.readings import Quality, Reading, point_kind, split_point
from collector.domain.units import HOUR, SECOND, scale_of


class Grade(StrEnum):
    """A reading is impossible, or only unlikely."""

    IMPOSSIBLE = "impossible"
    UNLIKELY = "unlikely"


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A reading that is doubted, why, and what would be usual (``hints``)."""

    point: str
    grade: Grade
    why: str
    hints: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The reason and the hints in one line."""
        return "; ".join((self.why, *self.hints))


_LEAST = 1e-9
"""No gauge on such a plant resolves less, in any unit of record. A whole number that is read as a
float gives 1e-45 to 1e-10."""
_LEAST_OXYGEN = 0.05
"""%: half the last digit of a field analyser in steps of 0.1 % (setting)."""
_MOST_OXYGEN = 23.0
"""%: air (0.209476 of dry air) read by an analyser that is a tenth too high (setting)."""
_MOST_HOURS = 200_000.0
"""23 years without a stop (setting)."""
_MOST_STARTS = 5e6
"""19 starts an hour for 30 years (setting)."""
_RUNS = (5 / 3600, 24.0)
"""h: the shortest and longest run that a compressor has on average over its life (setting). A
refill on nitrogen takes no more than 8 min (common practice), but a plant may leak for years."""
_ZERO = -3.0
"""psi: the zero error of a gauge; a pipe or tank under vacuum is none of this plant (setting)."""
_MOST_RISER = 250.0
"""psi: a pipe that has tripped holds water; it is tested at 200 psi (NFPA 13, from memory)."""
_MOST_TANK = 300.0
"""psi, where no cut-out is set: above the safety valve of such tanks (setting)."""

_TEMPERATURES: Mapping[str, tuple[float, float]] = {
    "cabinet_temperature": (-40.0, 90.0), "dew_point": (-110.0, 60.0),
    "pipe_temperature": (-60.0, 90.0), "valve_room_temperature": (-50.0, 80.0),
    "temperature": (-50.0, 80.0),
}
"""degrees C: indoors, in a freezer, under a roof in the sun (setting)."""
_USUAL_TEMPERATURES: Mapping[str, tuple[float, float]] = {
    "cabinet_temperature": (3.0, 60.0), "dew_point": (-80.0, -5.0),
    "pipe_temperature": (-35.0, 50.0), "valve_room_temperature": (3.0, 40.0),
    "temperature": (3.0, 45.0),
}
_USUAL_OXYGEN = {"product_oxygen": (0.3, 6.0), "oxygen": (0.3, 21.5)}


class Plausibility:
    """The plausible readings of one plant."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant

    def written(self, value: float, unit: str) -> str:
        """Write a value with its unit as people of the site read it, however small it is."""
        scale = scale_of(unit, self._plant.site.units)
        return f"{value * scale.factor + scale.shift:.4g} {scale.unit}".rstrip()

    def impossible(self, point: str, value: float, beside: Mapping[str, float]) -> str:
        """Return why ``value`` (unit of record) cannot be; empty where it can.

        ``beside`` are good values of other points at about the same time.
        """
        asset, quantity = split_point(point)
        thing = self._plant.thing(asset)
        known = point_kind(thing.kind, quantity) if thing is not None else None
        if thing is None or known is None:
            return ""
        shown = f"{known.label} of {self.written(value, known.unit)}"
        match known.unit:
            case "psi":
                return self._pressure(thing, value, shown)
            case "%":
                return self._oxygen(thing.kind, asset, quantity, value, shown, beside)
            case "degC":
                low, high = _TEMPERATURES.get(quantity, (-math.inf, math.inf))
                return "" if low <= value <= high else \
                    f"{shown} is outside {self.written(low, 'degC')} to " \
                    f"{self.written(high, 'degC')}"
            case "h":
                if 0 < value < _LEAST:
                    return f"{shown} is less than a counter can show"
                return "" if 0 <= value <= _MOST_HOURS else \
                    f"{shown} is longer than any such unit ran"
            case "count":
                if value != math.floor(value):
                    return f"{known.label} are whole numbers, not {value:.6g}"
                return "" if 0 <= value <= _MOST_STARTS else \
                    f"{value:.4g} {known.label} are too many"
        return ""

    def _pressure(self, thing: object, value: float, shown: str) -> str:
        if value < _ZERO:
            return f"{shown} is below the atmosphere"
        if isinstance(thing, Generator):
            if thing.cut_out is None:
                return f"{shown} is above what such tanks hold" if value > _MOST_TANK else ""
            # The compressor stops at the cut-out, and the safety valve opens not far above it.
            most = max(1.3 * thing.cut_out, thing.cut_out + 20)
            return f"{shown} is far above the cut-out of {self.written(thing.cut_out, 'psi')}" \
                if value > most else ""
        return f"{shown} is above what the pipe is tested at" if value > _MOST_RISER else ""

    def _oxygen(
        self, kind: str, asset: str, quantity: str, value: float, shown: str,
        beside: Mapping[str, float],
    ) -> str:
        if kind == "room":
            # A failed cell reads low too, and must still be reported as low.
            return "" if -0.5 <= value <= 50 else f"{shown} is not the air of a room"
        if value == 0 and quantity == "product_oxygen" \
                and beside.get(f"{asset}.compressor_running") != 1:
            return ""  # the analyser may be switched off while the compressor rests
        if -0.5 <= value < 0:
            return ""  # the zero error of an analyser
        if value < _LEAST_OXYGEN:
            return f"{shown} is less than a field analyser shows"
        return "" if value <= _MOST_OXYGEN else f"{shown} is more than air holds"

    def unlikely(self, values: Mapping[str, float], now: int) -> list[Doubt]:
        """Return doubts that only several good values together raise; ``now`` in ms."""
        found = []
        for unit in self._plant.generators.values():
            hours, starts = (values.get(f"{unit.id}.{q}") for q in ("running_hours", "start_count"))
            why = _counters(hours, starts) or _since_service(unit, hours, now)
            if why:
                found.append(Doubt(point=f"{unit.id}.running_hours", grade=Grade.UNLIKELY, why=why))
        for point, value in values.items():
            if 0 < abs(value) < _LEAST:
                found.append(Doubt(point=point, grade=Grade.UNLIKELY,
                                   why=f"{value:.3g} is less than any gauge shows"))
        return found

    def usual(self, point: str) -> tuple[float, float] | None:
        """Return the values of a plant at work, narrow where set points are known, or ``None``."""
        asset, quantity = split_point(point)
        thing = self._plant.thing(asset)
        if isinstance(thing, Generator) and quantity == "tank_pressure":
            if thing.cut_out is None:
                return None
            low = thing.cut_in if thing.cut_in is not None else 0.7 * thing.cut_out
            return 0.9 * low, 1.1 * thing.cut_out
        if isinstance(thing, Riser) and quantity == "pressure":
            if thing.supervisory_pressure is not None:
                return 0.7 * thing.supervisory_pressure, 1.3 * thing.supervisory_pressure
            if thing.low_pressure is not None and thing.high_pressure is not None:
                return thing.low_pressure, thing.high_pressure
            return None
        if quantity == "oxygen" and thing is not None and thing.kind == "room":
            return 19.0, 22.0
        if quantity in _USUAL_OXYGEN:
            return _USUAL_OXYGEN[quantity]
        return {"running_hours": (1.0, 1e5), "start_count": (1.0, 1e6)}.get(
            quantity, _USUAL_TEMPERATURES.get(quantity))

    def filling(self, point: str, values: Mapping[str, float]) -> bool:
        """Whether ``point`` is a pressure whose compressor runs: it may pass through any value."""
        asset, quantity = split_point(point)
        thing = self._plant.thing(asset)
        if quantity not in ("tank_pressure", "pressure"):
            return False
        source = thing.fed_by if isinstance(thing, Riser) else asset
        return values.get(f"{source}.compressor_running") == 1


def _counters(hours: float | None, starts: float | None) -> str:
    if hours is None or starts is None:
        return ""
    if starts == 0:
        return f"{hours:.6g} h without one start" if hours > 100 else ""
    mean = hours / starts
    if starts >= 20 and not _RUNS[0] <= mean <= _RUNS[1]:
        length = f"{mean * 3600:.2g} s" if mean < 1 else f"{mean:.0f} h"
        return f"{hours:.6g} h in {starts:.6g} starts make runs of {length}"
    return ""


def _since_service(unit: Generator, hours: float | None, now: int) -> str:
    if hours is None or unit.last_service is None or unit.last_service_hours is None:
        return ""
    begun = datetime(unit.last_service.year, unit.last_service.month, unit.last_service.day,
                     tzinfo=UTC).timestamp() * SECOND
    gone = (now - begun) / HOUR + 48  # the day's own length, and the site's clock
    if hours > unit.last_service_hours + gone:
        return (f"{hours:.6g} h are more than the {unit.last_service_hours:.6g} h of the last "
                "service and the time since")
    return ""


class Growth:
    """Whether counters grow as counters do. Fed with good readings in the order of time.

    ``steps`` is the smallest step of each counter's register, by point.
    """

    def __init__(self, steps: Mapping[str, float]) -> None:
        self._steps = steps
        self._first: dict[str, Reading] = {}
        self._last: dict[str, float] = {}

    def impossible(self, reading: Reading) -> str:
        """Return why the counter cannot have moved so since its first reading."""
        _, quantity = split_point(reading.point)
        if quantity not in ("running_hours", "start_count") or reading.value is None:
            return ""
        first = self._first.setdefault(reading.point, reading)
        last, self._last[reading.point] = self._last.get(reading.point), reading.value
        step = self._steps.get(reading.point, 0.0)
        assert first.value is not None
        elapsed = max(reading.time - first.time, 0) / HOUR
        gained = reading.value - first.value
        if last is not None and reading.value < last - 1e-6 * abs(last) - step:
            self._first[reading.point] = reading
            return f"it went back from {last:.6g} to {reading.value:.6g}"
        # One step may have been due the moment before, and is no growth.
        if quantity == "running_hours" and gained - step > 1.05 * elapsed + 0.02:
            return f"it grew by {gained:.4g} h in {elapsed * 60:.3g} min"
        if quantity == "start_count" and gained > 2 + elapsed * 360:
            return f"it grew by {gained:.4g} in {elapsed * 60:.3g} min"
        return ""


def good_values(readings: Sequence[Reading]) -> dict[str, float]:
    """Return the good values by point; the last one of each."""
    return {r.point: r.value for r in readings
            if r.quality is Quality.GOOD and r.value is not None}
