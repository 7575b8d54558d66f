"""The API: JSON in and out, OpenMetrics. Here, reading of requests and access to the services."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError
from starlette.requests import Request

from collector.clock import parse_instant
from collector.domain.actions import WINDOW_DETAILS, ActionKind, OperatorAction
from collector.domain.units import DAY, HOUR, MINUTE
from collector.web.access import FORM, HttpError, kind_of
from collector.web.api.schemas import ActionBody, LastingBody, ReasonedBody, WindowBody

_BODY_LIMIT = 16_384
_LATEST = 4_102_444_800_000
"""2100-01-01, ms; a later time is taken for a typing error."""
_LASTS = {
    ActionKind.SHELVE: (30 * DAY, "it is shelved",
                  "A shelved alarm must come back in the future, within 30 days."),
    ActionKind.DECLARE_FILL: (DAY, "the fill lasts",
                        "A fill must end in the future, within 24 h; declare it again then."),
    ActionKind.TAKE_OUT: (30 * DAY, "it is out of service",
                    "An alarm taken out must come back in the future, within 30 days."),
    ActionKind.DECLARE_IMPAIRMENT: (7 * DAY, "the impairment lasts",
                              "An impairment must end in the future, within 7 days; declare it "
                              "again then."),
    ActionKind.BEGIN_VISIT: (30 * DAY, "the visit lasts",
                       "A visit must end in the future, within 30 days."),
}
"""Longest duration of an action (ms), the words that ask for it, and those that refuse it."""
_WHY = {
    ActionKind.SHELVE: "Why is it shelved?", ActionKind.DECLARE_FILL: "Why is it filled?",
    ActionKind.RESET_BASELINE: "Why is it reset?",
    ActionKind.TAKE_OUT: "Why is it taken out of service?",
    ActionKind.DECLARE_IMPAIRMENT: "Why is the system impaired?",
    ActionKind.BEGIN_VISIT: "What for?",
}
_WINDOWS = (ActionKind.DECLARE_IMPAIRMENT, ActionKind.BEGIN_VISIT)
_STEPS_LIMIT = 5000
_UNITS = {"ms": 1, "s": 1000, "min": MINUTE, "h": HOUR, "d": DAY}
_DURATION = re.compile(r"(\d{1,12}(?:\.\d{1,6})?)\s*(ms|s|min|h|d)?")
_JSON = "application/json"


BODIES: Mapping[ActionKind, type[ActionBody]] = {
    kind: WindowBody if kind in _WINDOWS else LastingBody if kind in _LASTS
    else ReasonedBody if kind in _WHY else ActionBody
    for kind in ActionKind
}
"""The body of each kind of action."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionRequest:
    """The body of a request to act."""

    fields: Mapping[str, Any]

    def text(self, name: str) -> str:
        """Return a field of a form; empty where it is missing."""
        return str(self.fields.get(name, ""))

    def action(self, kind: ActionKind, target: str, now: int, name: str = "") -> OperatorAction:
        """Return the action; raise ``HttpError`` (400) for a missing or wrong field.

        ``name`` is the person signed in, who cannot act under another name.
        """
        try:
            body = BODIES[kind].model_validate(self.fields)
        except ValidationError as error:
            raise HttpError(400, _in_words(error)) from error
        by = name or body.by
        if not by:
            raise HttpError(400, "Who does this? Fill in 'by' with your name.")
        if kind in _WHY and not body.why:
            raise HttpError(400, f"{_WHY[kind]} Fill in 'why' with the reason.")
        since = _since(body, now) if isinstance(body, WindowBody) else None
        until = _until(body, kind, since or now) if isinstance(body, LastingBody) else None
        details = {k: getattr(body, k) for k in WINDOW_DETAILS} \
            if isinstance(body, WindowBody) else {}
        return OperatorAction(kind=kind, alarm=target, time=now, by=by, why=body.why, until=until,
                              since=since, details={k: v for k, v in details.items() if v})


def _since(body: WindowBody, now: int) -> int | None:
    given = str(body.from_).strip()
    if not given:
        return None
    since = read_instant("from", given)
    if since < now - MINUTE:
        raise HttpError(400, "'from' is in the past; without it, it begins now.")
    return max(since, now)


def _until(body: LastingBody, kind: ActionKind, now: int) -> int | None:
    longest, lasts, wrong = _LASTS[kind]
    instant, span = str(body.until).strip(), str(body.for_).strip()
    if kind is ActionKind.TAKE_OUT and not instant and not span:
        return None  # until a person puts it back
    if bool(instant) == bool(span):
        raise HttpError(400, f"Say how long {lasts}: either 'for' (such as 4 h) or 'until' "
                             "(such as 2026-03-01T18:00:00Z).")
    until = read_instant("until", instant) if instant else now + _duration("for", span)
    if not now < until <= now + longest:
        raise HttpError(400, wrong)
    return until


