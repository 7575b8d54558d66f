"""The commissioning sheet: each point as the program reads it, beside what the display shows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from collector.clock import format_instant
from collector.domain.conditions import CAUTIONS
from collector.pdf import PdfDocument

_HEADS = ("Point", "Register", "Raw", "Read", "Shown", "Difference", "By", "Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One point, compared."""

    point: str
    register: str
    raw: str
    """The raw words, in hex."""
    value: str
    """What the profile makes of them, with its unit."""
    shown: str
    """What the display or the analyser showed."""
    difference: str
    by: str
    at: int
    agrees: bool | None
    """``None`` where nothing was shown to compare with."""
    doubt: str = ""

    @property
    def result(self) -> str:
        if self.agrees is None:
            return "not compared"
        word = "agrees" if self.agrees else "DIFFERS"
        return f"{word}, doubtful" if self.doubt and self.agrees else word

    def cells(self) -> tuple[str, ...]:
        return (self.point, self.register, self.raw, self.value, self.shown or "–",
                self.difference or "–", f"{self.by}, {format_instant(self.at)[11:16]}Z",
                self.result)


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissioningRecord:
    """The rows of a site, signed."""

    site: str
    zone: str
    by: str
    signed: int
    rows: Sequence[Row]

    @property
    def proven(self) -> bool:
        """Whether every row was compared and agrees."""
        return bool(self.rows) and all(row.agrees for row in self.rows)

    def text(self) -> str:
        rows = [_HEADS, *(row.cells() for row in self.rows)]
        widths = [max(len(row[n]) for row in rows) for n in range(len(_HEADS))]
        lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip()
                 for row in rows]
        doubts = [f"{row.point}: {row.doubt}" for row in self.rows if row.doubt]
        return "\n".join([
            f"Commissioning sheet: {self.site}", "", *lines, "", *doubts,
            f"Signed by {self.by}, {format_instant(self.signed)}.", ""])

    def json(self) -> str:
        data: dict[str, Any] = asdict(self)
        return json.dumps(data, indent=1) + "\n"

    def pdf(self) -> bytes:
        paper = PdfDocument(site=self.site, period=format_instant(self.signed)[:10],
                            title="Commissioning sheet", made=self.signed, zone=self.zone)
        paper.paragraph(
            "Each point as the device profile reads it, beside what the controller's display or an "
            "analyser showed at the same time.")
        paper.table(_HEADS, [row.cells() for row in self.rows],
                    widths=(5, 5, 3, 3, 3, 3, 3, 3))
        doubts = [f"{row.point}: {row.doubt}" for row in self.rows if row.doubt]
        if doubts:
            paper.heading("Doubtful", level=2)
            paper.bullets(doubts)
        paper.heading("Signature", level=2)
        paper.signatures([(self.by, "Technician", format_instant(self.signed))])
        paper.box("Cautions", [CAUTIONS[n] for n in ("not-a-fire-alarm", "only-reads")])
        return paper.bytes()
