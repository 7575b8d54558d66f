"""Finds bits that follow a switch or a lamp, and registers whose numbers stand for words. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from collector.commissioning.images import Image
from collector.sources.pdu import BIT_TABLES

_MOST_STATUS_BITS = 4
"""A register in which more bits than these changed is a number, no set of contacts (setting)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StateReading:
    """A state that a person stated (``1``, ``0``, or a mode's word), and the images around it."""

    state: str
    images: tuple[Image, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BitPlace:
    """A bit: an address of a table of bits, or a bit of a register. ``inverted``: 0 means on."""

    table: str
    address: int
    bit: int | None = None
    inverted: bool = False

    def state(self, image: Image) -> str | None:
        """Return ``1`` or ``0``, inverted where it is; ``None`` where the image lacks it."""
        words = image.words(self.table, self.address, 1)
        if words is None:
            return None
        value = words[0] if self.bit is None else words[0] >> self.bit & 1
        return str(int(bool(value) != self.inverted))

    def __str__(self) -> str:
        where = f"{self.table} {self.address}" + ("" if self.bit is None else f" bit {self.bit}")
        return f"{where}, inverted" if self.inverted else where


@dataclass(frozen=True, slots=True, kw_only=True)
class CodedPlace:
    """A register whose numbers stand for words."""

    table: str
    address: int
    words: tuple[tuple[int, str], ...]

    def __str__(self) -> str:
        said = ", ".join(f"{code} = {word}" for code, word in self.words)
        return f"{self.table} {self.address}: {said}"


def bits_that_follow(readings: Sequence[StateReading]) -> list[BitPlace]:
    """Return the bits that had the stated state at each reading, or always the opposite one.

    Empty until both states were seen: a bit that never moves follows everything. A bit that changed
    while it was looked at counts less than one that stayed.
    """
    if len({r.state for r in readings}) < 2:
        return []
    found: dict[BitPlace, int] = {}
    for place in _bits([image for r in readings for image in r.images]):
        flips = 0
        for reading in readings:
            states = {place.state(image) for image in reading.images} - {None}
            if reading.state not in states:
                break
            flips += len(states) > 1
        else:
            found[place] = flips
    # The lowest bits of a number that counts go up and down too: an address of its own comes first.
    own = [place for place in found if place.bit is None] or list(found)
    least = min((found[place] for place in own), default=0)
    return [place for place in own if found[place] == least]


def form_c(places: Sequence[BitPlace]) -> tuple[BitPlace, BitPlace] | None:
    """Return normally open and normally closed leg, where exactly one bit is each."""
    closing = [p for p in places if not p.inverted and p.bit is None]
    opening = [p for p in places if p.inverted and p.bit is None]
    if len(places) == 2 and len(closing) == len(opening) == 1:
        return closing[0], opening[0]
    return None


def codes_that_follow(readings: Sequence[StateReading]) -> list[CodedPlace]:
    """Return the registers that held one number for each stated word, different for each."""
    if len({r.state for r in readings}) < 2:
        return []
    found: dict[CodedPlace, int] = {}
    for table, cells in readings[0].images[0].tables.items():
        for address in cells if table not in BIT_TABLES else ():
            place = _coded(table, address, readings)
            if place is not None:
                found[place[0]] = place[1]
    least = min(found.values(), default=0)
    return [place for place, flips in found.items() if flips == least]


def moves_with(readings: Sequence[StateReading]) -> set[tuple[str, int]]:
    """Return the addresses that always rise in one state and always fall in the other.

    Such is the tank's pressure with the compressor, and what follows from it.
    """
    ways: dict[tuple[str, int], dict[str, set[bool]]] = {}
    for reading in readings:
        first, last = reading.images[0], reading.images[-1]
        for table, cells in first.tables.items():
            for address, value in cells.items():
                now = last.tables.get(table, {}).get(address, value)
                if now != value:
                    seen = ways.setdefault((table, address), {})
                    seen.setdefault(reading.state, set()).add(now > value)
    return {place for place, seen in ways.items()
            if len(seen) == 2 and all(len(way) == 1 for way in seen.values())
            and len(set.union(*seen.values())) == 2}


def _coded(
    table: str, address: int, readings: Sequence[StateReading],
) -> tuple[CodedPlace, int] | None:
    """Return the place with its code for each word, and how often it changed meanwhile."""
    codes: dict[str, set[int]] = {}
    flips = 0
    for reading in readings:
        seen = set(_numbers(reading.images, table, address))
        flips += len(seen) > 1
        codes[reading.state] = codes.get(reading.state, seen) & seen
    if any(len(numbers) != 1 for numbers in codes.values()):
        return None
    coded = tuple(sorted((min(numbers), word) for word, numbers in codes.items()))
    if len({code for code, _ in coded}) < len(coded):
        return None
    return CodedPlace(table=table, address=address, words=coded), flips


def _numbers(images: Sequence[Image], table: str, address: int) -> list[int]:
    """Return what an address held in each image that has it."""
    found = (image.words(table, address, 1) for image in images)
    return [words[0] for words in found if words is not None]


def _bits(images: Sequence[Image]) -> Iterator[BitPlace]:
    """Yield every bit, as it is and inverted."""
    for table, cells in images[0].tables.items():
        for address in cells:
            for bit in [None] if table in BIT_TABLES else _status_bits(images, table, address):
                for inverted in (False, True):
                    yield BitPlace(table=table, address=address, bit=bit, inverted=inverted)


def _status_bits(images: Sequence[Image], table: str, address: int) -> list[int | None]:
    """Return the bits of a register that changed, where it looks like a set of contacts."""
    seen = _numbers(images, table, address)
    changed = 0
    for word in seen:
        changed |= word ^ seen[0]
    bits: list[int | None] = [n for n in range(16) if changed >> n & 1]
    return bits if len(bits) <= _MOST_STATUS_BITS else []
