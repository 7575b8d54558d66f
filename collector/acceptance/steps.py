"""Every step of an acceptance as data: instructions, limits, and the source of each limit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from collector.domain.plant import Generator, Plant, Riser, Vent
from collector.domain.readings import QUANTITIES

COMMON = "common practice"


class Kind(StrEnum):
    """The kinds of acceptance tests."""

    TANK_AIR = "tank-air"
    TANK_NITROGEN = "tank-nitrogen"
    PURITY = "purity"
    RETURN = "return-to-nitrogen"
    FILL = "fill"
    TIGHTNESS_DAY = "tightness-24h"
    TIGHTNESS_TWO = "tightness-2h"
    LOW_AIR = "low-air"
    CONTACT = "contact"
    PURGE_START = "purge-start"
    PURGE_FINISH = "purge-finish"


class Size(StrEnum):
    """The unit's size, on which the common-practice pump-up times depend."""

    SMALL = "small"
    LARGER = "larger"


_PUMP_UP: Mapping[Size, tuple[int, int]] = {Size.SMALL: (6, 8), Size.LARGER: (4, 5)}
"""Minutes on air up to cut-out, and on nitrogen from 60 to 80 psi (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step. ``points`` are those it is timed from; ``blocked`` is the reason it cannot be.

    ``limits`` are numbers its evaluator needs, in units of record (psi, %, min); ``may_type`` is
    whether a hand-held instrument may replace points that are not wired.
    """

    kind: Kind
    asset: str
    title: str
    ask: tuple[str, ...]
    cautions: tuple[str, ...]
    points: tuple[str, ...]
    limits: Mapping[str, float] = field(default_factory=dict)
    limit_from: str = ""
    blocked: str = ""
    may_type: bool = False

    @property
    def id(self) -> str:
        """Its id: ``fill.r1``, ``contact.gen1.trouble``."""
        point = f".{self.points[0].rpartition('.')[2]}" if self.kind is Kind.CONTACT else ""
        return f"{self.kind}.{self.asset}{point}"


PIPES = ("new", "in service")
"""Kinds of pipe, each with a form of the tightness test of its own."""
_OTHER_PIPE = {"new": (Kind.TIGHTNESS_TWO,), "in service": (Kind.TIGHTNESS_DAY,)}


def plan(plant: Plant, size: Size, pipe: str = "") -> tuple[Step, ...]:
    """Return every step for this plant, in the recommended order.

    ``pipe`` is one of :data:`PIPES`; without it both forms of the tightness test are there.
    """
    steps: list[Step] = []
    for unit in plant.generators.values():
        steps += _of_unit(plant, unit, size)
    for riser in plant.risers.values():
        steps += _of_riser(plant, riser)
    steps += _contacts(plant)
    for vent in plant.vents.values():
        steps += _of_vent(plant, vent)
    return tuple(s for s in steps if s.kind not in _OTHER_PIPE.get(pipe, ()))


@dataclass(frozen=True, slots=True, kw_only=True)
class StepGroup:
    """The steps of one riser with its vents and contacts, or of one generator."""

    title: str
    steps: tuple[Step, ...]


def grouped(plant: Plant, steps: Sequence[Step]) -> tuple[StepGroup, ...]:
    """Return the steps by generator and riser, in the order of the plan within each."""
    groups: dict[str, list[Step]] = {}
    for step in steps:
        vent = plant.vents.get(step.asset)
        groups.setdefault(vent.riser if vent is not None else step.asset, []).append(step)
    order = [*plant.generators, *plant.risers]
    return tuple(StepGroup(title=plant.name_of(asset), steps=tuple(groups[asset]))
                 for asset in sorted(groups, key=lambda a: order.index(a) if a in order
                                     else len(order)))


def _missing(plant: Plant, *points: str) -> str:
    lacking = [p for p in points if not plant.is_configured(p)]
    return f"not wired: {', '.join(lacking)}" if lacking else ""


def _also(plant: Plant, *points: str) -> tuple[str, ...]:
    return tuple(p for p in points if plant.is_configured(p))


