"""Matches what a display shows with registers, by elimination over readings. Pure.

A reading of the display is a shown value and the images that were taken around it. A decoding of a
register stays a candidate while every reading fits what the register held in the meantime. One that
is left may still be wrong, if the true one was never tried. So the readings are weighed: how many
of all that was tried would have been left by chance?
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from collector.commissioning.decodings import TYPES, Decoding, Shown, decodings
from collector.commissioning.images import Image
from collector.sources.pdu import BIT_TABLES

_CHANCE = 0.2
"""The most that chance may be expected to leave (setting). With one family left, and one unusual
controller in ten whose true register is not among those tried, that is wrong once in fifty."""
_UNLIKELY = 1e-3
"""Candidates this much less likely than the likeliest are dropped (setting)."""
_STYLE = 3
"""Points of a device that show the way it writes numbers (setting)."""
_COARSEST = 2.0
"""A register may be this many times as coarse as the display."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayReading:
    """A shown value, and the images from before it was read until after it was typed."""

    shown: Shown
    images: tuple[Image, ...]
    context: tuple[Image, ...] = ()
    """The same with one image more on either side, where there are: they tell of a turn."""

    @property
    def addresses(self) -> int:
        """Number of addresses that were read around it."""
        return sum(map(len, self.images[0].tables.values()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A decoding of the registers at an address."""

    table: str
    address: int
    decoding: Decoding

    @property
    def places(self) -> frozenset[tuple[str, int]]:
        """The addresses that the decoding reads."""
        return frozenset((self.table, self.address + n) for n in range(self.decoding.width))

    def values(self, images: Sequence[Image]) -> list[float]:
        """Return the candidate's values, in the unit of record, in the images that have them."""
        return [self.decoding.scaled(raw)
                for raw in _raws(images, self.table, self.address, self.decoding)]

    def __str__(self) -> str:
        return f"{self.table} {self.address} as {self.decoding}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Candidates that no reading so far can tell apart, since they share a register and a value.

    Such are int16 and uint16 while the value is small, and int32 whose upper word is 0.
    """

    candidates: tuple[Candidate, ...]
    """The likeliest first."""

    @property
    def best(self) -> Candidate:
        """The candidate of the family to use."""
        return self.candidates[0]


class Outlook(StrEnum):
    """The state of a match after the readings so far."""

    FOUND = "found"
    """One is left, and chance would not have left it."""
    WEAK = "weak"
    """One is left, but chance could have left it: read again when the value has moved."""
    SEVERAL = "several"
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """The candidates that the readings leave for a point."""

    families: tuple[Family, ...]
    """The likeliest first."""
    chance: float
    """How many candidates chance alone is expected to leave."""

    without: str = ""
    """The one reading that was left out, as it was shown."""
    same: bool = False
    """Whether all families always held the same: mirrored registers, say."""

    @property
    def outlook(self) -> Outlook:
        """The state after the readings so far."""
        if len(self.families) > 1:
            return Outlook.SEVERAL
        if not self.families:
            return Outlook.NONE
        return Outlook.FOUND if self.sure else Outlook.WEAK

    @property
    def places(self) -> frozenset[tuple[str, int]]:
        """The addresses that no other point can have; none while there is a doubt."""
        certain = self.outlook is Outlook.FOUND and self.chance < _CHANCE / 10
        return self.families[0].best.places if certain else frozenset()

    @property
    def is_settled(self) -> bool:
        """Whether no further reading is worth while: found, or alike in all registers left."""
        return self.outlook is Outlook.FOUND or (self.same and self.sure)

    @property
    def sure(self) -> bool:
        """Whether chance alone would hardly have left these candidates."""
        return self.chance < _CHANCE


def match(
    readings: Sequence[DisplayReading], *, limits: tuple[float, float],
    like: Sequence[Decoding] = (), taken: frozenset[tuple[str, int]] = frozenset(),
    types: Sequence[str] = TYPES, without: str = "",
) -> Match:
    """Match the readings of one point with registers.

    ``limits`` are those of the quantity; ``like`` are the decodings of points of this device that
    were found already: a device tends to write all in one way. That settles what comes first and
    never what is left; and what is left in that way has fewer wrong ones beside it. Where no
    register gives all readings, one is left out: it may have been misread, or read while the value
    turned. ``without`` is that one. ``taken`` are registers of other points: none holds two values.
    """
    shown = readings[0].shown
    among = [d for d in decodings(shown.of, tuple(types)) if d.step <= _COARSEST * shown.step]
    tried, alike, left = _first(readings[0], among, limits, like, taken)
    for reading in readings[1:]:
        left = [c for c in left if _fits(c, reading)]
    if not left and len(readings) > 1 and not without:
        return _without_one(readings, limits=limits, like=like, taken=taken, types=types)
    left = _likely(left, readings)
    images = [image for reading in readings for image in reading.images]
    families = _families(left, images, functools.partial(_order, shown=shown, like=like), like)
    best = families[0].best if families else None
    if best is not None and len(like) >= _STYLE and _alike(best.decoding, like):
        tried = alike
    chance = tried * _passing(readings, best)
    series = [f.best.values(images) for f in families]
    step = max((f.best.decoding.step for f in families), default=0.0)
    same = all(_keep_step(series[0], other, step) for other in series[1:])
    return Match(families=tuple(families), chance=chance, same=same, without=without)


def _keep_step(one: Sequence[float], other: Sequence[float], step: float) -> bool:
    """Whether two registers always held the same, but for the moment between their questions."""
    moves = [0.0, *(abs(b - a) for a, b in zip(one, one[1:], strict=False)), 0.0]
    return len(one) == len(other) and all(
        abs(a - b) <= step / 2 + 1e-6 * abs(a) + max(before, after)
        for a, b, before, after in zip(one, other, moves, moves[1:], strict=False))


def way_to_go(found: Match, last: DisplayReading, readings: int) -> float:
    """Return how far a value must go each time for so many ``readings`` to make the match sure.

    In the unit of record. Each divides the chance by the way over what fits.
    """
    return math.pow(found.chance / _CHANCE, 1 / readings) * _width(found.families[0].best, last)


def _without_one(
    readings: Sequence[DisplayReading], *, limits: tuple[float, float],
    like: Sequence[Decoding], taken: frozenset[tuple[str, int]], types: Sequence[str],
) -> Match:
    """Return the likeliest match of all readings but one; it has as many chances to be wrong."""
    tries = [match([r for r in readings if r is not one], limits=limits, like=like, taken=taken,
                   types=types, without=str(one.shown)) for one in readings]
    best = min((m for m in tries if m.families), key=lambda m: (len(m.families), m.chance),
               default=Match(families=(), chance=0.0))
    return replace(best, chance=best.chance * len(readings))


def _first(
    reading: DisplayReading, among: Sequence[Decoding], limits: tuple[float, float],
    like: Sequence[Decoding], taken: frozenset[tuple[str, int]],
) -> tuple[int, int, list[Candidate]]:
    """Return how many decodings at all addresses are possible, and those that fit a reading.

    The second number is of those in the way of ``like`` alone.

    Raw numbers are shared by all scales and units, of which there are many.
    """
    layouts: dict[tuple[str, str, str], list[Decoding]] = {}
    for one in among:
        layouts.setdefault((one.type, one.word_order, one.byte_order), []).append(one)
    tried, alike, left = 0, 0, []
    for table, cells in reading.images[0].tables.items():
        for address in cells if table not in BIT_TABLES else ():
            for scaled in layouts.values():
                places = {(table, address + n) for n in range(scaled[0].width)} if taken else ()
                raws = _raws(reading.images, table, address, scaled[0])
                if not raws or not taken.isdisjoint(places):
                    continue
                is_like = _alike(scaled[0], like)
                low, high = _reach(raws, _raws(reading.context, table, address, scaled[0]))
                for one in scaled:
                    ends = sorted((one.scaled(low), one.scaled(high)))
                    if not limits[0] <= one.scaled(raws[0]) <= limits[1]:
                        continue
                    tried += 1
                    alike += is_like
                    if reading.shown.fits(ends[0], ends[1], one.step):
                        left.append(Candidate(table=table, address=address, decoding=one))
    return tried, alike, left


def _raws(
    images: Sequence[Image], table: str, address: int, decoding: Decoding,
) -> list[float]:
    """Return the numbers at an address in the images that have it, before any scaling."""
    found = []
    for image in images:
        words = image.words(table, address, decoding.width)
        raw = None if words is None else decoding.raw(words)
        if raw is not None:
            found.append(raw)
    return found


def _reach(values: Sequence[float], context: Sequence[float]) -> tuple[float, float]:
    """Return the least and the most that a value may have been between its images.

    Where it turned, as a tank's pressure does at cut-out, it may have been half a step beyond what
    was seen: at a steady rate both ways it turns half-way between two images at the furthest.
    """
    seen = context or values
    steps = [b - a for a, b in zip(seen, seen[1:], strict=False) if a != b]
    turned = any(step > 0 for step in steps) and any(step < 0 for step in steps)
    beyond = max(map(abs, steps)) / 2 if turned else 0.0
    return min(values) - beyond, max(values) + beyond


def _fits(candidate: Candidate, reading: DisplayReading) -> bool:
    values = candidate.values(reading.images)
    if not values:
        return False
    low, high = _reach(values, candidate.values(reading.context))
    return reading.shown.fits(low, high, candidate.decoding.step)


def _likely(left: Sequence[Candidate], readings: Sequence[DisplayReading]) -> list[Candidate]:
    """Return the candidates without those that are far less likely than the likeliest.

    A number that jumps about while the display is read, such as the lower word of a float, agrees
    with nearly everything. The likelihood of a shown value is the value of its last digit over the
    range in which the candidate moved meanwhile.
    """
    likelihood = {c: math.prod(r.shown.step / _width(c, r) for r in readings) for c in left}
    most = max(likelihood.values(), default=0.0)
    return [c for c in left if likelihood[c] >= _UNLIKELY * most]


def _width(candidate: Candidate | None, reading: DisplayReading) -> float:
    """Return the width of the values that a candidate could have shown meanwhile."""
    values = [] if candidate is None else candidate.values(reading.images)
    if candidate is None or not values:
        return reading.shown.step
    low, high = _reach(values, candidate.values(reading.context))
    return reading.shown.step + high - low


def _passing(readings: Sequence[DisplayReading], best: Candidate | None) -> float:
    """Return the share of wrong candidates that all readings would leave by chance.

    For the first reading, it is the share of the numbers a register can hold that agree, every
    decade equally likely. For each further reading, it is the share of the distance that the shown
    value moved. A value that stayed the same excludes nothing.
    """
    first = readings[0]
    share = min(1.0, 0.1 * _width(best, first) / max(abs(first.shown.value), first.shown.step))
    for before, reading in zip(readings, readings[1:], strict=False):
        way = abs(reading.shown.value - before.shown.value)
        share *= min(1.0, _width(best, reading) / way) if way else 1.0
    return share


def _families(
    left: Sequence[Candidate], images: Sequence[Image], order: functools.partial[tuple[int, ...]],
    like: Sequence[Decoding],
) -> list[Family]:
    """Group the candidates that share a register and always had the same value."""
    groups: list[list[Candidate]] = []
    series: list[list[str]] = []
    for candidate in left:
        values = [f"{v:.6g}" for v in candidate.values(images)]
        for group, theirs in zip(groups, series, strict=True):
            if any(candidate.places & one.places for one in group) and (
                    theirs == values or any(_upper_alike(candidate, one, like) for one in group)):
                group.append(candidate)
                break
        else:
            groups.append([candidate])
            series.append(values)
    families = [Family(candidates=tuple(sorted(group, key=order))) for group in groups]
    return sorted(families, key=lambda family: order(family.best))


def _upper_alike(one: Candidate, other: Candidate, like: Sequence[Decoding]) -> bool:
    """Whether two floats of opposite word order share their upper word, and one is usual here.

    Such are alike in their first two or three digits whatever the value, and no display tells them
    apart; the way in which the device writes its other floats does.
    """
    def upper(c: Candidate) -> int:
        return c.address + (c.decoding.word_order == "low-first")
    kinds = {(c.decoding.type, c.decoding.byte_order, c.table, upper(c)) for c in (one, other)}
    usual = [_alike(c.decoding, like) for c in (one, other)]
    return one.decoding.type == "float32" and len(kinds) == 1 and usual[0] != usual[1] \
        and sum(d.type == "float32" for d in like) >= _STYLE


def _alike(one: Decoding, like: Sequence[Decoding]) -> bool:
    """Whether a decoding has the orders, and the kind of number, of one that was found."""
    return any(one.byte_order == d.byte_order and one.is_float == d.is_float
               and (one.width == 1 or d.width == 1 or one.word_order == d.word_order)
               for d in like)


def _order(candidate: Candidate, *, shown: Shown, like: Sequence[Decoding]) -> tuple[int, ...]:
    """Return the sort key of what to use where readings leave a choice.

    A counter outgrows 16 bits in the life of a plant, a pressure does not. A gauge may read below
    zero, a counter never.
    """
    one = candidate.decoding
    counter = shown.of in ("h", "count")
    signed = not one.type.startswith("uint")
    orders = {(d.word_order, d.byte_order) for d in like if d.width > 1}
    bytes_ = {d.byte_order for d in like}
    alike = (one.width == 1 or not orders or (one.word_order, one.byte_order) in orders) and (
        not bytes_ or one.byte_order in bytes_)
    return (
        not alike, not any(d.is_float == one.is_float for d in like) and bool(like),
        one.unit != shown.unit, one.byte_order != "high-first",
        (one.width == 1) == counter, counter == signed, one.word_order != "high-first",
        candidate.address,
    )


def common_style(sure: Sequence[Decoding]) -> list[Decoding]:
    """Return the decodings whose orders most of the certain ones share."""
    wide = [d for d in sure if d.width > 1] or list(sure)
    orders = [(d.word_order, d.byte_order) for d in wide]
    most = max(orders, key=orders.count, default=("", ""))
    return [d for d in sure if (d.word_order, d.byte_order) == most
            or (d.width == 1 and d.byte_order == most[1])]
