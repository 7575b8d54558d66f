"""Sections of a report: gauge readings for inspections, and how much of the period has data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from weakref import WeakKeyDictionary

from collector.domain.conditions import VALVE_ROOM_LEAST
from collector.domain.plant import Riser
from collector.domain.readings import TrendStep, split_point
from collector.domain.units import duration_text
from collector.plots import Bar, BarKind, Bars, bridge, stretches, usual
from collector.reports.report_data import (
    Block,
    Bullets,
    Figure,
    Heading,
    Paragraph,
    ReportData,
    Table,
    title_of,
)
from collector.reports.times import day_words, instant_words, marks

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
    """Yield the gauge readings at the intervals, and a list of the inspections still needed."""
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


_WHOLE = 0.9995


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Share of the period with valid data of a point; ``gaps`` are (start, end) in ms."""

    point: str
    share: float
    gaps: tuple[tuple[int, int], ...]

    @property
    def longest(self) -> int:
        """The longest gap, ms."""
        return max((b - a for a, b in self.gaps), default=0)


_SEEN: WeakKeyDictionary[ReportData, tuple[Seen, ...]] = WeakKeyDictionary()


def seen(g: ReportData) -> tuple[Seen, ...]:
    """Return the valid data of each point in the period; computed once."""
    if g not in _SEEN:
        _SEEN[g] = tuple(_seen(g, p) for p in g.points)
    return _SEEN[g]


def _seen(g: ReportData, point: str) -> Seen:
    """Compare the readings of each step with the number its device's poll interval gives.

    Without a device in the site file the usual count of the steps is taken instead.
    """
    steps = g.trend(point)
    source = g.plant.source_of(point)
    full = [s.count for s in steps if s.count]
    # A slow point in short steps has one reading to several of them.
    pace = max(usual(steps), g.step)
    per_ms = 1 / source.every if source is not None else median(full) / pace if full else 0.0
    got = sum(min(s.count, max(s.end - s.start, pace) * per_ms) for s in steps)
    wanted = (g.end - g.start) * per_ms
    return Seen(point=point, share=got / wanted if wanted else 0.0, gaps=_gaps(steps))


def _gaps(steps: Sequence[TrendStep]) -> tuple[tuple[int, int], ...]:
    """Return the gaps between the stretches of readings that belong together.

    At the ends of the period a distance shorter than the usual one is no gap either.
    """
    found: list[tuple[int, int]] = []
    reached, near = steps[0].start, bridge(steps)
    for run in stretches(steps):
        if run[0].start - reached > near:
            found.append((reached, run[0].start))
        reached = run[-1].end
    if steps[-1].end - reached > near:
        found.append((reached, steps[-1].end))
    return tuple(found)


def coverage(g: ReportData) -> Iterator[Block]:
    """Yield the share of valid data of each point, and the gaps."""
    yield Heading(text="Valid data")
    if not g.points:
        yield Paragraph(text="No reading is in the journal, and no device is in the site file.")
        return
    if g.first is not None and g.first > g.start:
        yield Paragraph(strong=True, text=(
            f"The journal begins at {instant_words(g.first, g.zone)}, after the period's start; "
            "the time before it counts as without data."))
    all_seen = seen(g)
    yield Table(
        header=("What", "Seen", "Gaps", "Longest gap", "From"), widths=(4, 1, 1, 1.3, 2),
        align="LRRRL",
        rows=list(_rows(g, all_seen)))
    yield Paragraph(soft=True, text=(
        f"Gaps are listed in steps of {duration_text(g.step)}; shorter ones are in the percentage. "
        "Only valid readings count."))
    yield Figure(figure=_strips(g, all_seen))


def _rows(g: ReportData, all_seen: Sequence[Seen]) -> Iterator[tuple[str, ...]]:
    """Yield a row for each point; an asset without gaps has one for all its points."""
    for thing in g.plant.things():
        own = [s for s in all_seen if split_point(s.point)[0] == thing.id]
        if len(own) > 1 and all(s.share > _WHOLE and not s.gaps for s in own):
            yield f"{thing.name}: all {len(own)} points", "100 %", "0", "none", ""
            continue
        for s in own:
            longest = max(s.gaps, key=lambda gap: gap[1] - gap[0], default=None)
            yield (f"{thing.name}: {g.quantity(s.point).label}", f"{s.share * 100:.1f} %",
                   str(len(s.gaps)), duration_text(s.longest) if longest else "none",
                   instant_words(longest[0], g.zone) if longest else "")


def _strips(g: ReportData, all_seen: Sequence[Seen]) -> Bars:
    rows: list[tuple[str, list[Bar]]] = []
    for thing in g.plant.things():
        own = [s for s in all_seen if split_point(s.point)[0] == thing.id]
        if not own:
            continue
        # An asset has data where any of its points has: the gap is what all of them share.
        gaps = [gap for gap in own[0].gaps
                if all(any(a <= gap[0] and gap[1] <= b for a, b in s.gaps) for s in own)]
        reached, bars = g.start, []
        for start, end in [*gaps, (g.end, g.end)]:
            if start > reached:
                bars.append(Bar(start=reached, end=start, kind=BarKind.RUN))
            reached = end
        rows.append((thing.name[:22], bars))
    return Bars(title="When each thing was read", start=g.start, end=g.end,
                zone=g.plant.site.timezone, rows=rows, key="coverage",
                description="A bar where there are readings, a gap where there are none.")


def not_monitored(g: ReportData) -> Iterator[Block]:
    """Yield the list of conditions that are not monitored, with the reasons."""
    yield Heading(text="Not monitored")
    if not g.not_monitored:
        yield Paragraph(text="Every condition that applies here is monitored.")
        return
    yield Paragraph(text=(
        "These conditions could not have been noticed, by the site file as it is now:"))
    by_title = [(f"{title_of(n.condition)}, {g.name(n.asset)}", n.reason) for n in g.not_monitored]
    yield Bullets(items=[f"{what}: {why}" for what, why in by_title])
