"""The site file, its device profiles and the environment become one checked :class:`SiteConfig`."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from collector.config.assets import build_plant, check_assets, kinds_of
from collector.config.devices import DeviceReader
from collector.config.diagnostics import Diagnostics, Key, Source, nearest, read_text, unreadable
from collector.config.integrations import (
    BoardSettings,
    HeartbeatSettings,
    InfluxSettings,
    Integrations,
    JournalSettings,
    MqttSettings,
    ReportSettings,
)
from collector.config.profiles import Profile, Profiles
from collector.config.recipients import RecipientTables
from collector.config.schema import from_environment, merged, parse_toml, read_tables
from collector.config.tables import SiteFile
from collector.config.units import QuantityError, convert, parse_flow
from collector.domain.conditions import CATALOGUE, Condition, ConditionSettings, Setting
from collector.domain.errors import SiteFileError
from collector.domain.plant import Plant
from collector.domain.readings import QUANTITIES
from collector.notify.recipients import Recipient, Rota
from collector.sources import DeviceSettings

__all__ = [
    "BoardSettings", "InfluxSettings", "JournalSettings", "MqttSettings", "SiteConfig", "changed",
    "default_settings", "load_site", "read_conditions",
]

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
    source: Source, mistakes: Diagnostics,
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
        self, plant: Plant, ids: Mapping[str, str], source: Source, mistakes: Diagnostics,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteConfig:
    """The content of a site file, checked, in units of record. Durations in ms."""

    path: Path
    plant: Plant
    settings: ConditionSettings
    devices: tuple[DeviceSettings, ...]
    data: Path
    """The folder of the journal."""
    step: int
    """Interval of the evaluation grid."""
    board: BoardSettings
    recipients: tuple[Recipient, ...]
    people: tuple[Recipient, ...]
    rotas: Mapping[str, Rota]
    heartbeat: HeartbeatSettings | None
    journal: JournalSettings
    reports: tuple[ReportSettings, ...]
    influx: InfluxSettings | None
    mqtt: MqttSettings | None
    profiles: Mapping[str, Profile]
    """The profiles that devices use, by name."""
    profile_files: Mapping[str, Path]
    """The file of each."""
    digest: str
    """SHA-256 of the site file and its profiles, as they were read."""


def load_site(
    path: Path, *, secrets: bool = True, change: Path | None = None,
) -> SiteConfig:
    """Read the site file at ``path``, the profiles it names and ``QUIETPIPE_…`` variables.

    ``secrets=False`` resolves no ``env:`` or ``file:`` reference: for commands that send nothing,
    on a machine without the secrets. ``change`` is an override file applied to the site file (see
    :func:`~collector.config.changed`). Raises :class:`SiteFileError` with every mistake.
    """
    mistakes = Diagnostics()
    source = Source(path.name, "")
    try:
        raw, text = read_text(path)
    except (OSError, UnicodeDecodeError) as exc:
        mistakes.add(Source(str(path), ""), (), unreadable(exc), "a site file (TOML)")
        raise SiteFileError(mistakes.sorted()) from exc
    data = parse_toml(path.name, text, mistakes)
    if data is None:
        raise SiteFileError(mistakes.sorted())
    overrides, names = from_environment(mistakes)
    data = merged(data, overrides)
    if change is not None:
        data, said = changed(data, change, mistakes)
        names |= said
    source = Source(path.name, text, names)
    config = _build(path, raw, data, source, mistakes, secrets=secrets)
    if mistakes:
        raise SiteFileError(mistakes.sorted())
    return config


def _build(
    path: Path, raw: bytes, data: Mapping[str, Any], source: Source, mistakes: Diagnostics, *,
    secrets: bool,
) -> SiteConfig:
    file = read_tables(SiteFile, data, source, mistakes)
    check_assets(file, source, mistakes)
    kinds = kinds_of(file)
    shared = _shared_profiles(file, source, mistakes, path.parent)
    profiles = Profiles(path.parent, mistakes, shared)
    device_reader = DeviceReader(source=source, mistakes=mistakes, profiles=profiles,
                    kinds={i: k for i, k in kinds.items() if k != "device"})
    devices = device_reader.devices(file.devices)
    plant = build_plant(file, devices)
    integrations = Integrations(file=file, source=source, mistakes=mistakes, folder=path.parent,
                      secrets=secrets)
    people = RecipientTables(file=file, source=source, mistakes=mistakes, folder=path.parent,
                    assets=kinds, secrets=secrets)
    return SiteConfig(
        path=path, plant=plant, devices=devices, step=file.site.evaluate_every,
        settings=read_conditions(file.conditions, plant, kinds, source, mistakes),
        data=path.parent / (file.site.data or f"var/{file.site.id}"),
        board=integrations.board(), journal=integrations.journal(), people=people.persons(),
        rotas=people.rotas(), recipients=people.recipients(), heartbeat=integrations.heartbeat(),
        reports=integrations.reports(),
        influx=integrations.influx(), mqtt=integrations.mqtt(), digest=_digest(raw, profiles),
        profiles=profiles.read(), profile_files=profiles.files(),
    )


def _shared_profiles(
    file: SiteFile, source: Source, mistakes: Diagnostics, folder: Path,
) -> Path | None:
    """Return the site-wide folder of profiles, if one is named."""
    if file.site.profiles is None:
        return None
    path = folder / file.site.profiles
    if not path.is_dir():
        mistakes.add(source, ("site", "profiles"), f"there is no folder {path}",
                     "a folder that can be read")
    return path


def _digest(raw: bytes, profiles: Profiles) -> str:
    whole = hashlib.sha256(raw)
    for name, contents in sorted(profiles.contents.items()):
        whole.update(name.encode() + b"\0" + contents)
    return whole.hexdigest()


def changed(
    base: dict[str, Any], path: Path, mistakes: Diagnostics,
) -> tuple[dict[str, Any], dict[Key, str]]:
    """Return the tables with an override file applied, and the file that states each key.

    Assets (``[[risers]]`` and the like) are changed by their id; an unknown id is a mistake, since
    an override adds no asset.
    """
    try:
        _, text = read_text(path)
    except (OSError, UnicodeDecodeError) as exc:
        mistakes.add(Source(str(path), ""), (), unreadable(exc), "a change (TOML)")
        return base, {}
    over = parse_toml(path.name, text, mistakes)
    if over is None:
        return base, {}
    overrides = _Overrides(path.name, Source(path.name, text), mistakes)
    return overrides.tables(base, over, (), ()), overrides.names


class _Overrides:
    """Applies one override file to the tables of a site file."""

    def __init__(self, name: str, source: Source, mistakes: Diagnostics) -> None:
        self._name, self._source, self._mistakes = name, source, mistakes
        self.names: dict[Key, str] = {}

    def tables(
        self, base: Mapping[str, Any], over: Mapping[str, Any], at: Key, there: Key,
    ) -> dict[str, Any]:
        """Return one table; ``at`` is its key in the site file, ``there`` that in the override."""
        result = dict(base)
        for key, value in over.items():
            below = result.get(key)
            if isinstance(value, dict) and isinstance(below, dict):
                result[key] = self.tables(below, value, (*at, key), (*there, key))
            elif _things(value) and _things(below):
                result[key] = self._by_id(below, value, (*at, key), (*there, key))
            else:
                result[key] = value
                self.names[(*at, key)] = self._name
        return result

    def _by_id(self, base: Any, over: Any, at: Key, there: Key) -> list[Any]:
        result = list(base)
        places = dict(_ids(base))
        for number, thing in enumerate(over):
            place = places.get(thing.get("id"))
            if place is None:
                self._mistakes.add(self._source, (*there, number),
                                   f'the site file has no "{thing.get("id")}"',
                                   "the id of what is to be changed")
            else:
                result[place] = self.tables(
                    base[place], thing, (*at, place), (*there, number))
        return result


def _things(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, dict) for item in value)


def _ids(things: Any) -> Iterator[tuple[Any, int]]:
    for number, thing in enumerate(things):
        if isinstance(thing.get("id"), str):
            yield thing["id"], number
