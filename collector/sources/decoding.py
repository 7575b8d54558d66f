"""Decodes the results of requests, failures included, into readings. Holds debounce state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from collector.domain.readings import Quality, Reading
from collector.sources.read_plan import Span, spans_of
from collector.sources.register_map import Decoded, decode
from collector.sources.settings import PointSettings

__all__ = ["Debounce", "PointDecoder", "Raw", "contact_value", "legs_alike", "point_names"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Raw:
    """The values of one span requested at ``asked`` (ms), or the reason why there are none."""

    asked: int
    values: tuple[int, ...] = ()
    quality: Quality = Quality.GOOD
    why: str = ""


def point_names(point: PointSettings) -> tuple[str, ...]:
    """Return the points one entry of a profile gives: a form C contact also gives its legs."""
    if point.normally_open is not None and point.normally_closed is not None:
        return (point.point, f"{point.point}_no", f"{point.point}_nc")
    return (point.point,)


class PointDecoder:
    """Decodes one entry of a device profile into its readings."""

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
        """Whether the entry needs one span only."""
        self._simple = self._debounce is None and not self._legs

    def __repr__(self) -> str:
        return f"PointDecoder({', '.join(self._names)})"

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
                self._debounce.forget_pending()
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
            values = self._debounce.sample(values, now)
        return decode(self.point, values)

    def _contact(self, found: list[Raw], now: int) -> list[Decoded]:
        seen = tuple(
            int(bool(raw.values[0])) ^ int(leg.inverted)
            for raw, leg in zip(found, self._legs, strict=True)
        )
        state = self._debounce.sample(seen, now) if self._debounce is not None else seen
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


State = tuple[int, ...]


class Debounce:
    """Accepts a new state once every sample has shown it for ``duration`` ms.

    The first state is accepted at once, since there is no older one. Between two samples a state
    counts as unchanged if both show it.
    """

    def __init__(self, duration: int) -> None:
        self._duration = duration
        self._held: State | None = None
        self._new: State | None = None
        self._since = 0

    def __repr__(self) -> str:
        return f"Debounce({self._duration} ms, {self._held}, pending {self._new})"

    def sample(self, state: State, now: int) -> State:
        """Return the accepted state at ``now`` (ms), given a sample."""
        if self._held is None or state == self._held:
            self._held, self._new = state, None
        elif state != self._new:
            self._new, self._since = state, now
        if self._new is not None and now - self._since >= self._duration:
            self._held, self._new = self._new, None
        return self._held

    def forget_pending(self) -> None:
        """Forget a pending state, after a poll that read nothing."""
        self._new = None


def contact_value(normally_open: int | None, normally_closed: int | None) -> Decoded:
    """Return the contact's value from its legs (1 closed, 0 open); ``None``: not wired.

    >>> contact_value(1, 0).value, contact_value(0, 1).value, contact_value(0, 0).value
    (1.0, 0.0, None)
    """
    if normally_open is None and normally_closed is None:
        raise ValueError("a contact needs at least one leg")
    if normally_closed is None:
        return Decoded(value=float(normally_open or 0))
    if normally_open is None:
        return Decoded(value=float(1 - normally_closed))
    if normally_open == normally_closed:
        return Decoded(value=None, quality=Quality.BAD, why=legs_alike(normally_open))
    return Decoded(value=float(normally_open))


def legs_alike(state: int) -> str:
    """Return the meaning of two equal legs, as shown to people."""
    if state:
        return "both legs of the contact are closed: a short, or a welded contact"
    return "both legs of the contact are open: a broken wire, or no common"
