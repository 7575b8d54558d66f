"""The requests that read a device's points, split where the device refuses one. Pure.

Points that lie near each other are read together. A device may refuse a request that touches an
address it does not have, without saying which; then the request is cut in two, and again, until
what is refused is known: either a point of its own (left out, and tried again seldom) or the gap
between two points (never spanned again).

Controllers that start up refuse what they will answer a minute later. A device that refuses
everything is asked one request a poll; after its first answer it is asked for all of them again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from collector.domain.readings import Quality, Reading
from collector.sources import Decoded, DeviceSettings, PointSettings, decode, width
from collector.sources.pdu import BIT_TABLES, MAX_BITS, MAX_REGISTERS, ReadRequest

_SEPARABLE = frozenset({2, 3})
"""Illegal data address, and illegal data value (the quantity): a smaller request may be granted."""
_RETRY, _RETRY_POLLS = 300_000, 10
"""ms after which a refused point is tried again, and the fewest polls; after so many polls also one
that the device has answered before (settings)."""


class Span(NamedTuple):
    """Registers or bits ``start`` to ``end`` (excluded) of a table that belong together."""

    table: str
    start: int
    end: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A request and the spans it covers."""

    request: ReadRequest
    spans: tuple[Span, ...]

    def part(self, span: Span, values: Sequence[int]) -> tuple[int, ...]:
        """Return what belongs to ``span`` of the reply's values."""
        first = span.start - self.request.address
        return tuple(values[first : first + span.end - span.start])


def spans_of(point: PointSettings) -> tuple[Span, ...]:
    """Return the spans a point needs: one, or one for each leg of a form C contact."""
    legs = [leg for leg in (point.normally_open, point.normally_closed) if leg is not None]
    if legs:
        return tuple(Span(leg.table, leg.address, leg.address + 1) for leg in legs)
    return (Span(point.table, point.address, point.address + width(point)),)


