"""Valid data of each point in the period, the gaps, and what was not monitored."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from weakref import WeakKeyDictionary

from collector.domain.formatting import duration_text
from collector.domain.readings import split_point
from collector.domain.trends import TrendStep
from collector.plots import Bar, BarKind, Bars
from collector.plots.series import bridge, stretches, usual
from collector.reports.blocks import Block, Bullets, Figure, Heading, Paragraph, Table
from collector.reports.report_data import ReportData, title_of
from collector.reports.times import instant_words

__all__ = ["Seen", "coverage", "not_monitored", "seen"]


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
