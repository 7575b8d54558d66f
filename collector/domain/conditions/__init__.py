"""The catalogue of conditions: ids, class, priority, settings with default and source, causes.

Ids are final; they appear in files, messages and the API. A condition whose ``settings`` is
``None`` is known but not yet built: it may be named in a site file and is reported as not
monitored. One tuple per family; the catalogue's order is that of the families, and of each tuple.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from collector.domain.conditions import devices, gas, supply
from collector.domain.conditions.schema import COMMON_SETTINGS, Condition, Setting
from collector.domain.plant import Plant

__all__ = [
    "CATALOGUE", "CAUTIONS", "COMMON_SETTINGS", "Condition", "ConditionSettings", "Setting",
    "SettingValue", "VALVE_ROOM_LEAST", "limit_of",
]

SettingValue = float | bool | str | None

CAUTIONS: Mapping[str, str] = {
    "not-a-fire-alarm": (
        "For maintenance monitoring only. It is not a listed fire-alarm or supervising-station "
        "system, replaces none, and nobody may rely on it for one. Local code, the authority "
        "having jurisdiction and licensed practice decide."
    ),
    "oxygen": (
        "Nitrogen displaces oxygen: a release in a small or closed room can kill without warning. "
        "Ventilate, measure, never enter on a normal-looking screen."
    ),
    "compressor": (
        "Compressors start by themselves; tanks hold pressure with the power off. "
        "Isolate, lock out, bleed down."
    ),
    "impairment": (
        "Filling, closing or testing a system is an impairment: follow the impairment procedure "
        "first."
    ),
    "only-reads": (
        "It only reads. It never writes a register, moves a valve or clears a controller's fault."
    ),
}
"""The cautions, by name; a condition names the ones its message carries."""

CATALOGUE: Mapping[str, Condition] = {
    condition.id: condition
    for condition in (
        *supply.COMPRESSOR, *supply.MODE, *gas.PRESSURE, *gas.LEAK, *gas.OXYGEN, *devices.VENT,
        *devices.CONTACTS, *supply.SERVICE, *devices.HEALTH,
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionSettings:
    """The settings in force, resolved to numbers in units of record.

    ``general[condition][name]`` holds site-wide values; ``single[condition][asset][name]`` those
    for one asset only. What neither states comes from ``defaults``.
    """

    defaults: Mapping[str, Mapping[str, SettingValue]]
    general: Mapping[str, Mapping[str, SettingValue]] = field(default_factory=dict)
    single: Mapping[str, Mapping[str, Mapping[str, SettingValue]]] = field(default_factory=dict)

    def for_(self, condition: str, asset: str) -> Mapping[str, SettingValue]:
        """Return every setting of ``condition`` for ``asset``."""
        return {
            **self.defaults.get(condition, {}),
            **self.general.get(condition, {}),
            **self.single.get(condition, {}).get(asset, {}),
        }


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
