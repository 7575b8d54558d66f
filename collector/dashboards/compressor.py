"""Dashboard of compressor wear: duty, starts, delivery, demand, energy, next service."""

from __future__ import annotations

from collections.abc import Iterator

from collector.dashboards.page import Page, cautions, happenings, names_of, tails
from collector.dashboards.panels import Names, Panel, lines, table
from collector.dashboards.queries import Query, estimate, field, select
from collector.domain.plant import Plant

__all__ = ["page"]


def page(plant: Plant | None) -> Page:
    """Return the page."""
    names = names_of(plant)
    return Page(
        name="compressor", title="Compressor and service", since="now-30d",
        annotations=(happenings(),),
        doc="How much the compressors run, what they deliver, and when they are due.",
        panels=[*_service(names), *_running(names), *_delivery(names), *_energy(plant, names),
                cautions("compressor")],
    )


def _service(names: Names) -> Iterator[Panel]:
    due = select("estimate", {"hours left": f"last({field('estimate', 'value')})"}, every=None,
                 having={"quantity": "hours-to-service"})
    yield table("Hours to the next service", [Query(text=due, table=True)], names=names, width=8,
                height=7, sort="hours left", descending=False, decimals=0)
    counters = select("generator", {"hours": f"last({field('generator', 'running_hours')})",
                                    "starts": f"last({field('generator', 'start_count')})"},
                      every=None)
    yield table("Counters", [Query(text=counters, table=True)], names=names, width=8, height=7,
                decimals=0, doc="As the controller tells them; a new counter begins at nought.")
    worked = select("generator", {
        "hours in this time": f"spread({field('generator', 'running_hours')})",
        "starts in this time": f"spread({field('generator', 'start_count')})"}, every=None)
    yield table("In the time shown", [Query(text=worked, table=True)], names=names, width=8,
                height=7, decimals=0)


def _running(names: Names) -> Iterator[Panel]:
    share = select("generator", {
        "share": f"mean({field('generator', 'compressor_running')}) * 100"}, every="1h")
    yield lines("Running, % of each hour", [Query(text=share, alias="$tag_asset")], names=names,
                low=0, high=100, decimals=0,
                doc="From the contact as it was read, so a gap counts as nothing at all.")
    yield lines("Duty of the day, %", [estimate("compressor-duty")], names=names, low=0, high=100,
                tails=tails("%"), decimals=0)
    inner = select("generator", {"count": f"last({field('generator', 'start_count')})"},
                   every="1h")
    starts = (f'SELECT non_negative_difference("count") AS "starts" FROM ({inner}) '
              'WHERE $timeFilter GROUP BY "asset"')
    yield lines("Starts in each hour", [Query(text=starts, alias="$tag_asset")], names=names,
                low=0, decimals=0, bars=True)
    yield lines("Pump-up time, min", [estimate("pump-up-time")], names=names,
                tails=tails("min"), low=0,
                doc="From cut-in to cut-out. It lengthens with demand as well as with wear; the "
                    "delivery tells them apart.")


def _delivery(names: Names) -> Iterator[Panel]:
    yield lines("Delivery of the compressor", [estimate("compressor-delivery")], names=names,
                tails=tails("scfh", "scfm", "L/h"), decimals=2,
                doc="From the slopes of the tank with the compressor on and off: what wear takes.")
    yield lines("Nitrogen demand", [estimate("nitrogen-demand")], names=names, low=0, decimals=2,
                tails=tails("scfh", "L/h"))


def _energy(plant: Plant | None, names: Names) -> Iterator[Panel]:
    yield lines("Energy of the day, kWh", [estimate("energy")], names=names, low=0, bars=True,
                tails=tails("kWh"), doc="Only where the site file says what the compressor draws.")
    money = [g.currency for g in plant.generators.values()] if plant is not None else []
    yield lines("Its cost", [estimate("energy-cost")], names=names, low=0, decimals=2, bars=True,
                tails=tails(*money), doc="In the currency of the site file.")
