"""The limit of a condition for one asset, the same for the alarm and for every plot of it.

In order of trust: the condition's setting in the site file, the asset's own key there, and the
published or common-practice figure where one exists.
"""

from __future__ import annotations

from collections.abc import Mapping

from collector.domain.conditions import ConditionSettings
from collector.domain.plant import Plant

__all__ = ["VALVE_ROOM_LEAST", "limit_of"]

VALVE_ROOM_LEAST = {"us": (40 - 32) / 1.8, "metric": 4.0}
"""degrees C by the site's units: 40 F (4 C), NFPA 25 as a checklist quotes it."""

_ROOM_OXYGEN = 19.5  # %, 29 CFR 1910.134
_PRODUCT_OXYGEN = 3.0  # %, what 98 % +- 1 % nitrogen leaves, by common practice
_PURGE_TARGET = 2.0  # %, 98 % nitrogen, the usual target
_SETTING: Mapping[str, str] = {"oxygen-not-falling": "target"}
"""Name of the setting that holds the limit; ``limit`` unless named here."""
_OWN_KEY: Mapping[str, str] = {
    "pressure-low": "low_pressure", "pressure-high": "high_pressure",
    "product-oxygen-high": "product_oxygen_limit", "oxygen-not-falling": "target_oxygen",
}
"""Key of the asset in the site file."""


def limit_of(
    condition: str, asset: str, plant: Plant, settings: ConditionSettings,
) -> float | None:
    """Return the limit in the unit of record; ``None`` where none is stated and none is usual."""
    given = settings.for_(condition, asset).get(_SETTING.get(condition, "limit"))
    if given is not None and not isinstance(given, str | bool):
        return float(given)
    own: float | None = getattr(plant.thing(asset), _OWN_KEY.get(condition, ""), None)
    if own is not None:
        return own
    return {
        "low-temperature": VALVE_ROOM_LEAST[plant.site.units], "room-oxygen-low": _ROOM_OXYGEN,
        "product-oxygen-high": _PRODUCT_OXYGEN, "oxygen-not-falling": _PURGE_TARGET,
    }.get(condition)
