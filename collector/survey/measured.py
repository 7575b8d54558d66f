"""The delivery that the watch itself has measured, for the survey to count with."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from collector.clock import format_instant
from collector.domain.events import EstimateMade
from collector.domain.plant import Plant
from collector.physics.gas import standard_molar_volume
from collector.survey.whole import Delivery

__all__ = ["measured"]

_QUANTITY = "compressor-delivery"


def measured(plant: Plant, estimates: Iterable[EstimateMade]) -> Mapping[str, Delivery]:
    """Return the newest measured delivery of each generator; a later one in ``estimates`` wins."""
    molar = standard_molar_volume(plant.site.standard_temperature + 273.15)
    sizes = {"scfh": 0.3048**3, "L/h": 1e-3}
    found = {}
    for one in estimates:
        if one.quantity == _QUANTITY and one.value and one.unit in sizes \
                and one.asset in plant.generators:
            day = format_instant(one.time)[:10]
            found[one.asset] = Delivery(
                flow=one.value * sizes[one.unit] / 3600 / molar,
                source=f"measured by the watch on nitrogen, {day}")
    return found
