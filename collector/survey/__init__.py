"""Survey of a site: pipe volumes, fill and purge times, what the site file lacks."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from collector.clock import format_instant
from collector.domain.conditions import CATALOGUE
from collector.domain.evaluations import NotMonitored
from collector.domain.events import EstimateMade
from collector.domain.plant import Generator, Plant, Riser
from collector.domain.readings import QUANTITIES
from collector.domain.units import PSI, ZERO_CELSIUS
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import standard_molar_volume
from collector.physics.tightness import IN_SERVICE, allowed_flow
from collector.survey.parts import Figure, Note, Part, SiteUnits, Survey, Tone
from collector.survey.riser_survey import TEMPERATURE, RiserSurvey

__all__ = ["Deliveries", "Delivery", "Figure", "Note", "Part", "Survey", "make_survey", "measured"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A generator's delivery (mol/s) and its source."""

    flow: float
    source: str
    on_air: bool = True
    """Whether it is what the compressor delivers past the separator."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Deliveries:
    """By generator: on air, and through the separator. The site file's own where none is given."""

    air: Mapping[str, Delivery]
    nitrogen: Mapping[str, Delivery]


_FEED = 0.01
_FEED_SOURCE = "assumed; 98 % ± 1 % nitrogen is common practice"


def make_survey(
    plant: Plant, *, deliveries: Deliveries | None = None, feed: float | None = None,
    not_monitored: Sequence[NotMonitored] = (),
) -> Survey:
    """Return the survey. ``feed`` is the oxygen fraction of the product; 1 % by default.

    Raises ``ValueError`` for a feed outside 0..1.
    """
    given = deliveries or Deliveries(air={}, nitrogen={})
    words = SiteUnits(plant.site)
    return Survey(
        site=plant.site.id, title=plant.site.name, code=plant.site.code,
        risers=tuple(_riser(plant, r, words, given, feed) for r in plant.risers.values()),
        generators=tuple(_Unit(plant, g, words, given).part() for g in plant.generators.values()),
        lacks=tuple(_lacks(not_monitored)),
        assumptions=(
            "Ideal gas (within 0.4 % here) at 15 °C (59 °F) in the pipe, filled from "
            "atmospheric pressure; the atmosphere from the site's altitude (US Standard Atmosphere "
            "1976).",
            "A fill is on air, by the compressor alone at a constant delivery: what the tank holds "
            "shortens it, a delivery that falls against the pressure lengthens it.",
            "One system is filled at a time.",
            "A purge begins at air (20.9476 % oxygen), the pipe is well mixed, the vent's flow is "
            "constant.",
        ),
    )


def _on_air(unit: Generator | None, given: Deliveries) -> Delivery | None:
    if unit is None:
        return None
    if unit.id in given.air:
        return given.air[unit.id]
    if unit.compressor_delivery is not None:
        return Delivery(flow=unit.compressor_delivery, source="from the site file, on air")
    through = _on_nitrogen(unit, given)
    if through is None:
        return None
    return Delivery(flow=through.flow, source=f"{through.source}; on air it is faster",
                    on_air=False)


def _on_nitrogen(unit: Generator, given: Deliveries) -> Delivery | None:
    if unit.id in given.nitrogen:
        return given.nitrogen[unit.id]
    if unit.nitrogen_delivery is not None:
        return Delivery(flow=unit.nitrogen_delivery, source="from the site file, on nitrogen")
    return None


def _riser(
    plant: Plant, riser: Riser, words: SiteUnits, given: Deliveries, feed: float | None,
) -> Part:
    unit = plant.generators.get(riser.fed_by or "")
    delivery = _on_air(unit, given)
    return RiserSurvey(
        plant, riser, words, delivery=delivery.flow if delivery else None,
        delivery_source=delivery.source if delivery else "",
        on_air=delivery is None or delivery.on_air,
        feed=_FEED if feed is None else feed,
        feed_source=_FEED_SOURCE if feed is None else "as given",
    ).part()


