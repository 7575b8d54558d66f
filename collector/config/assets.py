"""Generators, risers, vents and rooms: checks between them, pipe volumes, and the plant."""

from __future__ import annotations

import math
import re
import zoneinfo
from collections.abc import Iterator, Mapping, Sequence

from collector.config.diagnostics import Diagnostics, Key, Source, nearest
from collector.config.tables import PipeTable, RiserTable, SiteFile
from collector.config.units import QuantityError, StandardFlow
from collector.domain.basis import AdoptedCode
from collector.domain.plant import Device, Generator, PipeRun, Plant, Riser, Room, Site, Vent
from collector.sources import DeviceSettings
from collector.sources.read_plan import point_names

_GROUPS = {"generators": "generator", "risers": "riser", "vents": "vent", "rooms": "room",
           "devices": "device"}


def _ids(file: SiteFile) -> Iterator[tuple[Key, str, str]]:
    for group, kind in _GROUPS.items():
        for index, table in enumerate(getattr(file, group)):
            if table.id:
                yield (group, index, "id"), table.id, kind


def kinds_of(file: SiteFile) -> dict[str, str]:
    """Return every id and its kind; of two with one id the first counts."""
    kinds: dict[str, str] = {}
    for _, name, kind in _ids(file):
        kinds.setdefault(name, kind)
    return kinds


def check_assets(file: SiteFile, source: Source, mistakes: Diagnostics) -> None:
    """Add every mistake between assets: ids used twice, references, limits in the wrong order."""
    check = _Check(file, source, mistakes)
    check.ids()
    check.timezone()
    check.references()
    check.limits()
    check.pipes()


class _Check:
    def __init__(self, file: SiteFile, source: Source, mistakes: Diagnostics) -> None:
        self._file, self._source, self._mistakes = file, source, mistakes
        self._kinds = kinds_of(file)

    def _say(self, key: Key, problem: str, expected: str = "") -> None:
        self._mistakes.add(self._source, key, problem, expected)

    def ids(self) -> None:
        owners: dict[str, Key] = {}
        recipients = [(("recipients", i, "id"), r.id, "recipient")
                      for i, r in enumerate(self._file.recipients) if r.id]
        for key, name, kind in [*_ids(self._file), *recipients]:
            # A recipient may have the id of an asset; two assets may not share one.
            mark = f"recipient {name}" if kind == "recipient" else name
            first = owners.setdefault(mark, key)
            if first != key:
                self._say(key, f'"{name}" is already the id at {self._source.place(first)}',
                          "an id of its own")

    def timezone(self) -> None:
        name = self._file.site.timezone
        if not name:
            return
        try:
            zoneinfo.ZoneInfo(name)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            self._say(("site", "timezone"), f'unknown time zone "{name}"'
                      f"{nearest(name, zoneinfo.available_timezones())}",
                      "an IANA name such as Europe/London")

    def references(self) -> None:
        for index, riser in enumerate(self._file.risers):
            self._known(("risers", index, "fed_by"), riser.fed_by, "generator")
        for index, vent in enumerate(self._file.vents):
            self._known(("vents", index, "riser"), vent.riser, "riser")

    def _known(self, key: Key, name: str | None, kind: str) -> None:
        kinds = self._kinds
        if not name or kinds.get(name) == kind:
            return
        fit = [i for i, k in kinds.items() if k == kind]
        problem = f'"{name}" is a {kinds[name]}, not a {kind}' if name in kinds \
            else f'there is no {kind} "{name}"'
        self._say(key, problem + nearest(name, fit), _one_of(kind, fit))

    def limits(self) -> None:
        for index, unit in enumerate(self._file.generators):
            key: Key = ("generators", index)
            self._below(key, unit, "cut_in", "cut_out")
            self._below(key, unit, "air_fill_below", "cut_out")
        for index, riser in enumerate(self._file.risers):
            key = ("risers", index)
            self._below(key, riser, "low_pressure", "supervisory_pressure")
            self._below(key, riser, "supervisory_pressure", "high_pressure")
            if riser.supervisory_pressure is None:
                self._below(key, riser, "low_pressure", "high_pressure")

    def _below(self, key: Key, table: object, low: str, high: str) -> None:
        under, over = getattr(table, low), getattr(table, high)
        if under is not None and over is not None and under >= over:
            self._say((*key, low), f"{low} ({under:g} psi) is not below {high} ({over:g} psi)",
                      f"{low} < {high}")

    def pipes(self) -> None:
        for index, riser in enumerate(self._file.risers):
            key: Key = ("risers", index)
            for n, pipe in enumerate(riser.pipes or ()):
                try:
                    _pipe(pipe)
                except QuantityError as exc:
                    self._say((*key, "pipes", n), exc.problem, exc.expected)


