"""The commissioning sheet: each point by the finished profile, beside what the display shows."""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any
from zoneinfo import ZoneInfo

from collector.clock import format_instant
from collector.commissioning.decodings import UNIT_NAMES, UNITS, NotShown, parse_shown
from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.interview import Frame, Interview, choice
from collector.commissioning.profile_text import FoundPoint
from collector.commissioning.questions import PacedClient, Vanished
from collector.domain.conditions import CAUTIONS
from collector.domain.readings import MODES, QUANTITIES, Quality, Quantity, split_point
from collector.domain.units import local_time, scale_of, time_text, value_text
from collector.pdf import PdfDocument
from collector.sources import DeviceSettings, PointSettings
from collector.sources.read_plan import PointDecoder, Raw

_HEADS = ("Point", "Register", "Raw", "Read", "Shown", "Difference", "By", "Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One point, compared."""

    point: str
    register: str
    raw: str
    """The raw words, in hex."""
    value: str
    """What the profile makes of them, with its unit; before and after the answer if it moved."""
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
        """The outcome in a word."""
        if self.agrees is None:
            return "not compared"
        word = "agrees" if self.agrees else "DIFFERS"
        return f"{word}, doubtful" if self.doubt and self.agrees else word

    def cells(self) -> tuple[str, ...]:
        """Return the columns of the table."""
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

    def frame(self) -> Frame:
        """Return what a person looks at before signing."""
        rows = tuple((row.point.replace(".", " ").replace("_", " "), row.value, row.shown or "–",
                      row.result) for row in self.rows)
        return Frame(title="Commissioning sheet", head=("point", "read", "shown", "result"),
                     rows=rows, notes=tuple(f"{row.point}: {row.doubt}" for row in self.rows
                                            if row.doubt))

    def text(self) -> str:
        """Return it as a table of text."""
        rows = [_HEADS, *(row.cells() for row in self.rows)]
        widths = [max(len(row[n]) for row in rows) for n in range(len(_HEADS))]
        lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip()
                 for row in rows]
        doubts = [f"{row.point}: {row.doubt}" for row in self.rows if row.doubt]
        return "\n".join([
            f"Commissioning sheet: {self.site}", "", *lines, "", *doubts,
            f"Signed by {self.by}, {format_instant(self.signed)}.", ""])

    def json(self) -> str:
        """Return it as JSON."""
        data: dict[str, Any] = asdict(self)
        return json.dumps(data, indent=1) + "\n"

    def pdf(self) -> bytes:
        """Return it as PDF."""
        paper = PdfDocument(site=self.site, period=format_instant(self.signed)[:10],
                            title="Commissioning sheet", made=self.signed, zone=self.zone)
        paper.paragraph(
            "Each point as the device profile reads it, beside what the controller's display or an "
            "analyser showed at the same time.")
        zone = ZoneInfo(self.zone)
        paper.table(_HEADS, [
            (row.point.replace(".", " ").replace("_", " "), *row.cells()[1:6],
             f"{row.by}, {local_time(row.at, zone):%H:%M}", row.result) for row in self.rows],
            widths=(5, 5, 3, 3, 3, 3, 3, 3))
        doubts = [f"{row.point}: {row.doubt}" for row in self.rows if row.doubt]
        if doubts:
            paper.heading("Doubtful", level=2)
            paper.bullets(doubts)
        paper.heading("Signature", level=2)
        paper.signatures([(self.by, "Technician", time_text(self.signed, zone))])
        paper.box("Cautions", [CAUTIONS[n] for n in ("not-a-fire-alarm", "only-reads")])
        return paper.bytes()