def _in_words(error: ValidationError) -> str:
    """Return the first fault of a body as a sentence."""
    fault = error.errors()[0]
    name = f"'{fault['loc'][0]}'"
    match fault["type"]:
        case "string_too_long":
            return (f"{name} is too long: {len(fault['input'])} characters, "
                    f"{fault['ctx']['max_length']} at most.")
        case "value_error":
            return f"{name} {fault['ctx']['error']}."
    return f"{name} must be text."


def _shorten(text: str) -> str:
    return text if len(text) <= 40 else text[:40] + "…"


def read_instant(name: str, text: str) -> int:
    """Return an instant (ms); raise ``HttpError`` (400) for text that is none."""
    try:
        instant = parse_instant(text) if len(text) <= 64 else None
    except (ValueError, OverflowError):
        instant = None
    if instant is None or not 0 <= instant <= _LATEST:
        raise HttpError(400, f"'{name}' is not a time: {_shorten(text)!r}; expected ISO 8601 with "
                             "an offset such as 2026-03-01T00:10:05Z, or seconds since 1970.")
    return instant


def read_day(name: str, text: str, zone: ZoneInfo, *, after: bool = False) -> int | None:
    """Return the start (ms) of a day (2026-03-01) by the site's clock, or its end with ``after``.

    ``None`` for no text; raises ``HttpError`` (400) for text that is no day.
    """
    if not text:
        return None
    try:
        day = date.fromisoformat(text) + timedelta(days=1 if after else 0)
        return round(datetime.combine(day, time(), zone).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise HttpError(400, f"'{name}' is not a day: {_shorten(text)!r}; expected one such as "
                           "2026-03-01.") from None


def _duration(name: str, text: str) -> int:
    found = _DURATION.fullmatch(text.strip())
    duration = round(float(found[1]) * _UNITS[found[2] or "s"]) if found else 0
    if duration <= 0:
        raise HttpError(400, f"'{name}' is not a duration: {_shorten(text)!r}; expected a number "
                             "above zero with s, min, h or d, such as 5 min.")
    return duration


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The time range and the step of a series; all ms."""

    start: int
    end: int
    step: int


def read_span(start: str | None, end: str | None, every: str | None, now: int) -> Span:
    """Read ``from``, ``to`` and ``every``; by default the last 24 hours in 500 steps.

    Raises ``HttpError`` (400) when one is not a time, or they contradict each other.
    """
    until = read_instant("to", end) if end else now
    since = read_instant("from", start) if start else until - _UNITS["d"]
    if since >= until:
        raise HttpError(400, "'from' must be before 'to'.")
    step = _duration("every", every) if every else max(-(-(until - since) // 500), 1000)
    if -(-(until - since) // step) > _STEPS_LIMIT:
        raise HttpError(400, f"That is more than {_STEPS_LIMIT} steps; make 'every' longer or the "
                           "span shorter.")
    return Span(start=since, end=until, step=step)


async def _body(request: Request) -> bytes:
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _BODY_LIMIT:
            raise HttpError(413, f"The request is too long: {_BODY_LIMIT} bytes at most.")
    return bytes(body)


async def read_json(request: Request) -> ActionRequest:
    """Read the JSON body of a request to act.

    Raises ``HttpError``: 413 when it is too long, 415 for another type, 400 when it is malformed.
    """
    if kind_of(request) != _JSON:
        raise HttpError(415, f"Send {_JSON}.")
    try:
        raw: Any = json.loads(await _body(request))
    except (ValueError, RecursionError):
        raise HttpError(400, "The body is not JSON.") from None
    if not isinstance(raw, dict):
        raise HttpError(400, "The body must be a JSON object with 'by', and where it is needed "
                             "'why' and 'for' or 'until'.")
    return ActionRequest(fields=raw)


async def read_form(request: Request) -> ActionRequest:
    """Read a form of the board. Raises ``HttpError``: 415 for another type, 400 when malformed."""
    if kind_of(request) != FORM:
        raise HttpError(415, f"Send {FORM}.")
    form = await request.form(max_fields=40, max_files=0)
    fields = {name: value for name, value in form.multi_items() if isinstance(value, str)}
    if any("\ufffd" in value for value in fields.values()):
        raise HttpError(400, "The form cannot be read.")
    return ActionRequest(fields=fields)


def local_path(text: str, otherwise: str) -> str:
    """Return ``text`` when it is a path of this board, else ``otherwise``.

    >>> [local_path(text, "/") for text in ("/alarms?q=1#a", "//x.test/", "https://x.test")]
    ['/alarms?q=1#a', '/', '/']
    """
    plain = text.isascii() and text.isprintable() and not set(text) & set("\\ \"<>")
    return text if plain and re.fullmatch(r"/(?!/).{0,300}", text) else otherwise
