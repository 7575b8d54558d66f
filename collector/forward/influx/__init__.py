"""Points in line protocol, made from commits of the journal.

One measurement for each kind of asset, its quantities as fields; ``alarm`` for transitions,
``estimate`` for estimates, ``fact`` for the collector's own events. A commit always gives the same
points, so that writing it twice changes nothing.

Lines are written here and not by the client library, which writes an empty line where no field is
finite and lets a tag that ends in a backslash swallow what follows it. A line that the protocol
cannot express is refused when it is made.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from collector.domain.events import AlarmTransition, EstimateMade, Event, SystemEvent, Transition
from collector.domain.plant import Plant
from collector.domain.readings import QUANTITIES, Reading, split_point
from collector.forward import KeptEvent, StoredCommit

FieldValue = float | int | str
_MEASUREMENT = str.maketrans({",": r"\,", " ": r"\ "})
_KEY = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ "})
_TEXT = str.maketrans({'"': r"\"", "\\": r"\\", "\n": " ", "\r": " "})


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One point: ``time`` is ms since 1970 UTC.

    A ``float`` field is written as such even when it is whole, an ``int`` with its mark: a field
    that changed its type would be refused by the server for ever.
    """

    measurement: str
    tags: Mapping[str, str]
    fields: Mapping[str, FieldValue]
    time: int

    @property
    def key(self) -> tuple[str, tuple[tuple[str, str], ...], int]:
        """The key of the point in the database: a second point of the same key would replace it."""
        return self.measurement, tuple(sorted(self.tags.items())), self.time

    def text(self) -> str:
        """Return the line, without its end.

        Raises ``ValueError`` for what line protocol cannot express: no field, a number that is not
        finite, a tag that is empty, ends in a backslash or holds a line's end.

        >>> Line(measurement="riser", tags={"site": "fenmoor", "asset": "r1"},
        ...      fields={"pressure": 25.0}, time=1000).text()
        'riser,asset=r1,site=fenmoor pressure=25.0 1000'
        """
        if not self.fields:
            raise ValueError("a point without a field")
        tags = "".join(f",{_key(k)}={_key(v)}" for k, v in sorted(self.tags.items()))
        fields = ",".join(f"{_key(k)}={_field(v)}" for k, v in self.fields.items())
        return f"{_checked(self.measurement).translate(_MEASUREMENT)}{tags} {fields} {self.time}"


def _key(text: str) -> str:
    return _checked(text).translate(_KEY)


def _checked(text: str) -> str:
    if not text or text.endswith("\\") or "\n" in text or "\r" in text:
        raise ValueError(f"line protocol has no way to write {text!r} as a name or tag")
    return text


def _field(value: FieldValue) -> str:
    if isinstance(value, str):
        return f'"{value.translate(_TEXT)}"'
    if isinstance(value, int):
        return f"{value}i"
    if not math.isfinite(value):
        raise ValueError(f"{value} is not a finite number")
    return repr(value)


_LEGS = ("_no", "_nc")

FIELDS: Mapping[str, frozenset[str]] = {
    **{
        kind: frozenset(known) | frozenset(
            name + leg for name, quantity in known.items() if quantity.is_contact for leg in _LEGS
        )
        for kind, known in QUANTITIES.items()
    },
    "alarm": frozenset({"text", "id", "since", "standing", "values", "by", "why", "until"}),
    "estimate": frozenset({"value", "low", "high", "reason", "window_from", "window_to"}),
    "fact": frozenset({"text", "values"}),
}
"""Every field there can be, by measurement."""

