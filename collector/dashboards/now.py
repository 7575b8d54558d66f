"""The dashboard of one site: active alarms, present values, and the last day."""

from __future__ import annotations

from collections.abc import Iterator

from collector.dashboards.page import Page, cautions, happenings, names_of, tails
from collector.dashboards.panels import (
    LIMIT,
    MODE_WORDS,
    Names,
    Panel,
    contact_words,
    lines,
    number,
    state_timeline,
    table,
)
from collector.dashboards.queries import (
    LONG,
    PRESSURE,
    TEMPERATURE,
    In,
    Query,
    active_alarms,
    estimate,
    field,
    select,
    tag,
)
from collector.domain.plant import Plant

__all__ = ["page"]

_CONTACTS = (
    ("riser", "low_air", "low air"), ("riser", "high_air", "high air"),
    ("riser", "bypass_open", "bypass open"), ("vent", "water", "water at the vent"),
    ("generator", "trouble", "trouble"),
)
"""Contacts whose 1 is the abnormal state."""


def page(plant: Plant | None) -> Page:
    """Return the page."""
    names = names_of(plant)
    return Page(
        name="now", title="Site now", since="now-24h", annotations=(happenings(),),
        doc="What stands, what the gauges say, and the last day behind it.",
        panels=[*_counts(names), *_tables(names), *_pressures(plant, names), *_states(names),
                *_rooms(names), *_tightness(names), cautions("oxygen")],
    )


def _counts(names: Names) -> Iterator[Panel]:
    everything = Query(text=active_alarms(), table=True)
    yield number("Active alarms", everything, bad_from=1, height=8,
                 doc="Raised and not returned to normal, shelved ones among them.")
    yield number("of high priority", Query(text=_of_priority("high"), table=True), bad_from=1,
                 height=8)
    by = ("asset", "condition", "priority")
    inner = select("alarm", {"stands": f"last({field('alarm', 'standing')})",
                             "text": field("alarm", "text")}, by=by, every=None, when=LONG)
    groups = ", ".join(tag("alarm", b) for b in by)
    yield table(
        "What stands", [Query(table=True, text=(
            f'SELECT "stands", "text" FROM ({inner}) WHERE "stands" = 1 GROUP BY {groups}'))],
        names=names, width=16, height=8, hide=("stands",), sort="when",
        doc="Conditions by their last raising or return; only those that stand.",
        columns={"when": {"custom.width": 160}, "text": {"custom.cellOptions": {
            "type": "auto", "wrapText": True}}},
    )


def _of_priority(priority: str) -> str:
    inner, _, rest = active_alarms().partition(' AND time > now()')
    return f"{inner} AND \"priority\" = '{priority}' AND time > now(){rest}"


def _last(kind: str, *columns: tuple[str, str, In]) -> Query:
    made = {f"{title}{', ' if unit.name else ''}{unit.name}":
            f"last({field(kind, name)}){unit.convert}" for name, title, unit in columns}
    return Query(text=select(kind, made, every=None), table=True)


def _tables(names: Names) -> Iterator[Panel]:
    percent, plain = In("", "%"), In("", "")
    mode = {"Mode": {"mappings": MODE_WORDS},
            "Compressor": {"mappings": contact_words("at rest", "runs", bad=False)}}
    yield table("Generators", [_last(
        "generator", ("tank_pressure", "Tank", PRESSURE), ("mode", "Mode", plain),
        ("compressor_running", "Compressor", plain),
        ("product_oxygen", "Product oxygen", percent), ("dew_point", "Dew point", TEMPERATURE),
        ("running_hours", "Run", In("", "h")),
    )], names=names, width=24, height=5, columns=mode, decimals=1,
        doc="The last good reading of each within the time shown.")
    yield table("Risers", [_last(
        "riser", ("pressure", "Pressure", PRESSURE), ("pipe_temperature", "Pipe", TEMPERATURE),
        ("valve_room_temperature", "Valve room", TEMPERATURE),
    )], names=names, width=12, height=6, decimals=1)
    yield table("Vents", [_last(
        "vent", ("oxygen", "Oxygen", percent), ("open", "Vent", plain),
    )], names=names, width=12, height=6, decimals=1,
        columns={"Vent": {"mappings": contact_words("shut", "open", bad=False)}})


