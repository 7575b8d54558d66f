"""The catalogue of conditions: ids, class, priority, settings with default and source, causes.

Ids are final; they appear in files, messages and the API. A condition whose ``settings`` is
``None`` is known but not yet built: it may be named in a site file and is reported as not
monitored. One module per family; the catalogue's order is that of the families, and of each module.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from collector.domain.conditions import (
    compressor,
    contacts,
    health,
    leak,
    mode,
    oxygen,
    pressure,
    service,
    vent,
)
from collector.domain.conditions.schema import COMMON_SETTINGS, Condition, Setting

__all__ = [
    "CATALOGUE",
    "CAUTIONS",
    "COMMON_SETTINGS",
    "Condition",
    "ConditionSettings",
    "Setting",
    "SettingValue",
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
    for family in (compressor, mode, pressure, leak, oxygen, vent, contacts, service, health)
    for condition in family.CONDITIONS
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
