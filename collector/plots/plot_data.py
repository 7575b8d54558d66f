"""The data of a plot: series, limits, spans and strips. Units of record, ms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from collector.domain.trends import TrendStep
from collector.plots.axes import Axis

__all__ = ["Band", "Bar", "BarKind", "Bars", "Curve", "Level", "Plot", "Span", "SpanKind"]


class SpanKind(StrEnum):
    """The kind of a marked time span; each has a shape of its own."""

    ALARM = "alarm"
    SUPPRESSED = "suppressed"
    """Suppressed on purpose: shelved, a declared fill, out of service."""
    SILENT = "silent"
    """Without data."""


class BarKind(StrEnum):
    """The kind of a bar; each has a look of its own."""

    RUN = "run"
    ALARM = "alarm"
    MUTED = "muted"


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Trend steps: a band from least to most, a line through the means, gaps left open."""

    label: str
    steps: Sequence[TrendStep]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Single values; ``None`` opens a gap. ``expected`` marks a prediction."""

    label: str
    points: Sequence[tuple[int, float | None]]
    expected: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A limit: a line across the plot with its name and value."""

    value: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A marked time span with a word; ``end`` is ``None`` while it lasts."""

    start: int
    end: int | None
    word: str
    kind: SpanKind = SpanKind.ALARM


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Series over time. The axis includes ``floor`` and ``ceiling``.

    ``key`` keeps the ids of several plots on one page apart. Readings can go as far as ``known``
    (``end`` unless given): the time after it is the future, not a gap.
    """

    title: str
    start: int
    end: int
    zone: str
    axis: Axis
    description: str = ""
    series: Sequence[Band | Curve] = ()
    levels: Sequence[Level] = ()
    spans: Sequence[Span] = ()
    floor: float | None = None
    ceiling: float | None = None
    known: int | None = None
    width: int = 720
    height: int = 240
    key: str = "plot"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One bar of a strip."""

    start: int
    end: int
    word: str = ""
    kind: BarKind = BarKind.RUN


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """Strips over time, one to a row: runs of a compressor, hours with data."""

    title: str
    start: int
    end: int
    zone: str
    rows: Sequence[tuple[str, Sequence[Bar]]]
    description: str = ""
    width: int = 720
    key: str = "bars"
