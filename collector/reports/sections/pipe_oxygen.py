"""Oxygen in the pipe, its exposure, and oxygen in the rooms where people work."""

from __future__ import annotations

from collections.abc import Iterator

from collector.domain.formatting import duration_text
from collector.reports.blocks import Block, Heading, Paragraph, Table
from collector.reports.report_data import ReportData
from collector.reports.report_plots import level, reading_figure
from collector.reports.times import instant_words
from collector.reports.totals import number, total

__all__ = ["oxygen"]


def oxygen(g: ReportData) -> Iterator[Block]:
    """Yield the oxygen at the vents, the exposure, and the rooms."""
    vents = [v for v in g.plant.vents.values() if g.has(f"{v.id}.oxygen")]
    rooms = [r for r in g.plant.rooms.values() if g.has(f"{r.id}.oxygen")]
    if not vents and not rooms and not g.assets_with("oxygen-exposure"):
        return
    yield Heading(text="Oxygen")
    for vent in vents:
        name = g.name(vent.riser)
        yield reading_figure(g, f"{vent.id}.oxygen", f"{name}: oxygen at {vent.name}",
                             asset=vent.id, floor=0.0, levels=level(
                                 g.limit("oxygen-not-falling", vent.id), "target"))
    yield from _exposure(g)
    for room in rooms:
        yield reading_figure(g, f"{room.id}.oxygen", f"{room.name}: oxygen where people work",
                             asset=room.id,
                             levels=level(g.limit("room-oxygen-low", room.id), "limit"))


def _exposure(g: ReportData) -> Iterator[Block]:
    assets = g.assets_with("oxygen-exposure")
    rows = []
    for asset in assets:
        found = total(g, "oxygen-exposure", asset)
        if found is not None:
            done = g.estimates("purge-completion", asset)
            rows.append((g.name(asset), number(found.value, found.unit),
                         duration_text(found.covered),
                         number(done[-1].value or 0.0, done[-1].unit) if done else "–",
                         instant_words(done[-1].time, g.zone) if done else "–"))
    if not rows:
        return
    yield Heading(text="Oxygen exposure", level=2)
    yield Paragraph(soft=True, text=(
        "How far oxygen was above its target, times how long: what rusts a wet pipe. A pipe that "
        "stands 3 % above its target has 3 percent-days of it a day."))
    yield Table(header=("Where", "Exposure", "Over", "Purge completion", "As of"), rows=rows,
                widths=(2.4, 1.6, 1.4, 1.6, 2), align="LRRRR")