class _Unit:
    """One generator, and whether it can hold what all its risers may lose."""

    def __init__(
        self, plant: Plant, unit: Generator, words: SiteUnits, given: Deliveries,
    ) -> None:
        self._unit, self._words, self._plant = unit, words, plant
        self._nitrogen = _on_nitrogen(unit, given)
        self._risers = [r for r in plant.risers.values() if r.fed_by == unit.id]

    def part(self) -> Part:
        return Part(id=self._unit.id, title=self._unit.name, figures=tuple(self._figures()),
                    notes=tuple(self._notes()))

    def _leaks(self) -> float:
        ambient = pressure_at_altitude(self._plant.site.altitude)
        return math.fsum(
            allowed_flow(IN_SERVICE, r.volume, r.supervisory_pressure * PSI, ambient, TEMPERATURE)
            for r in self._risers if r.volume and r.supervisory_pressure)

    def _bleeding(self) -> float:
        mine = {r.id for r in self._risers}
        return math.fsum(v.flow or 0.0 for v in self._plant.vents.values() if v.riser in mine)

    def _figures(self) -> Iterator[Figure]:
        leaks, vents, words = self._leaks(), self._bleeding(), self._words
        if leaks:
            yield Figure(name="leak allowed, all risers", shown=words.flow(leaks), value=leaks,
                         unit="mol/s", source=f"{IN_SERVICE.source}, read in a quotation; scaled "
                                              "to each riser's volume and pressure")
        if vents:
            yield Figure(name="vents, all open", shown=words.flow(vents), value=vents,
                         unit="mol/s", source="vent flows of the site file")
        if self._nitrogen is not None:
            yield Figure(name="delivery on nitrogen", shown=words.flow(self._nitrogen.flow),
                         value=self._nitrogen.flow, unit="mol/s", source=self._nitrogen.source)

    def _notes(self) -> Iterator[Note]:
        leaks, name, words = self._leaks(), self._unit.name, self._words
        for riser in self._risers:
            if not (riser.volume and riser.supervisory_pressure):
                yield Note(tone=Tone.MISSING, text=f"{riser.name} is left out of the sum: its "
                           "volume or supervisory_pressure is not stated.")
        if not self._risers:
            yield Note(tone=Tone.MISSING,
                       text=f"No riser of the site file is fed by {self._unit.id}.")
        elif self._nitrogen is None:
            yield Note(tone=Tone.MISSING, text=f"Whether {name} can hold its risers is not known "
                       f"without nitrogen_delivery of {self._unit.id} in the site file, or "
                       "--nitrogen-delivery on the command line.")
        elif leaks:
            yield from self._capacity(leaks, self._nitrogen.flow)
        vents = self._bleeding()
        if self._nitrogen is not None and vents and leaks + vents > self._nitrogen.flow:
            yield Note(tone=Tone.CAUTION, text="With every vent open at once and every riser "
                       f"leaking that much, {words.flow(leaks + vents)} are drawn, more than "
                       f"{words.flow(self._nitrogen.flow)}: purge one riser after another.")

    def _capacity(self, leaks: float, flow: float) -> Iterator[Note]:
        words, source = self._words, f"{IN_SERVICE.source}, read in a quotation"
        if leaks > flow:
            yield Note(tone=Tone.CAUTION, source=source, text="Risers that leak as much as the "
                       f"in-service test allows lose {words.flow(leaks)}, more than the "
                       f"{words.flow(flow)} it delivers on nitrogen: it would fall back to air.")
        else:
            yield Note(tone=Tone.GOOD, source=source, text="It can hold all its risers even if "
                       f"each leaks as much as the in-service test allows: {words.flow(leaks)} of "
                       f"{words.flow(flow)}, a duty of {leaks / flow:.0%}.")


_NO_POINT = re.compile(r"^no (?P<what>[a-z -]+) at (?P<where>[^\s:]+)$")
_POINTS = {
    quantity.label: name for kind in QUANTITIES.values() for name, quantity in kind.items()
} | {"oxygen": "oxygen", "open contact": "open", "water contact": "water", "power contact": "power"}
"""Quantities by what a rule calls them when it misses one."""


def _lacks(missing: Sequence[NotMonitored]) -> Iterator[Note]:
    grouped: dict[str, list[NotMonitored]] = {}
    for one in missing:
        grouped.setdefault(one.reason, []).append(one)
    for reason, items in grouped.items():
        titles = dict.fromkeys(
            CATALOGUE[i.condition].title.lower() if i.condition in CATALOGUE else i.condition
            for i in items)
        yield Note(tone=Tone.MISSING, source=_key(reason, items[0].condition),
                   text=f"Not monitored at {', '.join(dict.fromkeys(i.asset for i in items))}: "
                        f"{'; '.join(titles)}: {reason}.")


def _key(reason: str, condition: str) -> str:
    """Return what to write into the site file or a profile; empty where no one key would do."""
    if "switched off" in reason:
        return f"would change it: enabled = true under [conditions.{condition}]"
    found = _NO_POINT.match(reason)
    names = found["what"].split(" and no ") if found is not None else []
    if found is None or not all(name in _POINTS for name in names):
        return ""
    points = " or ".join(f"{found['where']}.{_POINTS[name]}" for name in names)
    return f"would change it: a device whose profile gives the point {points}"


_QUANTITY = "compressor-delivery"


def measured(plant: Plant, estimates: Iterable[EstimateMade]) -> Mapping[str, Delivery]:
    """Return the newest measured delivery of each generator; a later one in ``estimates`` wins."""
    molar = standard_molar_volume(plant.site.standard_temperature + ZERO_CELSIUS)
    sizes = {"scfh": 0.3048**3, "L/h": 1e-3}
    found = {}
    for one in estimates:
        if one.quantity == _QUANTITY and one.value and one.unit in sizes \
                and one.asset in plant.generators:
            day = format_instant(one.time)[:10]
            found[one.asset] = Delivery(
                flow=one.value * sizes[one.unit] / 3600 / molar,
                source=f"measured by the monitor on nitrogen, {day}")
    return found
