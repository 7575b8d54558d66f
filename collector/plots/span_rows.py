"""The rows of marked time spans above a plot, each span with a shape and a word.

Spans that would overlap are put on up to three rows. A span without room for its word keeps its
shape; spans without room on any row are counted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from collector.plots.axes import Frame, Span, SpanKind, width_of
from collector.plots.shapes import Area, Line, Shape, Text, box

ROW = 18
"""Height of one row."""
_MOST, _MARK, _NEAR, _MANY = 3, 13, 5, 12


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedSpan:
    """A span on its row; ``word`` is written at ``at``, and is empty where it has no room."""

    span: Span
    row: int | None
    left: float
    right: float
    word: str = ""
    at: float = 0.0
    anchor: str = "start"


def _merged(spans: Sequence[Span], frame: Frame) -> list[tuple[Span, str]]:
    """Join spans of one word that are too near each other to be seen apart."""
    kept: list[tuple[Span, int]] = []
    latest: dict[tuple[str, SpanKind], int] = {}
    for span in sorted(spans, key=lambda s: (s.start, s.word)):
        end = frame.end if span.end is None else span.end
        if end < frame.start or span.start > frame.end:
            continue
        at = latest.get((span.word, span.kind))
        if at is not None:
            before, count = kept[at]
            last = frame.end if before.end is None else before.end
            if frame.x(span.start) - frame.x(last) < _NEAR:
                longest = None if None in (before.end, span.end) else max(last, end)
                kept[at] = replace(before, end=longest), count + 1
                continue
        latest[(span.word, span.kind)] = len(kept)
        kept.append((span, 1))
    return [(span, f"{span.word} ×{count}" if count > 1 else span.word) for span, count in kept]


def _named_once(merged: Sequence[tuple[Span, str]]) -> list[tuple[Span, str]]:
    """Return the spans; of many, only the first of each word keeps its word, with their number."""
    counts = Counter((span.word, span.kind) for span, _ in merged)
    named: list[tuple[Span, str]] = []
    for span, _ in merged:
        count = counts.pop((span.word, span.kind), 0)
        named.append((span, f"{span.word} ×{count}" if count > 1 else span.word if count else ""))
    return named


def placed(spans: Sequence[Span], frame: Frame) -> list[PlacedSpan]:
    """Return each span with its row, the earliest first."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(_MOST)]
    found: list[PlacedSpan] = []
    merged = _merged(spans, frame)
    if len(merged) > _MANY:
        merged = _named_once(merged)
    for span, word in merged:
        left = frame.x(span.start)
        right = max(frame.x(frame.end if span.end is None else span.end), left + 3)
        width = width_of(word, bold=span.kind is SpanKind.ALARM)
        choices = [
            (word, left + _MARK, "start", left, max(right, left + _MARK + width)),
            (word, left - 5, "end", left - 5 - width, max(right, left + _MARK)),
            ("", 0.0, "start", left, max(right, left + _MARK)),
        ][0 if word else 2:]
        found.append(_first_fit(span, left, right, choices, taken, frame))
    return found


_Choice = tuple[str, float, str, float, float]


def _first_fit(
    span: Span, left: float, right: float, choices: Sequence[_Choice],
    taken: list[list[tuple[float, float]]], frame: Frame,
) -> PlacedSpan:
    for word, at, anchor, first, last in choices:
        if word and (first < frame.left - 4 or last > frame.right + 4):
            continue
        for row, busy in enumerate(taken):
            if all(last + 4 < a or first - 4 > b for a, b in busy):
                busy.append((first, last))
                return PlacedSpan(span=span, row=row, left=left, right=right, word=word, at=at,
                              anchor=anchor)
    return PlacedSpan(span=span, row=None, left=left, right=right)


def row_count(found: Sequence[PlacedSpan]) -> int:
    """Return the number of rows used."""
    return max((p.row + 1 for p in found if p.row is not None), default=0)


def washes(found: Sequence[PlacedSpan], frame: Frame) -> Iterator[Shape]:
    """Tint the background of each marked span."""
    for kind in SpanKind:
        areas = [p for p in found if p.span.kind is kind]
        if areas:
            yield Area(style=f"plot-{kind.value}-wash", runs=[
                ((p.left, frame.top), (p.right, frame.top),
                 (p.right, frame.bottom), (p.left, frame.bottom)) for p in areas
            ])


def span_shapes(found: Sequence[PlacedSpan], frame: Frame, top: float) -> Iterator[Shape]:
    """Return the shapes of the spans, the first row nearest to the plot."""
    count = row_count(found)
    for p in found:
        if p.row is None:
            continue
        base = top + (count - 1 - p.row) * ROW + ROW / 2
        yield from _mark(p, base)
        if p.word:
            yield Text(style=f"plot-{p.span.kind.value}-word", x=p.at, y=base + 1.5, text=p.word,
                       anchor=p.anchor)
    more = sum(p.row is None for p in found)
    if more:
        yield Text(style="plot-word", x=frame.right, y=top - 4, text=f"and {more} more",
                   anchor="end")


def _mark(p: PlacedSpan, base: float) -> Iterator[Shape]:
    """Draw a filled triangle, a hollow square or a hollow diamond, and how long it lasts."""
    style, x, line = f"plot-{p.span.kind.value}", p.left, base + 5
    note = p.span.word
    match p.span.kind:
        case SpanKind.ALARM:
            yield Area(style=style, note=note, runs=(
                ((x, base + 2), (x + 5, base - 7), (x + 10, base + 2)),))
            yield box(style, x, line - 1.2, p.right, line + 1.2)
        case SpanKind.SUPPRESSED:
            yield box(style, x, base - 6, x + 8, base + 2, note)
            yield Line(style=style, runs=(((x, line), (p.right, line)),))
        case SpanKind.SILENT:
            yield Line(style=style, runs=(
                ((x + 5, base - 7), (x + 9, base - 2), (x + 5, base + 3), (x + 1, base - 2),
                 (x + 5, base - 7)), ((x, line), (p.right, line))))
