"""From what was read (or was not) to readings with their points. Pure but for debounce state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from collector.domain.readings import Quality, Reading
from collector.sources.contacts import Debounce, contact_value
from collector.sources.read_plan import Span, spans_of
from collector.sources.register_map import Decoded, decode
from collector.sources.settings import PointSettings

__all__ = ["Emitter", "Raw", "point_names"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """What one span brought, asked at ``asked`` (ms): values, or why there are none."""

    asked: int
    values: tuple[int, ...] = ()
    quality: Quality = Quality.GOOD
    why: str = ""


def point_names(point: PointSettings) -> tuple[str, ...]:
    """Return the points one entry of a profile gives: a form C contact also gives its legs."""
    if point.normally_open is not None and point.normally_closed is not None:
        return (point.point, f"{point.point}_no", f"{point.point}_nc")
    return (point.point,)


class Emitter:
    """Makes the readings of one entry of a profile."""

    def __init__(self, point: PointSettings) -> None:
        self.point = point
        self.spans = spans_of(point)
        self._names = point_names(point)
        self._legs = tuple(
            leg for leg in (point.normally_open, point.normally_closed) if leg is not None
        )
        contact = bool(self._legs) or (point.type == "bit" and point.debounce > 0)
        self._debounce = Debounce(point.debounce) if contact else None
        self.single = len(self.spans) == 1
        """Whether one span is all it needs."""
        self._simple = self._debounce is None and not self._legs

    def __repr__(self) -> str:
        return f"Emitter({', '.join(self._names)})"

    def readings(self, raws: Mapping[Span, Raw], now: int) -> list[Reading]:
        """Return the readings at ``now`` (ms). ``raws`` must hold every span of this entry."""
        if self._simple:  # nearly every point; forty of them at a time
            raw = raws[self.spans[0]]
            if raw.quality is Quality.GOOD:
                return [self._reading(
                    self.point.point, decode(self.point, raw.values), raw.asked, now
                )]
        found = [raws[span] for span in self.spans]
        asked = min(raw.asked for raw in found)
        missing = next((raw for raw in found if raw.quality is not Quality.GOOD), None)
        if missing is not None:
            if self._debounce is not None:
                self._debounce.lose()
            lack = Decoded(value=None, quality=missing.quality, why=missing.why)
            return [self._reading(name, lack, asked, now) for name in self._names]
        decoded = self._contact(found, now) if self._legs else [self._plain(found[0], now)]
        return [
            self._reading(name, value, asked, now)
            for name, value in zip(self._names, decoded, strict=True)
        ]

    def _plain(self, raw: Raw, now: int) -> Decoded:
        values = raw.values
        if self._debounce is not None:
            values = self._debounce.see(values, now)
        return decode(self.point, values)

    def _contact(self, found: list[Raw], now: int) -> list[Decoded]:
        seen = tuple(
            int(bool(raw.values[0])) ^ int(leg.inverted)
            for raw, leg in zip(found, self._legs, strict=True)
        )
        state = self._debounce.see(seen, now) if self._debounce is not None else seen
        if self.point.normally_open is None:
            return [contact_value(None, state[0])]
        if self.point.normally_closed is None:
            return [contact_value(state[0], None)]
        legs = [Decoded(value=float(leg)) for leg in state]
        return [contact_value(state[0], state[1]), *legs]

    @staticmethod
    def _reading(name: str, value: Decoded, asked: int, now: int) -> Reading:
        return Reading(point=name, asked=asked, time=now, value=value.value,
                       quality=value.quality, why=value.why)
