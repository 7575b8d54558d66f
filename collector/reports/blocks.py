"""The blocks of a report from top to bottom, the same for page, PDF and message."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.plots import Bars, Plot

__all__ = ["Block", "Box", "Bullets", "Figure", "Heading", "Pairs", "Paragraph", "Report", "Table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading of level 1 to 3."""

    text: str
    level: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph; ``soft`` for what explains, ``strong`` for what matters most."""

    text: str
    soft: bool = False
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list, numbered where the order matters."""

    items: Sequence[str]
    numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a header; ``align`` has L or R for each column, L where it has none."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]
    align: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Names with their values."""

    pairs: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A plot or strips; its title is its caption."""

    figure: Plot | Bars


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """Lines in a frame, such as the cautions."""

    title: str
    lines: Sequence[str]


Block = Heading | Paragraph | Bullets | Table | Pairs | Figure | Box


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A whole report. ``start``, ``end`` and ``made`` are ms since 1970 UTC."""

    title: str
    site: str
    period: str
    zone: str
    start: int
    end: int
    made: int
    version: str
    blocks: Sequence[Block]
