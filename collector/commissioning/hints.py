"""Finds other meanings of a point's registers, or of those beside them. Pure.

For a reading that is doubted: the other orders, scales and types of its own registers, and the same
decoding one address further. An alternative counts when its value is usual on this plant.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from collector.commissioning.decodings import SCALES, TYPES
from collector.commissioning.plausible import Plausibility
from collector.domain.readings import Quality, split_point
from collector.sources import PointSettings, decode, width
from collector.sources.read_plan import Span

Words = Mapping[str, Mapping[int, int]]
"""Words by table and address."""

_NEAR = (1, -1, 2, -2)
_ORDERS = ("high-first", "low-first")


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Another way to read a point: its settings, what it gives, and how it differs in words."""

    settings: PointSettings
    value: float
    text: str
    step: int = 0
    """How many addresses further it lies, where nothing else differs."""
    strong: bool
    """Whether it speaks against the map by itself, where the point's own value is not usual."""


def alternatives(
    point: PointSettings, words: Words, plausibility: Plausibility, unit: str,
) -> list[Alternative]:
    """Return the alternatives that give a usual value, the plainest mistake first.

    ``unit`` is the point's unit of record.
    """
    usual = plausibility.usual(point.point)
    if usual is None or point.type in ("bit", "text") or point.values:
        return []
    found: list[Alternative] = []
    for settings, how, strong in _candidates(point):
        value = _value(settings, words)
        if value is None or not usual[0] <= value <= usual[1] \
                or plausibility.impossible(point.point, value, {}) \
                or any(abs(value - a.value) <= 1e-9 * abs(value) for a in found):
            continue
        found.append(Alternative(
            settings=settings, value=value, strong=strong, step=_step(settings, point),
            text=how.format(value=plausibility.written(value, unit))))
    return found


def _candidates(point: PointSettings) -> Iterator[tuple[PointSettings, str, bool]]:
    """Yield alternative settings, their description, and whether they contradict the map.

    Only the point's own registers do. A set point or another gauge may rightly lie beside them.
    """
    yield from _orders(point)
    narrow = split_point(point.point)[1] in ("tank_pressure", "pressure")
    for scale in SCALES:
        if scale != point.scale and not point.type.startswith("float"):
            yield (replace(point, scale=scale), f"with scale = {scale:g} it would be {{value}}",
                   narrow)
    for step in _NEAR:
        near = replace(point, address=point.address + step)
        if near.address >= 0:
            yield near, f"the neighbouring address {near.address} would give {{value}}", False
            for other, how, _ in _orders(near):
                yield other, f"address {near.address}, {how}", False
    for type_ in TYPES:
        if type_ != point.type:
            yield from _typed(replace(point, type=type_), point)


def _orders(point: PointSettings) -> Iterator[tuple[PointSettings, str, bool]]:
    for words in _ORDERS if width(point) > 1 else (point.word_order,):
        for order in _ORDERS:
            if (words, order) == (point.word_order, point.byte_order):
                continue
            how = f"as {words}" if words != point.word_order else ""
            if order != point.byte_order:
                how = " and ".join(x for x in (how, f"with byte_order {order}") if x)
            # Swapping turns any small whole number into a large one, and proves nothing.
            yield (replace(point, word_order=words, byte_order=order),
                   f"{how} it would be {{value}}",
                   order == point.byte_order and point.type.startswith("float"))


def _typed(
    point: PointSettings, was: PointSettings,
) -> Iterator[tuple[PointSettings, str, bool]]:
    scales = (1.0,) if point.type.startswith("float") else dict.fromkeys((was.scale, *SCALES))
    for order in _ORDERS if width(point) > 1 else _ORDERS[:1]:
        for scale in scales:
            more = f", {order}" if width(point) > 1 and order != was.word_order else ""
            more += f", scale = {scale:g}" if scale != was.scale else ""
            yield (replace(point, scale=scale, word_order=order),
                   f"as {point.type}{more} it would be {{value}}", False)


def _value(point: PointSettings, words: Words) -> float | None:
    cells = words.get(point.table, {})
    raw = [cells[a] for a in range(point.address, point.address + width(point)) if a in cells]
    if len(raw) != width(point):
        return None
    decoded = decode(replace(point, low=None, high=None), raw)
    return decoded.value if decoded.quality is Quality.GOOD else None


def _step(settings: PointSettings, point: PointSettings) -> int:
    step = settings.address - point.address
    return step if replace(settings, address=point.address) == point else 0


def text_in(span: Span, words: Words) -> str:
    """Return the text that the registers of ``span`` hold; empty where they hold none.

    >>> text_in(Span("input-registers", 3, 5), {"input-registers": {3: 0x4E55, 4: 0x2D37}})
    'NU-7'
    """
    cells = words.get(span.table, {})
    data = b"".join(cells[a].to_bytes(2, "big") for a in range(span.start, span.end) if a in cells)
    letters = data.rstrip(b"\0 ")
    readable = letters.isascii() and all(32 <= b < 127 for b in letters)
    return letters.decode("ascii") if readable and any(65 <= b < 123 for b in letters) else ""