class ReadPlan:
    """The requests of one device, and the points and gaps it has refused.

    A refused point is tried again after ``retry`` polls (default: 5 min, at least 10 polls). Raises
    ``ValueError`` when a single value is longer than the device's limit allows.
    """

    def __init__(self, settings: DeviceSettings, *, retry: int | None = None) -> None:
        self._settings = settings
        self._retry = retry or max(_RETRY // settings.every, _RETRY_POLLS)
        self._spans = tuple(sorted({s for p in settings.points for s in spans_of(p)}))
        for span in self._spans:
            if span.end - span.start > self._most(span.table):
                raise ValueError(f"{span} is longer than one request of {settings.id} may be")
        self._cuts: dict[tuple[str, int], tuple[int, int]] = {}
        """Table and first address behind the cut -> start and end of the request refused there."""
        self._refused: dict[Span, tuple[int, str]] = {}
        self._answered: set[Span] = set()
        self._apart: set[Span] = set()
        """Overlapping spans that were refused together: each gets a request of its own."""
        self._polls = 0
        self._known: tuple[Planned, ...] | None = None

    def __repr__(self) -> str:
        return (f"ReadPlan({self._settings.id}, {len(self._spans)} spans, "
                f"{len(self._refused)} refused, {len(self._cuts)} cuts)")

    @property
    def refused_spans(self) -> dict[Span, str]:
        """Spans left out for now, each with the device's refusal."""
        return {span: why for span, (_, why) in self._refused.items()}

    @property
    def _starting(self) -> bool:
        """Whether the device refuses everything."""
        return len(self._refused) == len(self._spans)

    def requests(self) -> tuple[Planned, ...]:
        """Return the fewest requests that keep to the limits and to what was refused."""
        if self._known is None:
            self._known = self._merge(s for s in self._spans if s not in self._refused)
        return self._known

    def next_poll(self) -> tuple[Planned, ...]:
        """Count a poll; return its requests, each refused span alone among them when it is due."""
        self._polls += 1
        if self._starting:
            due = [min(self._refused, key=lambda span: self._refused[span][0])]
        else:
            due = [s for s, (since, _) in self._refused.items() if self._polls - since >= (
                min(self._retry, _RETRY_POLLS) if s in self._answered else self._retry)]
        alone = tuple(self._planned([span]) for span in due)
        return self.requests() + alone

    def granted(self, planned: Planned) -> None:
        """Record that the device answered: its spans are no longer refused."""
        self._answered.update(planned.spans)
        if self._starting:  # the next poll asks for all of them, and no gap is held to be refused
            self._refused = {s: (-self._retry, why) for s, (_, why) in self._refused.items()}
            self._cuts.clear()
            self._apart.clear()
        if self._refused and any(span in self._refused for span in planned.spans):
            for span in planned.spans:
                self._refused.pop(span, None)
            self._known = None

    def refused(self, planned: Planned, code: int, why: str) -> tuple[Planned, ...]:
        """Record a refusal; return smaller requests to try at once, or none if none can help."""
        if code not in _SEPARABLE:
            return ()
        self._known = None
        groups = _groups(planned.spans)
        if len(planned.spans) == 1:
            self._leave_out(planned.spans[0], why)
            return ()
        if len(groups) == 1:
            self._apart.update(planned.spans)
            return self._merge(planned.spans)
        split = _widest_gap(groups)
        table, start = planned.request.table, planned.request.address
        self._cuts[table, groups[split][0].start] = (start, start + planned.request.count)
        return self._merge(planned.spans)

    def _leave_out(self, span: Span, why: str) -> None:
        """Record a span refused on its own; the cuts made in search of it are removed."""
        if span not in self._refused:
            self._cuts = {
                (table, at): (first, last) for (table, at), (first, last) in self._cuts.items()
                if table != span.table or not (first <= span.start and span.end <= last)
            }
        self._refused[span] = (self._polls, why)

    def _merge(self, spans: Iterable[Span]) -> tuple[Planned, ...]:
        done: list[list[Span]] = []
        for span in sorted(spans):
            if done and self._joins(done[-1], span):
                done[-1].append(span)
            else:
                done.append([span])
        return tuple(self._planned(group) for group in done)

    def _joins(self, group: Sequence[Span], span: Span) -> bool:
        table, start = group[0].table, group[0].start
        end = max(s.end for s in group)
        whole = Span(table, start, max(end, span.end))
        if span.table != table or span in self._apart or group[-1] in self._apart:
            return False
        if span.start - end > self._gap(table) or whole.end - start > self._most(table):
            return False
        if any(t == table and end <= at <= span.start for t, at in self._cuts):
            return False
        return not any(
            s.table == table and s.start < whole.end and s.end > start for s in self._refused
        )

    def _planned(self, spans: Sequence[Span]) -> Planned:
        start, end = spans[0].start, max(s.end for s in spans)
        request = ReadRequest(
            unit=self._settings.unit, table=spans[0].table, address=start, count=end - start
        )
        return Planned(request=request, spans=tuple(spans))

    def _most(self, table: str) -> int:
        if table in BIT_TABLES:
            return min(self._settings.max_bits, MAX_BITS)
        return min(self._settings.max_registers, MAX_REGISTERS)

    def _gap(self, table: str) -> int:
        return self._settings.max_gap * (16 if table in BIT_TABLES else 1)


def _groups(spans: Sequence[Span]) -> list[list[Span]]:
    """Return the spans in groups that overlap, which one request has to cover."""
    groups: list[list[Span]] = []
    end = -1
    for span in sorted(spans):
        if groups and span.start < end:
            groups[-1].append(span)
        else:
            groups.append([span])
        end = max(end, span.end)
    return groups


def _widest_gap(groups: Sequence[Sequence[Span]]) -> int:
    """Return the index of the group behind the widest gap; of equal ones, the one in the middle."""
    def rank(index: int) -> tuple[int, int]:
        gap = groups[index][0].start - max(s.end for s in groups[index - 1])
        return gap, -abs(2 * index - len(groups))
    return max(range(1, len(groups)), key=rank)


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