def _one_of(kind: str, known: Sequence[str]) -> str:
    return "one of " + ", ".join(known) if known else f"a {kind} of this site file"


def _pipe(pipe: PipeTable) -> float:
    if not (pipe.size and pipe.schedule and pipe.length):
        return 0.0  # said already: a key is missing or wrong
    return pipe_volume(pipe.size, pipe.schedule, pipe.length)


def _volume(riser: RiserTable) -> float | None:
    # A stated volume was measured or read off a drawing; the survey holds the take-off against it.
    if riser.volume is not None or not riser.pipes:
        return riser.volume
    return sum(_pipe(p) for p in riser.pipes)


def _take_off(riser: RiserTable) -> tuple[PipeRun, ...]:
    runs = []
    for pipe in riser.pipes or ():
        size, schedule = named_pipe(pipe.size, pipe.schedule)
        runs.append(PipeRun(size=size, schedule=schedule, length=pipe.length))
    return tuple(runs)


def build_plant(file: SiteFile, devices: Sequence[DeviceSettings]) -> Plant:
    """Return the plant. Valid only without mistakes."""
    site = Site(
        id=file.site.id, name=file.site.name or file.site.id, timezone=file.site.timezone,
        altitude=file.site.altitude, units=file.site.units,
        standard_temperature=file.site.standard_temperature,
        code=AdoptedCode(**{k: v or "" for k, v in file.code}),
    )

    def flow(written: StandardFlow | None) -> float | None:
        return None if written is None else written.mol_per_second(site.standard_temperature)

    generators: Mapping[str, Generator] = {g.id: Generator(
        id=g.id, name=g.name or g.id, tank_volume=g.tank_volume, cut_in=g.cut_in,
        cut_out=g.cut_out, air_fill_below=g.air_fill_below,
        product_oxygen_limit=g.product_oxygen_limit,
        compressor_delivery=flow(g.compressor_delivery),
        nitrogen_delivery=flow(g.nitrogen_delivery),
        compressor_power=g.compressor_power,
        energy_price=g.energy_price[0] if g.energy_price else None,
        currency=g.energy_price[1] if g.energy_price else "",
        service_every=g.service_every, service_months=g.service_months,
        last_service=g.last_service, last_service_hours=g.last_service_hours,
    ) for g in file.generators}
    return Plant(
        site=site, generators=generators, risers=_risers(file),
        vents={v.id: Vent(id=v.id, name=v.name or v.id, riser=v.riser,
                          target_oxygen=v.target_oxygen, flow=flow(v.flow)) for v in file.vents},
        rooms={r.id: Room(id=r.id, name=r.name or r.id) for r in file.rooms},
        devices={d.id: Device(id=d.id, name=d.name, every=d.every,
                              points=tuple(n for p in d.points for n in point_names(p)))
                 for d in devices},
    )


def _risers(file: SiteFile) -> Mapping[str, Riser]:
    def held(riser: RiserTable) -> tuple[float | None, tuple[PipeRun, ...]]:
        try:
            return _volume(riser), _take_off(riser)
        except QuantityError:
            return None, ()  # said already by check_assets
    return {r.id: Riser(
        id=r.id, name=r.name or r.id, fed_by=r.fed_by, volume=held(r)[0], pipes=held(r)[1],
        supervisory_pressure=r.supervisory_pressure, low_pressure=r.low_pressure,
        high_pressure=r.high_pressure,
    ) for r in file.risers}