def _mean(kind: str, name: str, unit: In, alias: str = "$tag_asset") -> Query:
    return Query(text=select(kind, {name: f"mean({field(kind, name)}){unit.convert}"}),
                 alias=alias)


def limits(kind: str, name: str, unit: In, levels: dict[str, dict[str, float]]) -> list[Query]:
    """Return level lines where there are readings, in the unit they are shown in."""
    return [
        Query(
            text=select(kind, {what: f"(mean({field(kind, name)}) * 0 + {level:g}){unit.convert}"},
                        having={"asset": asset}),
            alias=f"{asset} {what} {LIMIT}",
        )
        for asset, some in levels.items() for what, level in some.items()
    ]


def _pressures(plant: Plant | None, names: Names) -> Iterator[Panel]:
    low = high = {}
    if plant is not None:
        low = {r.id: {k: v for k, v in (("low", r.low_pressure), ("high", r.high_pressure))
                      if v is not None} for r in plant.risers.values()}
        high = {g.id: {k: v for k, v in (("cut-in", g.cut_in), ("cut-out", g.cut_out))
                       if v is not None} for g in plant.generators.values()}
    ends = ("", f" low {LIMIT}", f" high {LIMIT}", f" cut-in {LIMIT}", f" cut-out {LIMIT}")
    yield lines(f"Supervisory pressure, {PRESSURE.name}",
                [_mean("riser", "pressure", PRESSURE),
                 *limits("riser", "pressure", PRESSURE, low)], names=names, tails=ends)
    yield lines(f"Tank pressure, {PRESSURE.name}",
                [_mean("generator", "tank_pressure", PRESSURE),
                 *limits("generator", "tank_pressure", PRESSURE, high)], names=names, tails=ends)


def state(kind: str, name: str, tail: str, function: str = "max") -> Query:
    """Return a contact or mode over time; of several in one step, the highest."""
    return Query(text=select(kind, {name: f"{function}({field(kind, name)})"}),
                 alias=f"$tag_asset {tail}")


def _states(names: Names) -> Iterator[Panel]:
    yield state_timeline("Mode", [state("generator", "mode", "mode")], MODE_WORDS, names=names,
                tails=(" mode",), doc="Air-fill is the fallback: compressed air goes to the pipe.")
    yield state_timeline("Compressor", [state("generator", "compressor_running", "compressor")],
                contact_words("at rest", "runs", bad=False), names=names, tails=(" compressor",))
    yield state_timeline("Contacts", [state(kind, name, text) for kind, name, text in _CONTACTS],
                contact_words("normal", "off normal", bad=True), names=names, height=9,
                tails=[f" {text}" for _, _, text in _CONTACTS])
    yield state_timeline("Power at the disconnect", [state("generator", "power", "power", "min")],
                contact_words("lost", "there", bad=False), names=names, tails=(" power",),
                height=9)


def _rooms(names: Names) -> Iterator[Panel]:
    yield lines("Oxygen in the room, %", [_mean("room", "oxygen", In("", "%"))], names=names,
                limit=19.5, low=17, high=22,
                doc="Below 19.5 % nobody enters (29 CFR 1910.134). A failed cell reads low too.")
    yield lines(f"Rooms, valve rooms and pipes, {TEMPERATURE.name}", [
        _mean("room", "temperature", TEMPERATURE),
        _mean("riser", "valve_room_temperature", TEMPERATURE, "$tag_asset valve room"),
        _mean("riser", "pipe_temperature", TEMPERATURE, "$tag_asset pipe"),
    ], names=names, tails=("", " valve room", " pipe"))


def _tightness(names: Names) -> Iterator[Panel]:
    yield lines("Leak rate", [estimate("leak-rate")], names=names, decimals=2,
                tails=tails("scfh", "L/h"),
                doc="Temperature and purge flow taken out; dotted lines are the interval.")
    yield lines("Leak as psi in 24 hours", [estimate("leak-equivalent")], names=names,
                tails=tails("psi"), decimals=2)
