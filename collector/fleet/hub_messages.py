"""Messages that a hub accepts from a broker: a model for each kind, strict in types and ranges.

A broker delivers whatever is published. A message that is not valid becomes a dead letter with its
reason and is acknowledged, so that it neither stops its group nor comes again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    TypeAdapter,
    ValidationError,
    model_validator,
)

from collector.clock import parse_instant
from collector.domain.events import Event, Priority, Signal, Transition, event_from_json
from collector.forward.sparkplug import DataType, Metric, Payload, PayloadInvalid, decode

_LONGEST_ID = 128
_LONGEST_TEXT = 20_000
_MOST_BYTES = 1 << 20
_MOST = 1e15
"""Beyond any quantity of a plant, and exact as a double."""
JOURNAL_ROOM = 1 << 40
"""Events of one journal; the store orders journals by multiples of it."""
_EARLIEST, _LATEST = parse_instant("2000-01-01T00:00:00Z"), parse_instant("2100-01-01T00:00:00Z")
"""ms; an instant outside is that of a broken clock or message."""
_SEQ = 256
_VERBS = frozenset({"NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH"})

_WHOLE = frozenset({DataType.INT8, DataType.INT16, DataType.INT32, DataType.INT64, DataType.UINT8,
                    DataType.UINT16, DataType.UINT32, DataType.UINT64, DataType.DATE_TIME})
_REAL = frozenset({DataType.FLOAT, DataType.DOUBLE})
_WORDS = frozenset({DataType.STRING, DataType.TEXT})


class MessageInvalid(ValueError):
    """A message that is not accepted; the text is the reason."""


def _plain(text: str) -> str:
    if any(ord(c) < 32 for c in text):
        raise ValueError("a control character in it")
    return text


def _instant(text: str) -> str:
    # Seconds since 1970, which recordings may have, are not what a site publishes.
    if text[4:5] != "-" or not _EARLIEST <= parse_instant(text) < _LATEST:
        raise ValueError("not an instant between 2000 and 2100")
    return text


Id = Annotated[str, Field(min_length=1, max_length=_LONGEST_ID), AfterValidator(_plain)]
Text = Annotated[str, Field(max_length=_LONGEST_TEXT)]
Instant = Annotated[str, Field(max_length=40), AfterValidator(_instant)]
Number = Annotated[float, Field(ge=-_MOST, le=_MOST, allow_inf_nan=False)]
Count = Annotated[int, Field(ge=0, lt=1 << 53)]
Values = dict[Id, Number | Text | None]


class _Message(BaseModel):
    # What a newer site adds is ignored.
    model_config = ConfigDict(strict=True, extra="ignore", frozen=True)

    site: Id


class _Numbered(_Message):
    time: Instant
    journal: Id
    seq: Annotated[int, Field(ge=0, lt=JOURNAL_ROOM)]

    @model_validator(mode="after")
    def _foreign(self) -> _Numbered:
        if self.journal == "hub":
            raise ValueError('journal "hub" is the hub\'s own')
        return self


class _Alarm(_Numbered):
    kind: Literal["alarm"]
    condition: Id
    asset: Id
    transition: Transition
    priority: Priority
    signal: Signal
    since: Instant
    until: Instant | None = None
    id: Annotated[str, Field(min_length=1, max_length=3 * _LONGEST_ID), AfterValidator(_plain)]
    text: Text
    values: Values
    by: Text = ""
    why: Text = ""


class _Estimate(_Numbered):
    kind: Literal["estimate"]
    quantity: Id
    asset: Id
    value: Number | None
    low: Number | None = None
    high: Number | None = None
    unit: Annotated[str, Field(max_length=_LONGEST_ID)] = ""
    reason: Text = ""
    window: Annotated[list[Instant], Field(min_length=2, max_length=2)] | None = None

    @model_validator(mode="after")
    def _forward(self) -> _Estimate:
        if self.window and parse_instant(self.window[0]) > parse_instant(self.window[1]):
            raise ValueError("the window ends before it begins")
        return self


class _SystemEvent(_Numbered):
    kind: Id
    text: Text
    asset: Annotated[str, Field(max_length=_LONGEST_ID)] = ""
    values: Values = {}


class Mark(_Message):
    """A site's sign of life: how far its journal is published."""

    time: Instant | None = None
    commit: Count | None = None
    behind: Count | None = None
    journal: Id | None = None
    events: Count | None = None


_M = TypeVar("_M", bound=_Message)


def _kind(raw: Any) -> str:
    kind = raw.get("kind") if isinstance(raw, dict) else None
    return kind if kind in ("alarm", "estimate") else "other"


_EVENT: TypeAdapter[_Numbered] = TypeAdapter(Annotated[
    Annotated[_Alarm, Tag("alarm")] | Annotated[_Estimate, Tag("estimate")]
    | Annotated[_SystemEvent, Tag("other")], Discriminator(_kind)])
