"""Gauge readings at the intervals of inspections, and the inspections still needed on site.

Intervals: air-pressure gauges weekly, monthly where a low-pressure alarm is supervised; valve
enclosure at 40 °F (4 °C) or more (NFPA 25, as a municipal checklist to its 2014 edition restates
it); low-air alarm tested each quarter (NFPA 25 chapter 13, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from collector.domain.limits import VALVE_ROOM_LEAST
from collector.domain.plant import Riser
from collector.reports.blocks import Block, Bullets, Heading, Paragraph, Table
from collector.reports.report_data import ReportData
from collector.reports.times import day_words, instant_words, marks

__all__ = ["INSPECTIONS", "gauges", "low_air_tests"]

INSPECTIONS = (
    "gauges: undamaged, and reading the same as is reported here",
    "control valves: open, in their normal position, sealed, locked or supervised, no leaks",
    "dry or preaction valve: no damage outside, trim valves in place, no leak from the "
    "intermediate chamber",
    "low points: drained before the cold, and after water was reported at a vent",
    "the low-air alarm: tested each quarter by bleeding down, not by these readings",
    "the valve enclosure: heated, dry, reachable",
    "generator and compressor: oil, filters, drain, belt, unusual noise or heat",
    "pipe, hangers and heads: no damage, no corrosion, nothing hung from them",
)


def gauges(g: ReportData) -> Iterator[Block]:
    """Yield the gauge readings at the intervals, and the inspections they do not replace."""
    risers = [r for r in g.plant.risers.values() if f"{r.id}.pressure" in g.points]
    yield Heading(text="Gauge readings")
    if not risers:
        yield Paragraph(text="No riser's pressure is read here: every gauge needs inspection on "
                             "site.")
    else:
        yield Paragraph(soft=True, text=(
            "Read over the wire at 09:00 by the site's clock, the nearest reading within half an "
            "hour. NFPA 25 asks for air-pressure gauges weekly, or monthly where a low-pressure "
            "alarm is supervised; risers with a low-air switch wired here are listed monthly. "
            "Whether that switch is supervised as the standard means it, is for the authority "
            "having jurisdiction to say."))
    monthly = [r for r in risers if _has_switch(g, r)]
    weekly = [r for r in risers if r not in monthly]
    for some, often in ((weekly, False), (monthly, True)):
        for i in range(0, len(some), 5):
            yield from _readings(g, some[i:i + 5], monthly=often)
    yield from _enclosures(g)
    yield from _inspections(g)


def _has_switch(g: ReportData, riser: Riser) -> bool:
    return any(f"{riser.id}.low_air{leg}" in g.points for leg in ("", "_no", "_nc"))


def _readings(g: ReportData, risers: Sequence[Riser], *, monthly: bool) -> Iterator[Block]:
    points = [f"{r.id}.pressure" for r in risers]
    rows = []
    for at in marks(g.start, g.end, g.zone, monthly=monthly):
        found = g.at(points, at)
        rows.append((day_words(at, g.zone), *(
            _reading(g, r, found[p].value if p in found else None)
            for r, p in zip(risers, points, strict=True))))
    title = "Monthly" if monthly else "Weekly"
    yield Heading(text=f"{title}: {', '.join(r.name for r in risers)}", level=2)
    if not rows:
        yield Paragraph(text="The period holds no such day.")
        return
    yield Table(header=("09:00 on", *(r.name for r in risers)), rows=rows,
                widths=(1.6, *([1.4] * len(risers))), align="L" + "R" * len(risers))


def _reading(g: ReportData, riser: Riser, value: float | None) -> str:
    if value is None:
        return "no reading"
    words = g.axis(f"{riser.id}.pressure").words(value)
    low, high = g.limit("pressure-low", riser.id), g.limit("pressure-high", riser.id)
    if low is not None and value < low:
        return f"{words}, low"
    if high is not None and value > high:
        return f"{words}, high"
    return words


def _enclosures(g: ReportData) -> Iterator[Block]:
    rows = []
    for riser in g.plant.risers.values():
        point = f"{riser.id}.valve_room_temperature"
        lows = [(s.low, s.start) for s in g.trend(point) if s.low is not None]
        if not lows:
            continue
        low, at = min(lows)
        axis, least = g.axis(point), VALVE_ROOM_LEAST[g.plant.site.units]
        compared = "at or above" if low >= least else "below"
        rows.append((riser.name, axis.words(low), instant_words(at, g.zone),
                     f"{compared} {axis.words(least)}"))
    if rows:
        yield Heading(text="Valve enclosures", level=2)
        yield Table(header=("Where", "Coldest", "Around", ""), rows=rows, widths=(2, 1.2, 2, 2),
                    align="LRRL")


def low_air_tests(g: ReportData) -> list[tuple[str, int | None]]:
    """Return each riser with a low-air switch, and when it last operated in the period (ms)."""
    found: list[tuple[str, int | None]] = []
    for riser in g.plant.risers.values():
        if _has_switch(g, riser):
            worked = [s.start for s in g.trend(f"{riser.id}.low_air") if s.high]
            found.append((riser.name, worked[-1] if worked else None))
    return found


def _inspections(g: ReportData) -> Iterator[Block]:
    yield Heading(text="Inspections on site", level=2)
    yield Paragraph(text="A reading over the wire is no inspection. A person must still inspect:")
    yield Bullets(items=INSPECTIONS)
    tests = [f"{name}: the low-air switch "
             + ("did not operate in this period" if at is None
                else f"last operated around {instant_words(at, g.zone)}")
             for name, at in low_air_tests(g)]
    if tests:
        yield Bullets(items=tests)
