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
from collector.sources.read_plan import Span, spans_of
from collector.sources.register_map import decode, width
from collector.sources.settings import DeviceSettings, PointSettings

__all__ = ["Alternative", "Alternatives", "Words", "text_in"]

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


class Alternatives:
    """Finds the alternatives of one device's points among known words."""

    def __init__(self, device: DeviceSettings, plausibility: Plausibility) -> None:
        self._plausibility = plausibility
        self._mapped = {(span.table, address): point.point
                        for point in device.points for span in spans_of(point)
                        for address in range(span.start, span.end)}

    def of(self, point: PointSettings, words: Words, unit: str) -> list[Alternative]:
        """Return the alternatives that give a usual value, the plainest mistake first.

        ``unit`` is the unit of record, as messages write it.
        """
        usual = self._plausibility.usual(point.point)
        if usual is None or point.type in ("bit", "text") or point.values:
            return []
        found: list[Alternative] = []
        for settings, how, strong in self._candidates(point):
            value = _value(settings, words)
            if value is None or not usual[0] <= value <= usual[1] \
                    or self._plausibility.impossible(point.point, value, {}):
                continue
            strong = strong and not self._plausibility.is_set_point(point.point, value)
            if any(abs(value - a.value) <= 1e-9 * abs(value) and a.strong >= strong
                   for a in found):
                continue
            shown = self._plausibility.written(value, unit)
            found.append(Alternative(settings=settings, value=value,
                                     text=how.format(value=shown), strong=strong,
                                     step=_step(settings, point)))
        return found

    def _candidates(self, point: PointSettings) -> Iterator[tuple[PointSettings, str, bool]]:
        narrow = split_point(point.point)[1] in ("tank_pressure", "pressure")
        yield from self._orders(point)
        for scale in SCALES:
            if scale != point.scale and not point.type.startswith("float"):
                yield (replace(point, scale=scale),
                       f"with scale = {scale:g} it would be {{value}}", narrow)
        for step in _NEAR:
            near = replace(point, address=point.address + step)
            if near.address < 0:
                continue
            # A set point or another gauge may rightly lie there: a hint, and no proof.
            yield near, f"the neighbouring address {near.address} would give {{value}}", False
            for other, how, _ in self._orders(near):
                yield other, f"address {near.address}, {how}", False
        # A counter that reads nothing may be the empty half of a longer one.
        narrow = narrow or split_point(point.point)[1] in ("running_hours", "start_count")
        for type_ in TYPES:
            if type_ != point.type:
                yield from self._typed(replace(point, type=type_), point, narrow)

    @staticmethod
    def _orders(point: PointSettings) -> Iterator[tuple[PointSettings, str, bool]]:
        for words in _ORDERS if width(point) > 1 else (point.word_order,):
            for order in _ORDERS:
                if (words, order) == (point.word_order, point.byte_order):
                    continue
                how = f"as {words}" if words != point.word_order else ""
                if order != point.byte_order:
                    how = " and ".join(x for x in (how, f"with byte_order {order}") if x)
                # Swapped bytes turn any small number into a large one, and prove nothing.
                yield (replace(point, word_order=words, byte_order=order),
                       f"{how} it would be {{value}}", order == point.byte_order)

    def _typed(
        self, point: PointSettings, was: PointSettings, narrow: bool,
    ) -> Iterator[tuple[PointSettings, str, bool]]:
        scales = (1.0,) if point.type.startswith("float") else dict.fromkeys((was.scale, *SCALES))
        wider = width(point) > width(was)
        for order in _ORDERS if width(point) > 1 else _ORDERS[:1]:
            for scale in scales:
                more = f", {order}" if width(point) > 1 and order != was.word_order else ""
                more += f", scale = {scale:g}" if scale != was.scale else ""
                strong = wider and narrow and scale in (1.0, was.scale) \
                    and self._free(point, was.point)
                yield (replace(point, scale=scale, word_order=order),
                       f"as {point.type}{more} it would be {{value}}", strong)

    def _free(self, point: PointSettings, owner: str) -> bool:
        """Whether the registers hold no other point of the profile."""
        return all(self._mapped.get((point.table, a), owner) == owner
                   for a in range(point.address, point.address + width(point)))


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
