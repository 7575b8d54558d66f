"""Dashboard of purges: oxygen at the vents, the product's oxygen, forecast of completion."""

from __future__ import annotations

from collections.abc import Iterator

from collector.dashboards.now import limits, state
from collector.dashboards.page import Page, cautions, happenings, names_of, tails
from collector.dashboards.panels import (
    LIMIT,
    Names,
    Panel,
    contact_words,
    lines,
    state_timeline,
    table,
)
from collector.dashboards.queries import PLAIN, PRESSURE, Query, estimate, field, select
from collector.domain.plant import Plant

__all__ = ["page"]


def page(plant: Plant | None) -> Page:
    """Return the page."""
    names = names_of(plant)
    return Page(
        name="purge", title="Purge", since="now-14d", annotations=(happenings(),),
        doc="Is oxygen falling as it should, and when will it be done?",
        panels=[*_oxygen(plant, names), *_progress(names), *_supply(names), *_vents(names),
                cautions("oxygen", "impairment")],
    )


def _oxygen(plant: Plant | None, names: Names) -> Iterator[Panel]:
    oxygen = Query(text=select("vent", {"oxygen": f"mean({field('vent', 'oxygen')})"}),
                   alias="$tag_asset")
    targets = {} if plant is None else {
        v.id: {"target": v.target_oxygen} for v in plant.vents.values()
        if v.target_oxygen is not None}
    yield lines("Oxygen at the vents, %", [oxygen, *limits("vent", "oxygen", PLAIN, targets)],
                names=names, tails=("", f" target {LIMIT}"), width=24, height=10, low=0,
                doc="The end of the pipe by the vent reads low before the rest does: dead legs "
                    "lag.")


def _progress(names: Names) -> Iterator[Panel]:
    done = select("estimate", {"done at": f"last({field('estimate', 'value')}) * 1000",
                               "earliest": f"last({field('estimate', 'low')}) * 1000",
                               "latest": f"last({field('estimate', 'high')}) * 1000"},
                  every=None, having={"quantity": "purge-done-at"})
    date = {"unit": "dateTimeAsLocal"}
    yield table("Done at", [Query(text=done, table=True)], names=names, width=12, height=6,
                columns={"done at": date, "earliest": date, "latest": date},
                doc="When the vent will read its target if all goes on as now, with its interval. "
                    "Empty where the readings do not support an answer.")
    why = select("estimate", {"why not": f"last({field('estimate', 'reason')})"}, every=None,
                 by=("asset", "quantity"), like={"quantity": "^(purge|oxygen)-"})
    yield table("Why there is no answer", [Query(text=why, table=True)], names=names, width=12,
                height=6, doc="The last reason given for each quantity, of any age in this time.")
    yield lines("Purge completion, %", [estimate("purge-completion")], names=names,
                tails=tails("%"), low=0, high=100, decimals=0)
    yield lines("Time constant, h", [estimate("purge-time-constant")], names=names,
                tails=tails("h"),
                doc="The time in which the distance to the product's oxygen falls to 37 %.")


def _supply(names: Names) -> Iterator[Panel]:
    product = Query(text=select("generator", {
        "product": f"mean({field('generator', 'product_oxygen')})"}), alias="$tag_asset")
    yield lines("Oxygen of the product that feeds them, %", [product], names=names, low=0,
                doc="Common practice is 98 % ± 1 % nitrogen.")
    pressure = Query(text=select("riser", {
        "pressure": f"mean({field('riser', 'pressure')}){PRESSURE.convert}"}), alias="$tag_asset")
    yield lines(f"Supervisory pressure, {PRESSURE.name}", [pressure], names=names)


def _vents(names: Names) -> Iterator[Panel]:
    yield state_timeline("Vent", [state("vent", "open", "vent")],
                contact_words("shut", "open", bad=False), names=names, tails=(" vent",))
    yield state_timeline("Water at vent", [state("vent", "water", "water")],
                contact_words("dry", "water", bad=True), names=names, tails=(" water",),
                doc="Trapped water can block a purge path.")
    yield lines("What the pipe suffers each day, percent-days above target",
                [estimate("oxygen-exposure")], names=names, width=24, low=0,
                tails=tails("% d"))