class Proof:
    """Reads the points of one device by its profile, and asks what the display shows."""

    def __init__(self, interview: Interview, thread: DeviceThread, device: DeviceSettings,
                 found: Mapping[str, FoundPoint], kinds: Mapping[str, str], units: str, by: str,
                 ) -> None:
        self._interview, self._thread, self._device = interview, thread, device
        self._found, self._kinds, self._units, self._by = found, kinds, units, by

    def rows(self) -> list[Row]:
        """Return a row for each point that this commissioning found."""
        return [self._row(point) for point in self._device.points if point.point in self._found]

    def _row(self, point: PointSettings) -> Row:
        state, key = self._interview.state, f"prove.{point.point}"
        if f"{key}.row" in state.found:
            self._interview.ask(key, "", optional=True)
            return Row(**state.found[f"{key}.row"])
        self._interview.forget(key)
        asset, name = split_point(point.point)
        quantity = QUANTITIES[self._kinds[asset]][name]
        before, _ = self._read(point)
        unit = self._unit(quantity)
        what = "on or off" if quantity.is_contact else ", ".join(MODES) \
            if quantity.unit == "mode" else UNIT_NAMES.get(unit, unit)
        shown = self._interview.ask(
            key, f"{asset}: {quantity.label} now" + (f", {what}" if what else ""), optional=True,
            enter="not compared", check=functools.partial(_wrong, quantity, unit),
            explain="As the display or an analyser shows it at this moment.")
        value, raw = self._read(point)
        agrees, difference = self._compare(quantity, shown, before, value)
        row = Row(
            point=point.point, register=self._found[point.point].where, raw=raw,
            value=self._between(quantity, before, value),
            shown={"y": "on", "n": "off"}.get(shown.lower(), shown) if quantity.is_contact
            else shown,
            difference=difference, by=self._by, at=state.spans[key][1], agrees=agrees,
            doubt=self._found[point.point].doubt)
        state.found[f"{key}.row"] = {name: getattr(row, name) for name in Row.__slots__}
        self._interview.save()
        self._interview.say(f"  read {row.value} from {row.raw}: {row.result}")
        return row

    def _unit(self, quantity: Quantity) -> str:
        unit = {"psi": "psi" if self._units == "us" else "bar",
                "degC": "degF" if self._units == "us" else "degC"}.get(quantity.unit, quantity.unit)
        return unit if unit in UNITS.get(quantity.unit, {}) else ""

    def _between(self, quantity: Quantity, before: float | None, value: float | None) -> str:
        """Return what was read before and after the answer: one value where both read alike."""
        if value is None:
            return "no value"
        first, last = self._words(quantity, value if before is None else before), self._words(
            quantity, value)
        return last if first == last else f"{first} to {last}"

    def _words(self, quantity: Quantity, value: float) -> str:
        if quantity.unit == "mode":
            return MODES[int(value)]
        if quantity.is_contact:
            return "on" if value else "off"
        digits = 0 if quantity.unit == "count" else 2
        return value_text(value, scale_of(quantity.unit, self._units), digits=digits)

    def _compare(
        self, quantity: Quantity, shown: str, before: float | None, value: float | None,
    ) -> tuple[bool | None, str]:
        """Return whether both agree, and the difference in words."""
        if not shown:
            return None, ""
        if before is None or value is None:
            return False, "no value"
        if quantity.is_contact or quantity.unit == "mode":
            stated = {"y": 1.0, "on": 1.0, "n": 0.0, "off": 0.0}.get(shown.lower()) \
                if quantity.is_contact else float(MODES.index(shown))
            return stated in (before, value), "" if stated in (before, value) else "opposite"
        typed = parse_shown(shown, quantity.unit, self._unit(quantity))
        low, high = min(before, value), max(before, value)
        nearest = min(max(typed.value, low), high)
        scale = scale_of(quantity.unit, self._units)
        # The register may have been rounded to one digit less than the display shows.
        return typed.fits(low, high, typed.step), f"{(nearest - typed.value) * scale.factor:+.2f}"

    def _read(self, point: PointSettings) -> tuple[float | None, str]:
        """Return the value and the raw words, however often the device vanishes."""
        while True:
            client = self._thread.client
            if client is None or client.address != self._device.address:
                client = self._thread.connect(self._device.address)
            try:
                return self._thread.call(_read_point(client, self._device.unit, point))
            except Vanished as error:
                self._interview.person.ask("vanished", f"{error}. Enter tries again: ")


async def _read_point(
    client: PacedClient, unit: int, point: PointSettings,
) -> tuple[float | None, str]:
    decoder, raws, words = PointDecoder(point), {}, []
    now = client.clock.now()
    for span in decoder.spans:
        outcome = await client.ask(unit, span.table, span.start, span.end - span.start)
        if not outcome.answered:
            raise Vanished(f"unit {unit} at {client.address} answers no more")
        raws[span] = Raw(asked=now, values=outcome.values) if outcome.values else Raw(
            asked=now, quality=Quality.BAD, why=outcome.why)
        words += [f"{v:04X}" if span.table.endswith("registers") else str(v)
                  for v in outcome.values]
    return decoder.readings(raws, client.clock.now())[0].value, " ".join(words)


def _wrong(quantity: Quantity, unit: str, text: str) -> str:
    if quantity.unit == "mode":
        return choice(*MODES)(text)
    if quantity.is_contact:
        return choice("y", "n", "on", "off")(text)
    try:
        parse_shown(text, quantity.unit, unit)
    except NotShown as error:
        return f"{error}."
    return ""