def _of_unit(plant: Plant, unit: Generator, size: Size) -> Iterator[Step]:
    tank, running, mode = (f"{unit.id}.{q}" for q in (
        "tank_pressure", "compressor_running", "mode"))
    air, nitrogen = _PUMP_UP[size]
    low, high = unit.cut_in or 60.0, unit.cut_out or 80.0
    start = 2.0  # psi; a gauge of a bled tank does not read 0 to the last decimal
    yield Step(
        kind=Kind.TANK_AIR, asset=unit.id, title=f"Tank pump-up on air, {unit.name}",
        ask=("Shut the tank's outlet: nothing may draw from it until this step is done.",
             "Isolate and lock out the compressor, bleed the tank down, then close the drain.",
             "Set the unit to air-fill and put the compressor back in service.",
             "It is timed from the empty tank to cut-out."),
        cautions=("compressor", "impairment"), points=(tank, running, *_also(plant, mode)),
        limits={"from": start, "to": high, "minutes": air},
        limit_from=f"{COMMON}: a {size} unit fills an isolated tank on air in {air} min",
        blocked=_missing(plant, tank, running),
    )
    # The practice is stated for 60 to 80 psi; another span takes as much longer as it is wider.
    minutes = nitrogen * (high - low) / 20.0
    scaled = "" if (low, high) == (60.0, 80.0) else f", here for {low:g} to {high:g} psi"
    yield Step(
        kind=Kind.TANK_NITROGEN, asset=unit.id, title=f"Tank pump-up on nitrogen, {unit.name}",
        ask=("The tank's outlet stays shut.",
             "Set the unit to nitrogen. Draw the tank down to cut-in and close the drain.",
             "It is timed from cut-in to cut-out. Leave the tank isolated for 10 min after that: "
             "it cools, and what is left in it is what was delivered."),
        cautions=("compressor", "oxygen"), points=(tank, running, *_also(plant, mode)),
        limits={"from": low, "to": high, "minutes": minutes},
        limit_from=f"{COMMON}: a {size} unit goes from 60 to 80 psi on nitrogen in "
                   f"{nitrogen} min{scaled}",
        blocked=_missing(plant, tank, running),
    )
    yield from _of_gas(plant, unit)


def _of_gas(plant: Plant, unit: Generator) -> Iterator[Step]:
    tank, running, mode, oxygen = (f"{unit.id}.{q}" for q in (
        "tank_pressure", "compressor_running", "mode", "product_oxygen"))
    stated = unit.product_oxygen_limit is not None
    yield Step(
        kind=Kind.PURITY, asset=unit.id, title=f"Product purity, {unit.name}",
        ask=("Let the unit make nitrogen until it is warm.",
             "The analyser on the wire is read for 3 min of running after 2 min of warm-up; or "
             "enter the reading of an instrument, with its name and serial number."),
        cautions=("oxygen",), points=(oxygen, running, *_also(plant, mode)), may_type=True,
        limits={"percent": unit.product_oxygen_limit if stated else 3.0},  # type: ignore[dict-item]
        limit_from="product_oxygen_limit of the site file" if stated
                   else f"{COMMON}: 98 % +- 1 % nitrogen",
        blocked=_missing(plant, oxygen, running),
    )
    yield Step(
        kind=Kind.RETURN, asset=unit.id, title=f"Return from air-fill, {unit.name}",
        ask=("Draw the tank down until the unit goes to air-fill, then stop drawing.",
             "It must return to nitrogen automatically."),
        cautions=("compressor", "impairment"), points=(mode, *_also(plant, tank)),
        limits={"minutes": 30.0, "to": unit.cut_out or 80.0},
        limit_from=f"{COMMON}: air-fill ends within 30 min, before cut-out",
        blocked=_missing(plant, mode),
    )


def _of_riser(plant: Plant, riser: Riser) -> Iterator[Step]:
    pressure, low_air, warmth = (f"{riser.id}.{q}" for q in (
        "pressure", "low_air", "pipe_temperature"))
    normal = riser.supervisory_pressure
    others = tuple(f"{r.id}.pressure" for r in plant.risers.values()
                   if r.id != riser.id and r.fed_by == riser.fed_by
                   and plant.is_configured(f"{r.id}.pressure"))
    yield Step(
        kind=Kind.FILL, asset=riser.id, title=f"System fill, {riser.name}",
        ask=("Follow the impairment procedure. Every other system stays closed.",
             "Start with the pipe drained, empty of pressure, its low-point drains shut.",
             "Open the supply. It is timed from 1 psi to the supervisory pressure."),
        cautions=("impairment", "compressor"),
        points=(pressure, *_also(plant, warmth), *others),
        limits={"from": 1.0, "to": (normal or 0.0) - 0.5, "minutes": 30.0, "cold_minutes": 60.0},
        limit_from="NFPA 13, air supply of dry systems: 30 min, 60 min below 5 degF (from memory)",
        blocked=_missing(plant, pressure) or (
            "" if normal else "the site file states no supervisory_pressure"),
    )
    yield from _tightness(plant, riser, pressure, warmth)
    yield Step(
        kind=Kind.LOW_AIR, asset=riser.id, title=f"Low-air switch, {riser.name}",
        ask=("Follow the impairment procedure; the fire-alarm system will show a supervisory "
             "signal. Keep clear of the valve's trip pressure.",
             "Shut the supply and let the pressure down slowly at the test drain until the switch "
             "operates, then restore it."),
        cautions=("impairment",), points=(low_air, pressure),
        limits={"psi": riser.low_pressure or 0.0, "within": 2.0},
        limit_from="low_pressure of the site file; 2 psi either way is a setting",
        blocked=_missing(plant, low_air, pressure) or (
            "" if riser.low_pressure else "the site file states no low_pressure"),
    )


