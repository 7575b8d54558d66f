"""Results: evaluations of conditions; ids, titles and units of computed quantities.

Ids are final; they appear in files, messages and the API. The quantities that are read from a
device are in :mod:`collector.domain.readings`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from collector.domain.events import INSTANT_UNIT
from collector.domain.plant import Plant


class ConditionState(StrEnum):
    """The state of a condition."""

    ACTIVE = "present"
    INACTIVE = "absent"
    UNKNOWN = "unknown"
    """Inputs are missing or bad: an alarm that was active stays active."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """The state of one condition of one asset, after the on-delay and off-delay.

    ``since`` (ms) is when what it describes began, ``time`` when it was evaluated. ``values`` are
    the numbers of the message with their unit in the key (``run_minutes``). ``text`` is the whole
    message: what, where, since when, numbers, likely causes in order, caution. ``because`` says why
    an unknown is unknown.
    """

    condition: str
    asset: str
    state: ConditionState
    time: int
    since: int | None = None
    values: Mapping[str, float | int | str | None] = field(default_factory=dict)
    text: str = ""
    because: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMonitored:
    """A condition that cannot be monitored for an asset, and what is missing."""

    condition: str
    asset: str
    reason: str
    """Such as ``no tank pressure at gen1``."""


def missing_here(gaps: Iterable[NotMonitored]) -> Iterator[NotMonitored]:
    """Yield what is not monitored, without what only the fleet end can see."""
    return (gap for gap in gaps if gap.condition != "site-silent")


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
