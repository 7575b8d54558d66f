"""Impairments and visits of a report's period, and whether the site is impaired at its end."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from collector.clock import parse_instant
from collector.domain.units import duration_text
from collector.reports.report_data import Block, Heading, Paragraph, ReportData, Table
from collector.reports.times import instant_words

_BEGUN = {"impairment-declared": "Impairment", "visit-begun": "Planned visit"}
_ENDED = {"impairment-ended": "Impairment", "visit-ended": "Planned visit"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """One impairment or visit; instants in ms, ``ended`` is ``None`` while it is in force."""

    kind: str
    asset: str
    since: int
    until: int
    ended: int | None
    by: str
    why: str


def declared(g: ReportData) -> list[Declared]:
    """Return the impairments and visits in force at any time of the period, oldest first."""
    open_: dict[tuple[str, str], Declared] = {}
    done: list[Declared] = []
    for fact in g.facts_of((*_BEGUN, *_ENDED)):
        kind = _BEGUN.get(fact.fact) or _ENDED[fact.fact]
        before = open_.pop((kind, fact.asset), None)
        if fact.fact in _BEGUN:
            since = fact.time if before is None else before.since
            open_[kind, fact.asset] = Declared(
                kind=kind, asset=fact.asset, since=since, ended=None,
                until=parse_instant(str(fact.values["until"])), by=str(fact.values["by"]),
                why=str(fact.values["why"]))
        elif before is not None:
            done.append(Declared(kind=kind, asset=fact.asset, since=before.since,
                                 until=before.until, ended=fact.time, by=before.by,
                                 why=before.why))
    found = [d for d in (*done, *open_.values()) if d.ended is None or d.ended > g.start]
    return sorted(found, key=lambda d: (d.since, d.asset))


def in_force(g: ReportData) -> Iterator[Block]:
    """Yield a line for each impairment or visit in force at the end of the period."""
    for one in declared(g):
        if one.ended is None:
            state = "Impaired" if one.kind == "Impairment" else "Planned visit"
            yield Paragraph(strong=True, text=(
                f"{state} until {instant_words(one.until, g.zone)}: {g.site_or_name(one.asset)}, "
                f"declared by {one.by}: {one.why.rstrip('.')}. Its alarms are suppressed."))


def windows(g: ReportData) -> Iterator[Block]:
    """List the impairments and visits of the period."""
    found = declared(g)
    if not found:
        return
    yield Heading(text="Impairments and visits")
    yield Table(
        header=("What", "Where", "From", "For", "Declared by", "Why"),
        widths=(1.5, 2, 2, 1.3, 1.5, 2.6),
        rows=[(d.kind, g.site_or_name(d.asset), instant_words(d.since, g.zone),
               duration_text(d.ended - d.since) if d.ended is not None
               else f"until {instant_words(d.until, g.zone)}", d.by, d.why) for d in found])
