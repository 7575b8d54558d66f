"""Read what a request asks for: times, spans, and the fields of an action."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from starlette.requests import Request

from collector.clock import parse_instant
from collector.domain.actions import Action, Deed
from collector.web.door import FORM
from collector.web.refusals import Refusal

__all__ = [
    "ActionAsk", "Span", "local_path", "read_ask", "read_day", "read_instant", "read_span",
]

_BODY_LIMIT = 16_384
_NAME_LIMIT, _WHY_LIMIT = 80, 500
_LATEST = 4_102_444_800_000
"""2100-01-01, ms: a later time is a slip of the pen."""
_DAY = 86_400_000
_LASTS = {
    Deed.SHELVE: (30 * _DAY, "it is shelved",
                  "A shelved alarm must come back in the future, within 30 days."),
    Deed.DECLARE_FILL: (_DAY, "the fill lasts",
                        "A fill must end in the future, within 24 h; declare it again then."),
    Deed.TAKE_OUT: (30 * _DAY, "it is out of service",
                    "An alarm taken out must come back in the future, within 30 days."),
    Deed.DECLARE_IMPAIRMENT: (7 * _DAY, "the impairment lasts",
                              "An impairment must end in the future, within 7 days; declare it "
                              "again then."),
    Deed.BEGIN_VISIT: (30 * _DAY, "the visit lasts",
                       "A visit must end in the future, within 30 days."),
}
"""How long what is asked may last, ms, and how that is asked for and refused."""
_WHY = {
    Deed.SHELVE: "Why is it shelved?", Deed.DECLARE_FILL: "Why is it filled?",
    Deed.RESET_BASELINE: "Why is it reset?", Deed.TAKE_OUT: "Why is it taken out of service?",
    Deed.DECLARE_IMPAIRMENT: "Why is the system impaired?", Deed.BEGIN_VISIT: "What for?",
}
_STEPS_LIMIT = 5000
_UNITS = {"ms": 1, "s": 1000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}
_DURATION = re.compile(r"(\d{1,12}(?:\.\d{1,6})?)\s*(ms|s|min|h|d)?")
_JSON = "application/json"


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionAsk:
    """The body of a request to act, fields as text; ``from_form`` when a page sent it."""

    fields: Mapping[str, str]
    from_form: bool

    def action(self, deed: Deed, alarm: str, now: int, name: str = "") -> Action:
        """Return the action asked for; raise ``Refusal`` (400) when a field is missing or wrong.

        ``name`` is whoever is signed in: nobody signs for another.
        """
        by = name or self._text("by", _NAME_LIMIT)
        why = self._text("why", _WHY_LIMIT)
        if not by:
            raise Refusal(400, "Who does this? Fill in 'by' with your name.")
        if deed in _WHY and not why:
            raise Refusal(400, f"{_WHY[deed]} Fill in 'why' with the reason.")
        until = self._until(deed, now) if deed in _LASTS else None
        return Action(deed=deed, alarm=alarm, time=now, by=by, why=why, until=until)

    def _text(self, name: str, limit: int) -> str:
        text = " ".join(self.fields.get(name, "").split())
        if len(text) > limit:
            raise Refusal(400, f"'{name}' is too long: {len(text)} characters, {limit} at most.")
        if not text.isprintable():
            raise Refusal(400, f"'{name}' holds characters that cannot be printed.")
        return text

    def _until(self, deed: Deed, now: int) -> int | None:
        longest, lasts, wrong = _LASTS[deed]
        instant, span = self.fields.get("until", "").strip(), self.fields.get("for", "").strip()
        if deed is Deed.TAKE_OUT and not instant and not span:
            return None  # until a person puts it back
        if bool(instant) == bool(span):
            raise Refusal(400, f"Say how long {lasts}: either 'for' (such as 4 h) or 'until' "
                               "(such as 2026-03-01T18:00:00Z).")
        until = read_instant("until", instant) if instant else now + _duration("for", span)
        if not now < until <= now + longest:
            raise Refusal(400, wrong)
        return until


def _shorten(text: str) -> str:
    return text if len(text) <= 40 else text[:40] + "…"


def read_instant(name: str, text: str) -> int:
    """Return an instant (ms); raises ``Refusal`` (400) when ``text`` is none."""
    try:
        instant = parse_instant(text) if len(text) <= 64 else None
    except (ValueError, OverflowError):
        instant = None
    if instant is None or not 0 <= instant <= _LATEST:
        raise Refusal(400, f"'{name}' is not a time: {_shorten(text)!r}; expected ISO 8601 with an "
                           "offset such as 2026-03-01T00:10:05Z, or seconds since 1970.")
    return instant


def read_day(name: str, text: str, zone: ZoneInfo, *, after: bool = False) -> int | None:
    """Return when a day (2026-03-01) begins by the site's clock, ms; ``after``: when it is over.

    ``None`` for no text; raises ``Refusal`` (400) for what is not a day.
    """
    if not text:
        return None
    try:
        day = date.fromisoformat(text) + timedelta(days=1 if after else 0)
        return round(datetime.combine(day, time(), zone).timestamp() * 1000)
    except (ValueError, OverflowError):
        raise Refusal(400, f"'{name}' is not a day: {_shorten(text)!r}; expected one such as "
                           "2026-03-01.") from None


def _duration(name: str, text: str) -> int:
    found = _DURATION.fullmatch(text.strip())
    duration = round(float(found[1]) * _UNITS[found[2] or "s"]) if found else 0
    if duration <= 0:
        raise Refusal(400, f"'{name}' is not a span of time: {_shorten(text)!r}; expected a number "
                           "above zero with s, min, h or d, such as 5 min.")
    return duration


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """From when to when, and in what steps; all ms."""

    start: int
    end: int
    step: int


def read_span(start: str | None, end: str | None, every: str | None, now: int) -> Span:
    """Read ``from``, ``to`` and ``every``; the last 24 hours in 500 steps unless said otherwise.

    Raises ``Refusal`` (400) when one is not a time, or they make no sense together.
    """
    until = read_instant("to", end) if end else now
    since = read_instant("from", start) if start else until - _UNITS["d"]
    if since >= until:
        raise Refusal(400, "'from' must be before 'to'.")
    step = _duration("every", every) if every else max(-(-(until - since) // 500), 1000)
    if -(-(until - since) // step) > _STEPS_LIMIT:
        raise Refusal(400, f"That is more than {_STEPS_LIMIT} steps; make 'every' longer or the "
                           "span shorter.")
    return Span(start=since, end=until, step=step)


async def _body(request: Request) -> bytes:
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _BODY_LIMIT:
            raise Refusal(413, f"That is too much: {_BODY_LIMIT} bytes at most.")
    return bytes(body)


def _from_json(body: bytes) -> dict[str, str]:
    try:
        raw: Any = json.loads(body)
    except (ValueError, RecursionError):
        raise Refusal(400, "The body is not JSON.") from None
    if not isinstance(raw, dict):
        raise Refusal(400, "The body must be a JSON object with 'by', and where it is needed "
                           "'why' and 'for' or 'until'.")
    numbers = (int, float)
    for name, value in raw.items():
        if not isinstance(value, str) and (isinstance(value, bool) or name not in ("for", "until")
                                           or not isinstance(value, numbers)):
            raise Refusal(400, f"{_shorten(name)!r} must be text.")
    return {name: str(value) for name, value in raw.items()}


async def read_ask(request: Request) -> ActionAsk:
    """Read the body of a request to act, JSON or form.

    Raises ``Refusal``: 413 when it is too long, 415 for another kind, 400 when it cannot be read.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind == _JSON:
        return ActionAsk(fields=_from_json(await _body(request)), from_form=False)
    if kind != FORM:
        raise Refusal(415, f"Send {_JSON} or {FORM}.")
    form = await request.form(max_fields=40, max_files=0)
    fields = {name: value for name, value in form.multi_items() if isinstance(value, str)}
    if any("\ufffd" in value for value in fields.values()):
        raise Refusal(400, "The form cannot be read.")
    return ActionAsk(fields=fields, from_form=True)


def local_path(text: str, otherwise: str) -> str:
    """Return ``text`` when it is a path of this board, else ``otherwise``.

    >>> [local_path(text, "/") for text in ("/alarms?q=1#a", "//x.test/", "https://x.test")]
    ['/alarms?q=1#a', '/', '/']
    """
    plain = text.isascii() and text.isprintable() and not set(text) & set("\\ \"<>")
    return text if plain and re.fullmatch(r"/(?!/).{0,300}", text) else otherwise
