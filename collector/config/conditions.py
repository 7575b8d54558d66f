"""The ``[conditions]`` tables: settings of conditions, for the site or for one asset."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from collector.config.diagnostics import Key, Mistakes, Source, nearest
from collector.config.units import QuantityError, convert, parse_flow
from collector.domain.conditions import CATALOGUE, Condition, ConditionSettings, Setting
from collector.domain.plant import Plant
from collector.domain.readings import QUANTITIES

__all__ = ["default_settings", "read_conditions"]

SettingValue = float | bool | str | None
Values = dict[str, SettingValue]

_WITH_CONTACTS = tuple(
    kind for kind, group in QUANTITIES.items() if any(q.is_contact for q in group.values()))

_EXPECTED = {"flag": "true or false", "number": "a number", "count": "a whole number from 0",
             "date": "a date such as 2026-03-01"}


def setting_value(setting: Setting, given: object, standard_temperature: float) -> SettingValue:
    """Return ``given`` in the unit of record of the setting. Raises :class:`QuantityError`."""
    kind = setting.kind
    if kind in _EXPECTED:
        value = _plain(kind, given)
        if value is None:
            raise QuantityError(f"not {_EXPECTED[kind]}: {given!r}", _EXPECTED[kind])
        return value
    if kind == "flow":
        return parse_flow(given).mol_per_second(standard_temperature)
    if kind == "days" and isinstance(given, (int, float)) and not isinstance(given, bool):
        value = float(given)
    else:
        # A temperature that is a distance has no zero point: 2 degF of deadband are 1.1 degC.
        apart = kind == "temperature" and setting.name == "deadband"
        value = convert(given, "temperature-difference" if apart else kind)
    if value < 0 and kind != "temperature":
        raise QuantityError(f"{given!r} is below 0", "0 or more")
    return value


def _plain(kind: str, given: object) -> SettingValue:
    if kind == "flag":
        return given if isinstance(given, bool) else None
    if kind == "date":
        if isinstance(given, str):
            try:
                given = date.fromisoformat(given)
            except ValueError:
                return None
        is_date = isinstance(given, date) and not isinstance(given, datetime)
        return given.isoformat() if is_date and isinstance(given, date) else None
    if isinstance(given, bool) or not isinstance(given, (int, float)):
        return None
    if kind == "count":
        return float(given) if given >= 0 and given == int(given) else None
    return float(given)


def default_settings() -> dict[str, Values]:
    """Return the defaults of every condition in units of record; ``None`` where one is derived."""
    return {
        c.id: {s.name: None if s.default is None else setting_value(s, s.default, 15.0)
               for s in c.all_settings()}
        for c in CATALOGUE.values()
    }


def read_conditions(
    tables: Mapping[str, Mapping[str, Any]], plant: Plant, ids: Mapping[str, str],
    source: Source, mistakes: Mistakes,
) -> ConditionSettings:
    """Return the settings of all conditions; collect every mistake.

    ``ids`` maps every id of the site file to its kind (``device`` for devices), also of assets
    that have mistakes of their own.
    """
    reader = _Reader(plant, ids, source, mistakes)
    for name, table in tables.items():
        reader.condition(name, table)
    return ConditionSettings(
        defaults=default_settings(), general=reader.general, single=reader.single,
    )


class _Reader:
    def __init__(
        self, plant: Plant, ids: Mapping[str, str], source: Source, mistakes: Mistakes,
    ) -> None:
        self._plant, self._ids, self._source, self._mistakes = plant, ids, source, mistakes
        self.general: dict[str, Values] = {}
        self.single: dict[str, dict[str, Values]] = {}

    def condition(self, name: str, table: Mapping[str, Any]) -> None:
        key: Key = ("conditions", name)
        found = CATALOGUE.get(name)
        if found is None:
            self._mistakes.add(self._source, key,
                               f'unknown condition "{name}"{nearest(name, CATALOGUE)}',
                               "a condition id (quietpipe explain lists them)")
            return
        own = {k: v for k, v in table.items() if not isinstance(v, Mapping)}
        self.general[name] = self._settings(found, own, key)
        for asset, inner in table.items():
            if isinstance(inner, Mapping):
                self._asset(found, asset, (*key, asset))
                self.single.setdefault(name, {})[asset] = \
                    self._settings(found, inner, (*key, asset))

    def _settings(self, condition: Condition, table: Mapping[str, Any], key: Key) -> Values:
        known = {s.name: s for s in condition.all_settings()}
        values: Values = {}
        for name, given in table.items():
            if name not in known:
                much = "" if condition.built else " (this version does not watch it yet)"
                self._mistakes.add(
                    self._source, (*key, name),
                    f'{condition.id} has no setting "{name}"{nearest(name, known)}{much}',
                    "one of " + ", ".join(known))
                continue
            try:
                values[name] = setting_value(
                    known[name], given, self._plant.site.standard_temperature)
            except QuantityError as exc:
                self._mistakes.add(self._source, (*key, name), exc.problem, exc.expected)
        return values

    def _asset(self, condition: Condition, asset: str, key: Key) -> None:
        # A contact is evaluated with its asset: a table names the asset.
        kinds = {"contact": _WITH_CONTACTS}.get(
            condition.applies_to, (condition.applies_to, *condition.also))
        if condition.applies_to == "collector" and asset == self._plant.site.id:
            return
        if self._ids.get(asset) in kinds:
            return
        fit = [i for i, kind in self._ids.items() if kind in kinds]
        what = f'"{asset}" is a {self._ids[asset]}' if asset in self._ids \
            else f'no {" or ".join(kinds)} "{asset}"'
        self._mistakes.add(self._source, key, f"{what}{nearest(asset, fit)}",
                           "one of " + ", ".join(fit) if fit else "a setting of the condition")
