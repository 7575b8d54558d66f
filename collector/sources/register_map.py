"""Decodes registers and bits into values in the unit of record. Pure.

Nothing that a device sends raises an exception here: what is no value has bad quality and a reason.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.domain.readings import Quality, Reading
from collector.sources.pdu import BIT_TABLES
from collector.sources.read_plan import Span, spans_of
from collector.sources.settings import PointSettings

__all__ = [
    "Debounce", "Decoded", "PointDecoder", "Raw", "contact_value", "decode", "legs_alike",
    "point_names", "raw_value", "width",
]

_FORMATS = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I",
    "int64": "q", "uint64": "Q", "float32": "f", "float64": "d",
}
_BITS = BIT_TABLES | {"lines"}
"""Lines of a local chip are bits too."""
_WIDTHS = {name: max(1, struct.calcsize(">" + code) // 2) for name, code in _FORMATS.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """A value in the unit of record, its quality, and the reason where it is not good."""

    value: float | None
    quality: Quality = Quality.GOOD
    why: str = ""


def width(point: PointSettings) -> int:
    """Return how many registers (or bits, in a table of bits) the point takes.

    Raises ``ValueError`` for a type that is not known or does not fit its table.
    """
    if point.table in _BITS:
        if point.type != "bit":
            raise ValueError(f"{point.point}: {point.table} hold bits, not {point.type}")
        return 1
    if point.type == "bit":
        if point.bit is None or not 0 <= point.bit <= 15:
            raise ValueError(f"{point.point}: a bit in a register needs bit = 0 to 15")
        return 1
    if point.type == "text":
        return point.length
    if point.type not in _WIDTHS:
        raise ValueError(f"{point.point}: no such type: {point.type!r}")
    return _WIDTHS[point.type]


def raw_value(point: PointSettings, raw: Sequence[int]) -> float | int | str:
    """Return what ``raw`` (registers, or one bit) says, before any scaling.

    ``word_order`` says which register comes first, ``byte_order`` which byte of a register.
    """
    if point.table in _BITS:
        return int(bool(raw[0]))
    if point.type == "bit":
        register = int.from_bytes(_bytes(point, raw), "big")
        return register >> (point.bit or 0) & 1
    if point.byte_order == "high-first":  # by far the most common, and no bytes need be moved
        if point.type == "uint16":
            return raw[0]
        if point.type == "int16":
            return raw[0] - 65536 if raw[0] > 32767 else raw[0]
    data = _bytes(point, raw)
    if point.type == "text":
        return data.decode("ascii", "replace").split("\0", 1)[0].strip()
    number: float | int = struct.unpack(">" + _FORMATS[point.type], data)[0]
    return number


def decode(point: PointSettings, raw: Sequence[int]) -> Decoded:
    """Return the value of ``point`` from the registers, or the bit, that it takes."""
    if len(raw) != width(point):
        return _bad(None, f"{len(raw)} registers or bits where {width(point)} are due")
    found = raw_value(point, raw)
    if isinstance(found, float) and not math.isfinite(found):
        return _bad(None, f"the device gives {found}")
    if not isinstance(found, str) and found in point.invalid:
        return _bad(None, f"the device marks it as no value ({_plain(found)})")
    if point.values:
        return _listed(point, found)
    if isinstance(found, str):
        return _bad(None, f"text {found!r} stands for no number")
    return _scaled(point, found)


def _bytes(point: PointSettings, raw: Sequence[int]) -> bytes:
    words = reversed(raw) if point.word_order == "low-first" else raw
    order = "<" if point.byte_order == "low-first" else ">"
    return b"".join(struct.pack(order + "H", word) for word in words)


def _listed(point: PointSettings, found: float | int | str) -> Decoded:
    key = found if isinstance(found, str) else _plain(found)
    if key not in point.values:
        return _bad(None, f"{key!r} is not among the profile's values")
    return Decoded(value=float(point.values[key]))


def _scaled(point: PointSettings, found: float | int) -> Decoded:
    value = float(found)
    if (point.scale, point.offset, point.factor, point.shift) != (1.0, 0.0, 1.0, 0.0):
        value = (found * point.scale + point.offset) * point.factor + point.shift
        # 12 digits: 32766 tenths are 3276.6 and not 3276.6000000000004, which would miss its limit.
        value = float(f"{value:.12g}")
    if not math.isfinite(value):
        return _bad(None, f"the device gives {_plain(found)}, which scales to no number")
    if point.low is not None and value < point.low:
        return _bad(value, f"{value:g} is below the possible {point.low:g}")
    if point.high is not None and value > point.high:
        return _bad(value, f"{value:g} is above the possible {point.high:g}")
    return Decoded(value=value)


def _bad(value: float | None, why: str) -> Decoded:
    return Decoded(value=value, quality=Quality.BAD, why=why)


def _plain(number: float | int) -> str:
    """Write a number as the profile does: 7, not 7.0.

    >>> _plain(7.0), _plain(0.5), _plain(2**63)
    ('7', '0.5', '9223372036854775808')
    """
    return str(int(number)) if number == int(number) else repr(number)


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
