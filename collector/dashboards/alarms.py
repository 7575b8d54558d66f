"""Dashboard of alarms: which were raised, how often, by which condition."""

from __future__ import annotations

from collections.abc import Iterator

from collector.dashboards.page import Page, cautions, happenings, names_of
from collector.dashboards.panels import Names, Panel, lines, number, table
from collector.dashboards.queries import Query, active_alarms, field, select
from collector.domain.plant import Plant

__all__ = ["page"]

_RAISED = {"transition": "raised"}


def page(plant: Plant | None) -> Page:
    """Return the page."""
    names = names_of(plant)
    return Page(
        name="alarms", title="Alarms", since="now-30d", annotations=(happenings(),),
        doc="An alarm here is a condition that wants a person (IEC 62682); it never means fire.",
        panels=[*_numbers(), *_rates(), *_which(names), *_log(names), cautions()],
    )


def _count(**having: str) -> str:
    return select("alarm", {"count": f"count({field('alarm', 'text')})"}, by=(), every=None,
                  having=_RAISED | having)


def _numbers() -> Iterator[Panel]:
    yield number("Active alarms", Query(text=active_alarms(), table=True), bad_from=1, width=6)
    yield number("Raised in the time shown", Query(text=_count(), table=True), width=6)
    yield number("of high priority", Query(text=_count(priority="high"), table=True), width=6)
    shelved = select("alarm", {"count": f"count({field('alarm', 'text')})"}, by=(), every=None,
                     having={"transition": "shelved"})
    yield number("Shelved in the time shown", Query(text=shelved, table=True), width=6)


def _rates() -> Iterator[Panel]:
    by_day = select("alarm", {"raised": f"count({field('alarm', 'text')})"}, by=("priority",),
                    every="1d", having=_RAISED)
    yield lines("Raised each day, by priority", [Query(text=by_day, alias="$tag_priority")],
                names={}, bars=True, low=0, decimals=0, limit=150,
                doc="ISA-18.2 takes about 150 a day for one person as acceptable.")
    by_ten = select("alarm", {"raised": f"count({field('alarm', 'text')})"}, by=(), every="10m",
                    having=_RAISED)
    yield lines("Raised in ten minutes", [Query(text=by_ten, alias="raised")], names={},
                bars=True, low=0, decimals=0, limit=10,
                doc="More than 10 in 10 minutes is a flood (ISA-18.2).")


def _which(names: Names) -> Iterator[Panel]:
    by_condition = select("alarm", {"raised": f"count({field('alarm', 'text')})"},
                          by=("condition", "asset"), every=None, having=_RAISED)
    yield table("Which condition, of what", [Query(text=by_condition, table=True)], names=names,
                sort="raised", height=9,
                doc="The few at the top are where a setting or a repair helps most.")
    by_people = select("alarm", {"count": f"count({field('alarm', 'text')})"},
                       by=("transition",), every=None)
    yield table("What happened to them", [Query(text=by_people, table=True)], names={},
                sort="count", height=9)


def _log(names: Names) -> Iterator[Panel]:
    text = {"text": field("alarm", "text"), "by": field("alarm", "by"),
            "why": field("alarm", "why")}
    moves = select("alarm", text, by=("asset", "condition", "transition", "priority"), every=None)
    yield table("One after the other", [Query(text=moves, table=True)], names=names, width=24,
                height=14, hide=(), sort="when",
                columns={"text": {"custom.cellOptions": {"type": "auto", "wrapText": True}},
                         "when": {"custom.width": 160}})
    events = select("fact", {"text": field("fact", "text")}, by=("fact",), every=None)
    yield table("What the collector noted of itself", [Query(text=events, table=True)], names={},
                width=24, height=8, hide=(), sort="when",
                columns={"when": {"custom.width": 160}})