_INCH = 0.0254
SCHEDULES = ("5", "10", "40", "80")
SIZES: Mapping[str, tuple[float, Mapping[str, float]]] = {
    "1/2": (0.840, dict(zip(SCHEDULES, (0.065, 0.083, 0.109, 0.147), strict=True))),
    "3/4": (1.050, dict(zip(SCHEDULES, (0.065, 0.083, 0.113, 0.154), strict=True))),
    "1": (1.315, dict(zip(SCHEDULES, (0.065, 0.109, 0.133, 0.179), strict=True))),
    "1 1/4": (1.660, dict(zip(SCHEDULES, (0.065, 0.109, 0.140, 0.191), strict=True))),
    "1 1/2": (1.900, dict(zip(SCHEDULES, (0.065, 0.109, 0.145, 0.200), strict=True))),
    "2": (2.375, dict(zip(SCHEDULES, (0.065, 0.109, 0.154, 0.218), strict=True))),
    "2 1/2": (2.875, dict(zip(SCHEDULES, (0.083, 0.120, 0.203, 0.276), strict=True))),
    "3": (3.500, dict(zip(SCHEDULES, (0.083, 0.120, 0.216, 0.300), strict=True))),
    "3 1/2": (4.000, dict(zip(SCHEDULES, (0.083, 0.120, 0.226, 0.318), strict=True))),
    "4": (4.500, dict(zip(SCHEDULES, (0.083, 0.120, 0.237, 0.337), strict=True))),
    "5": (5.563, dict(zip(SCHEDULES, (0.109, 0.134, 0.258, 0.375), strict=True))),
    "6": (6.625, dict(zip(SCHEDULES, (0.109, 0.134, 0.280, 0.432), strict=True))),
    "8": (8.625, dict(zip(SCHEDULES, (0.109, 0.148, 0.322, 0.500), strict=True))),
    "10": (10.750, dict(zip(SCHEDULES, (0.134, 0.165, 0.365, 0.594), strict=True))),
    "12": (12.750, dict(zip(SCHEDULES, (0.156, 0.180, 0.406, 0.688), strict=True))),
}
"""Nominal size in inches: outside diameter, and wall by schedule."""
_DN = {"15": "1/2", "20": "3/4", "25": "1", "32": "1 1/4", "40": "1 1/2", "50": "2",
       "65": "2 1/2", "80": "3", "90": "3 1/2", "100": "4", "125": "5", "150": "6", "200": "8",
       "250": "10", "300": "12"}
_DECIMAL = {"0.5": "1/2", "0.75": "3/4", "1.25": "1 1/4", "1.5": "1 1/2", "2.5": "2 1/2",
            "3.5": "3 1/2"}
_SIZE = re.compile(r"(?P<dn>DN\s?(?P<number>\d+))|(?P<inch>[\d ./-]+?)\s*(?:in|inch|inches|\")",
                   re.IGNORECASE)
_EXPECTED = 'a nominal size such as "4 in", "1 1/2 in" or "DN 100"'


def _nominal(size: str) -> str:
    found = _SIZE.fullmatch(size.strip())
    if found is None:
        raise QuantityError(f'not a pipe size: "{size}"', _EXPECTED)
    if found["dn"]:
        name = _DN.get(found["number"], "")
    else:
        name = " ".join(found["inch"].replace("-", " ").split())
        name = _DECIMAL.get(name, name.removesuffix(".0"))
    if name not in SIZES:
        raise QuantityError(f'no steel pipe of size "{size}" is known',
                            ", ".join(f"{s} in" for s in SIZES))
    return name


def inside_diameter(size: str, schedule: str) -> float:
    """Return the inside diameter in m of steel pipe of a nominal size and schedule.

    ``schedule`` is 5, 10, 40 or 80, also written ``Sch 40`` or ``10S``.
    Raises :class:`QuantityError` for what the table does not hold.

    Taken from ASME B36.10M: 4 in schedule 40 is 4.026 in inside.

    >>> round(inside_diameter("4 in", "40") / 0.0254, 3)
    4.026
    """
    nominal, name = named_pipe(size, schedule)
    outside, walls = SIZES[nominal]
    return (outside - 2 * walls[name]) * _INCH


def named_pipe(size: str, schedule: str) -> tuple[str, str]:
    """Return nominal size and schedule as the tables name them: ``("1 1/4", "40")``.

    Raises :class:`QuantityError` for what the table does not hold.
    """
    nominal = _nominal(size)
    walls = SIZES[nominal][1]
    name = re.sub(r"(?i)^\s*sch(?:edule|\.)?\s*|s\s*$", "", schedule).strip()
    if name not in walls:
        raise QuantityError(f'schedule "{schedule}" is not known{nearest(name, walls)}',
                            ", ".join(walls))
    return nominal, name


def pipe_volume(size: str, schedule: str, length: float) -> float:
    """Return the volume in m3 of ``length`` m of pipe. Raises :class:`QuantityError`."""
    return math.pi / 4 * inside_diameter(size, schedule) ** 2 * length