TAGS: Mapping[str, frozenset[str]] = {
    **{kind: frozenset({"site", "asset"}) for kind in QUANTITIES},
    "alarm": frozenset({"site", "asset", "condition", "transition", "priority", "signal"}),
    "estimate": frozenset({"site", "asset", "quantity", "unit"}),
    "fact": frozenset({"site", "asset", "fact"}),
}
"""Every tag there can be, by measurement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetter:
    """A point that cannot be delivered, and the reason."""

    line: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapped:
    """The lines of some commits. ``withheld`` counts readings without a good value."""

    lines: tuple[str, ...] = ()
    withheld: int = 0
    dead_letters: tuple[DeadLetter, ...] = ()


class InfluxMapping:
    """Maps commits to lines, by the kind of each asset of the plant."""

    def __init__(self, plant: Plant) -> None:
        self.use(plant)

    def __repr__(self) -> str:
        return f"InfluxMapping({self._site}, {len(self._kinds)} things)"

    def use(self, plant: Plant) -> None:
        """Continue with another plant, after the site file was read again."""
        self._site = plant.site.id
        self._kinds = {thing.id: thing.kind for thing in plant.things()}

    def of(self, commits: Iterable[StoredCommit]) -> Mapped:
        """Return the lines of ``commits``."""
        lines: list[str] = []
        dead: list[DeadLetter] = []
        withheld = 0
        for commit in commits:
            good = [r for r in commit.readings if r.usable is not None]
            withheld += len(commit.readings) - len(good)
            for line in [*self._of_readings(good, dead), *event_lines(commit.events)]:
                try:
                    lines.append(line.text())
                except ValueError as exc:
                    dead.append(DeadLetter(line=repr(line), why=str(exc)))
        return Mapped(lines=tuple(lines), withheld=withheld, dead_letters=tuple(dead))

    def _of_readings(self, readings: Iterable[Reading], dead: list[DeadLetter]) -> Iterator[Line]:
        """Yield one line for each asset and instant."""
        fields: dict[tuple[str, int], dict[str, FieldValue]] = {}
        for reading in readings:
            asset, quantity = split_point(reading.point)
            if quantity not in FIELDS.get(self._kinds.get(asset, ""), ()):
                # An asset that has left the site file: its history stays in the journal.
                dead.append(DeadLetter(line=repr(reading), why="the site file has no such point"))
                continue
            value = reading.usable
            if value is not None:
                fields.setdefault((asset, reading.time), {})[quantity] = float(value)
        for (asset, time), values in fields.items():
            yield Line(measurement=self._kinds[asset], fields=values, time=time,
                       tags={"site": self._site, "asset": asset})


def event_lines(events: Iterable[KeptEvent]) -> Iterator[Line]:
    """Yield the lines of events; of two that would replace each other one is moved by 1 ms."""
    taken = set()
    for stored in events:
        line = _of_event(stored.event)
        while line.key in taken:
            line = replace(line, time=line.time + 1)
        taken.add(line.key)
        yield line


def _of_event(event: Event) -> Line:
    match event:
        case AlarmTransition():
            return _of_alarm(event)
        case EstimateMade():
            return _of_estimate(event)
        case SystemEvent():
            return _of_fact(event)


def _of_alarm(event: AlarmTransition) -> Line:
    fields: dict[str, FieldValue] = {
        "text": event.text, "id": event.id, "since": event.since, "values": _json(event.values),
    }
    if event.transition in (Transition.RAISED, Transition.RETURNED):
        fields["standing"] = float(event.transition is Transition.RAISED)
    if event.by:
        fields["by"] = event.by
    if event.why:
        fields["why"] = event.why
    if event.until is not None:
        fields["until"] = event.until
    return Line(measurement="alarm", fields=fields, time=event.time, tags={
        "site": event.site, "asset": event.asset, "condition": event.condition,
        "transition": event.transition.value, "priority": event.priority.value,
        "signal": event.signal.value,
    })


def _of_estimate(event: EstimateMade) -> Line:
    fields: dict[str, FieldValue] = {
        name: float(number) for name, number in
        (("value", event.value), ("low", event.low), ("high", event.high)) if number is not None
    }
    if event.reason:
        fields["reason"] = event.reason
    if event.window is not None:
        fields |= {"window_from": event.window[0], "window_to": event.window[1]}
    tags = {"site": event.site, "asset": event.asset, "quantity": event.quantity}
    # The unit is a tag: sites that read in other units must not be ranked in one row.
    return Line(measurement="estimate", fields=fields, time=event.time,
                tags=tags | ({"unit": event.unit} if event.unit else {}))


def _of_fact(event: SystemEvent) -> Line:
    tags = {"site": event.site, "fact": event.fact}
    return Line(
        measurement="fact", time=event.time, tags=tags | ({"asset": event.asset} if event.asset
                                                          else {}),
        fields={"text": event.text, "values": _json(event.values)},
    )


def _json(values: Mapping[str, float | int | str | None]) -> str:
    return json.dumps(dict(values), ensure_ascii=False, separators=(",", ":"))
