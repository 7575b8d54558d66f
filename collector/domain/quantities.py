"""The catalogue of quantities that are computed: ids, titles, units.

Ids are final; they appear in files, messages and the API. The quantities that are read from a
device are in :mod:`collector.domain.readings`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from collector.domain.events import INSTANT_UNIT
from collector.domain.plant import Plant

__all__ = ["COMPUTED", "FLOW", "MONEY", "Quantity", "flow_unit"]

FLOW, MONEY = "flow", "money"
"""Units that the site file decides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One computed quantity. ``unit`` is that of its figure, or :data:`FLOW`, :data:`MONEY`."""

    id: str
    title: str
    unit: str


COMPUTED: Mapping[str, Quantity] = {
    quantity.id: quantity for quantity in (
        Quantity(id="nitrogen-demand", title="Nitrogen demand", unit=FLOW),
        Quantity(id="leak-rate", title="Leak rate", unit=FLOW),
        Quantity(id="leak-equivalent", title="Leak equivalent", unit="psi"),
        Quantity(id="compressor-delivery", title="Compressor delivery", unit=FLOW),
        Quantity(id="compressor-duty", title="Compressor duty", unit="%"),
        Quantity(id="pump-up-time", title="Pump-up time", unit="min"),
        Quantity(id="purge-completion", title="Purge completion", unit="%"),
        Quantity(id="purge-time-constant", title="Purge time constant", unit="h"),
        Quantity(id="purge-done-at", title="Purge done at", unit=INSTANT_UNIT),
        Quantity(id="oxygen-exposure", title="Oxygen exposure", unit="% d"),
        Quantity(id="energy", title="Energy", unit="kWh"),
        Quantity(id="energy-cost", title="Cost of energy", unit=MONEY),
        Quantity(id="hours-to-service", title="Hours to service", unit="h"),
    )
}
"""Every quantity that is reported, in the order of the trade: supply, leak, purge, upkeep."""


def flow_unit(plant: Plant) -> str:
    """Return the unit in which a site reads gas flows: standard cubic feet or litres per hour."""
    return "L/h" if plant.site.units == "metric" else "scfh"