def _tightness(plant: Plant, riser: Riser, pressure: str, warmth: str) -> Iterator[Step]:
    forms = (
        (Kind.TIGHTNESS_DAY, "24 h", 24.0, 1.5, "new pipe",
         "NFPA 13 28.2.2: 40 psi, no more than 1.5 psi in 24 h"),
        (Kind.TIGHTNESS_TWO, "2 h", 2.0, 3.0, "pipe in service",
         "NFPA 25 (2014), 3-year test, read in a quotation: 40 psi, no more than 3 psi in 2 h"),
    )
    for kind, words, hours, loss, pipe, source in forms:
        yield Step(
            kind=kind, asset=riser.id, title=f"Tightness, {words} ({pipe}), {riser.name}",
            ask=("Follow the impairment procedure.",
                 "Bring the pipe to 40 psi or a little more and shut the supply and every vent. "
                 "Where it is below 32 °F (0 °C), the pipe must first be at its lowest nominal "
                 "temperature.",
                 "The loss is worked out at the temperature of the beginning: without a pipe "
                 "temperature nothing can be decided."),
            cautions=("impairment", "compressor"), points=(pressure, warmth),
            limits={"psi": 40.0, "hours": hours, "loss": loss}, limit_from=source,
            blocked=_missing(plant, pressure) or (
                "" if plant.is_configured(warmth) else
                f"no {riser.id}.pipe_temperature: 10 °F (5.6 °C) of cooling alone takes 1 psi, so "
                "that a fall of the gauge would prove nothing"),
        )


def _contacts(plant: Plant) -> Iterator[Step]:
    for thing in plant.things():
        for name, quantity in QUANTITIES[thing.kind].items():
            legs = (f"{thing.id}.{name}_no", f"{thing.id}.{name}_nc")
            if not plant.devices or not quantity.is_contact or _missing(plant, *legs):
                continue
            yield Step(
                kind=Kind.CONTACT, asset=thing.id,
                title=f"Both legs of the {quantity.label}, {thing.name}",
                ask=("Make the contact operate and restore it.",
                     "Both legs must change over, and never be alike."),
                cautions=("impairment",) if thing.kind == "riser" else ("compressor",),
                points=(f"{thing.id}.{name}", *legs),
                limit_from=f"{COMMON}: both legs of a form C contact alike mean a broken wire",
            )


def _of_vent(plant: Plant, vent: Vent) -> Iterator[Step]:
    oxygen, is_open = f"{vent.id}.oxygen", f"{vent.id}.open"
    lack = _missing(plant, oxygen)
    target = vent.target_oxygen
    yield Step(
        kind=Kind.PURGE_START, asset=vent.id, title=f"Purge start, {vent.name}",
        ask=("With the riser filled from nitrogen, let the vent open.",
             "It is monitored until the oxygen has begun to fall."),
        cautions=("oxygen",), points=(oxygen, *_also(plant, is_open)), limits={"fall": 0.5},
        limit_from="setting: half a percent is five steps of a common sensor", blocked=lack,
    )
    yield Step(
        kind=Kind.PURGE_FINISH, asset=vent.id, title=f"Purge complete, {vent.name}",
        ask=("Days to weeks: leave the step running.",
             "It is complete when the oxygen has reached its target and stayed there for an hour."),
        cautions=("oxygen",), points=(oxygen, *_also(plant, is_open)),
        limits={"percent": target or 0.0, "minutes": 60.0, "within": 0.3},
        limit_from="target_oxygen of the site file; the hour and 0.3 % above it are settings",
        blocked=lack or ("" if target is not None else "the site file states no target_oxygen"),
    )
