"""Register images: what every known address held at an instant, and what a word can mean."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from collector.commissioning.questions import PacedClient, Vanished
from collector.commissioning.unit_search import Explored
from collector.sources.pdu import BIT_TABLES


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """The content of the known addresses; the questions took from ``began`` to ``ended`` (ms)."""

    began: int
    ended: int
    tables: Mapping[str, Mapping[int, int]]

    def words(self, table: str, address: int, count: int) -> list[int] | None:
        """Return ``count`` values from ``address`` on, or ``None`` where one is missing."""
        cells = self.tables.get(table, {})
        found = [cells[a] for a in range(address, address + count) if a in cells]
        return found if len(found) == count else None

    def as_json(self) -> dict[str, object]:
        return {"began": self.began, "ended": self.ended, "tables": {
            t: {str(a): v for a, v in cells.items()} for t, cells in self.tables.items()}}

    @classmethod
    def from_json(cls, data: Mapping[str, object]) -> Image:
        tables = data["tables"]
        assert isinstance(tables, dict)
        return cls(began=int(str(data["began"])), ended=int(str(data["ended"])), tables={
            t: {int(a): int(v) for a, v in cells.items()} for t, cells in tables.items()})


async def read_image(
    client: PacedClient, unit: int, explored: Explored,
    wanted: set[tuple[str, int]] | None = None,
) -> Image:
    """Read every known address once, or those ``wanted``. Raises ``Vanished`` at silence.

    What is refused this time is left out of the image.
    """
    began = client.clock.now()
    tables: dict[str, dict[int, int]] = {}
    for table, start, count in explored.runs(wanted):
        outcome = await client.ask(unit, table, start, count)
        for n, value in enumerate(outcome.values):
            tables.setdefault(table, {})[start + n] = value
        if not outcome.answered:
            raise Vanished(f"unit {unit} at {client.address} answers no more: {outcome.why}")
    return Image(began=began, ended=client.clock.now(), tables=tables)


def moved(images: Sequence[Image]) -> set[tuple[str, int]]:
    """Return the addresses that held more than one value."""
    seen: dict[tuple[str, int], set[int]] = {}
    for image in images:
        for table, cells in image.tables.items():
            for address, value in cells.items():
                seen.setdefault((table, address), set()).add(value)
    return {place for place, values in seen.items() if len(values) > 1}


def texts(image: Image) -> Iterator[tuple[str, int, str]]:
    """Yield ``(table, address, text)`` of every run of printable characters with letters."""
    for table, cells in image.tables.items():
        if table in BIT_TABLES:
            continue
        run, start = "", 0
        for address in [*sorted(cells), -1]:
            pair = cells.get(address, 0).to_bytes(2, "big")
            readable = all(32 <= byte < 127 for byte in pair)
            if readable and run and address == start + len(run) // 2:
                run += pair.decode("ascii")
                continue
            if len(run) >= 4 and sum(letter.isalpha() for letter in run) >= 3:
                yield table, start, run.strip()
            run, start = (pair.decode("ascii"), address) if readable else ("", 0)


def word_views(image: Image, table: str, address: int) -> dict[str, str]:
    """Return the meanings that an address can have, by how it is decoded.

    The 32 bit ones take the next address too, and are absent where there is none.
    """
    words = image.words(table, address, 1)
    if words is None:
        return {}
    word = words[0]
    if table in BIT_TABLES:
        return {"bit": str(word)}
    signed = word - 65536 if word > 32767 else word
    views = {"hex": f"{word:04X}", "uint16": str(word), "int16": str(signed),
             "x 0.1": f"{signed / 10:g}", "x 0.01": f"{signed / 100:g}",
             "bits": f"{word:016b}"}
    pair = image.words(table, address, 2)
    if pair is not None:
        for name, (high, low) in (("high first", pair), ("low first", pair[::-1])):
            data = struct.pack(">HH", high, low)
            views[f"int32 {name}"] = str(struct.unpack(">i", data)[0])
            views[f"float32 {name}"] = f"{struct.unpack('>f', data)[0]:.6g}"
    return views