_MARK: TypeAdapter[Mark] = TypeAdapter(Mark)


def read_event(payload: bytes, site: str) -> tuple[str, int, Event]:
    """Return journal, number and event of a message that ``site`` published.

    Raises :class:`MessageInvalid`.
    """
    numbered = _checked(lambda: _EVENT.validate_json(_bounded(payload)), site)
    return numbered.journal, numbered.seq, event_from_json(payload.decode())


def read_mark(payload: bytes, site: str) -> Mark:
    """Return the mark that ``site`` published. Raises :class:`MessageInvalid`."""
    return _checked(lambda: _MARK.validate_json(_bounded(payload)), site)


def _bounded(payload: bytes) -> bytes:
    if len(payload) > _MOST_BYTES:
        raise MessageInvalid(f"{len(payload)} bytes; {_MOST_BYTES} at most are accepted")
    return payload


def _checked(read: Callable[[], _M], site: str) -> _M:
    try:
        found = read()
    except ValidationError as exc:
        first = exc.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise MessageInvalid(f"{where}: {first['msg']}" if where else first["msg"]) from exc
    if found.site != site:
        raise MessageInvalid(f"it names the site {found.site!r}")
    return found


def read_sparkplug(verb: str, site: str, thing: str, data: bytes) -> Payload:
    """Return the payload of a Sparkplug message; ``thing`` is empty for the node itself.

    Raises :class:`MessageInvalid` for bytes that are no payload and for what Sparkplug 3.0, the
    calendar or a plant cannot have.
    """
    payload = _decoded(verb, site, thing, data)
    if verb != "NDEATH" and (payload.seq is None or payload.seq >= _SEQ):
        raise MessageInvalid(f"seq is {payload.seq}; 0 to 255 is due")
    _timed(payload.time, "the message")
    if verb in ("NBIRTH", "NDEATH"):
        number = next((m.value for m in payload.metrics if m.name == "bdSeq"), None)
        if isinstance(number, bool) or not isinstance(number, int):
            raise MessageInvalid(f"bdSeq is {number!r}; a whole number is due")
    for metric in payload.metrics:
        _check_metric(verb, metric)
    return payload


def _decoded(verb: str, site: str, thing: str, data: bytes) -> Payload:
    if verb not in _VERBS:
        raise MessageInvalid(f"no message of Sparkplug is called {verb!r}")
    if verb.startswith("D") is not bool(thing):
        raise MessageInvalid(f"{verb} names {'a' if thing else 'no'} device")
    for name in (site, *([thing] if thing else [])):
        if not 0 < len(name) <= _LONGEST_ID:
            raise MessageInvalid(f"a name of {len(name)} characters in the topic")
    try:
        return decode(_bounded(data))
    except PayloadInvalid as exc:
        raise MessageInvalid(str(exc)) from exc


def _timed(at: int | None, what: str, *, due: bool = False) -> None:
    if at is None and not due:
        return
    if at is None or not _EARLIEST <= at < _LATEST:
        raise MessageInvalid(f"the time of {what} is {at} ms; one from 2000 to 2100 is due")


def _check_metric(verb: str, metric: Metric) -> None:
    what = metric.name[:_LONGEST_ID] or f"alias {metric.alias}"
    if len(metric.name) > _LONGEST_ID or any(ord(c) < 32 for c in metric.name):
        raise MessageInvalid(f"a metric is called {what!r}")
    if verb.endswith("BIRTH") and not metric.name:
        raise MessageInvalid("a metric without a name in a birth")
    if metric.alias is not None and metric.alias > _MOST:
        raise MessageInvalid(f"{what} has the alias {metric.alias}")
    if verb != "NDEATH":
        _timed(metric.time, what, due=metric.value is not None)
    _check_value(what, metric)
    for key, value in metric.properties.items():
        if len(key) > _LONGEST_ID or (isinstance(value, str) and len(value) > _LONGEST_TEXT):
            raise MessageInvalid(f"{what} has a property that is too long")
    if metric.name == "Properties/units" and metric.value not in ("us", "metric"):
        raise MessageInvalid(f"units are {metric.value!r}; us or metric is due")


def _check_value(what: str, metric: Metric) -> None:
    value, datatype = metric.value, metric.datatype
    if isinstance(value, str):
        fits = datatype is None or datatype in _WORDS
        if len(value) > _LONGEST_TEXT:
            raise MessageInvalid(f"{what} is a text of {len(value)} characters")
    elif isinstance(value, bool):
        fits = datatype in (None, DataType.BOOLEAN)
    elif value is not None:
        if not -_MOST <= value <= _MOST:  # what is not a number fits nowhere either
            raise MessageInvalid(f"{what} is {value}")
        kinds = _WHOLE if isinstance(value, int) else _REAL
        fits = datatype is None or datatype in kinds
    else:
        fits = True
    if not fits:
        raise MessageInvalid(f"{what} is said to be {datatype!r} and is {value!r}")
