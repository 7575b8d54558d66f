"""Reading a site file whole: everything right, or every mistake at once."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.config.change import changed
from collector.config.conditions import read_conditions
from collector.config.mistakes import Mistakes, Source, read_text, unreadable
from collector.config.outward import (
    BoardSettings,
    HeartbeatSettings,
    InfluxSettings,
    JournalSettings,
    MqttSettings,
    Outward,
    ReportSettings,
)
from collector.config.people import People
from collector.config.profiles import Profiles
from collector.config.shape import from_environment, merged, parse_toml, read_tables
from collector.config.tables import SiteFile
from collector.config.things import build_plant, check_things, kinds_of
from collector.config.wiring import Wiring
from collector.domain.conditions import ConditionSettings
from collector.domain.errors import SiteFileError
from collector.domain.plant import Plant
from collector.notify.recipients import Recipient, Rota
from collector.sources.settings import DeviceSettings

__all__ = ["SiteConfig", "load_site"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteConfig:
    """Everything a site file says, checked, in units of record. Durations in ms."""

    path: Path
    plant: Plant
    settings: ConditionSettings
    devices: tuple[DeviceSettings, ...]
    data: Path
    """The folder of the journal."""
    step: int
    """How often the rules are evaluated."""
    board: BoardSettings
    recipients: tuple[Recipient, ...]
    people: tuple[Recipient, ...]
    rotas: Mapping[str, Rota]
    heartbeat: HeartbeatSettings | None
    journal: JournalSettings
    reports: tuple[ReportSettings, ...]
    influx: InfluxSettings | None
    mqtt: MqttSettings | None
    digest: str
    """SHA-256 of the site file and its profiles, as they were read."""


def load_site(
    path: Path, *, secrets: bool = True, change: Path | None = None,
) -> SiteConfig:
    """Read the site file at ``path``, the profiles it names and ``QUIETPIPE_…`` variables.

    ``secrets=False`` looks up no ``env:`` or ``file:`` reference: for commands that reach nobody,
    on a machine that need not hold them. ``change`` is a file whose keys are laid on those of the
    site file (see :func:`~collector.config.change.changed`). Raises :class:`SiteFileError` with
    every mistake found.
    """
    mistakes = Mistakes()
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
    path: Path, raw: bytes, data: Mapping[str, Any], source: Source, mistakes: Mistakes, *,
    secrets: bool,
) -> SiteConfig:
    file = read_tables(SiteFile, data, source, mistakes)
    check_things(file, source, mistakes)
    kinds = kinds_of(file)
    profiles = Profiles(path.parent, mistakes)
    wiring = Wiring(source=source, mistakes=mistakes, profiles=profiles,
                    kinds={i: k for i, k in kinds.items() if k != "device"})
    devices = wiring.devices(file.devices)
    plant = build_plant(file, devices)
    outward = Outward(file=file, source=source, mistakes=mistakes, folder=path.parent,
                      secrets=secrets)
    people = People(file=file, source=source, mistakes=mistakes, folder=path.parent,
                    assets=kinds, secrets=secrets)
    return SiteConfig(
        path=path, plant=plant, devices=devices, step=file.site.evaluate_every,
        settings=read_conditions(file.conditions, plant, kinds, source, mistakes),
        data=path.parent / (file.site.data or f"var/{file.site.id}"),
        board=outward.board(), journal=outward.journal(), people=people.persons(),
        rotas=people.rotas(), recipients=people.recipients(), heartbeat=outward.heartbeat(),
        reports=outward.reports(),
        influx=outward.influx(), mqtt=outward.mqtt(), digest=_digest(raw, profiles),
    )


def _digest(raw: bytes, profiles: Profiles) -> str:
    whole = hashlib.sha256(raw)
    for name, contents in sorted(profiles.contents.items()):
        whole.update(name.encode() + b"\0" + contents)
    return whole.hexdigest()
