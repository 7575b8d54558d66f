"""Messages to people: the parts of a text, links to acknowledge, and deliveries in the journal."""

from __future__ import annotations

import base64
import binascii
import hmac
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from collector.domain.errors import QuietpipeError
from collector.domain.units import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Scale,
    duration_text,
    scale_of,
    value_text,
)

CHECKS, CAUTION = "Check in this order:", "Caution:"

_MARK = re.compile(rf"\s*({re.escape(CHECKS)}|{re.escape(CAUTION)})\s*")
_NUMBER = re.compile(r"(?:^|;\s+)\d+\)\s+")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextParts:
    """The parts of a message's text.

    ``facts`` is what precedes its checks and cautions, or all of a text of another form.
    """

    facts: str
    checks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def parts_of(text: str) -> TextParts:
    """Take a text apart.

    >>> parts_of("Low. Check in this order: 1) a head; 2) the valve. Caution: N2.").checks
    ('a head', 'the valve')
    """
    facts, *rest = _MARK.split(text.strip())
    checks: list[str] = []
    cautions: list[str] = []
    for mark, said in zip(rest[::2], rest[1::2], strict=True):
        if mark == CAUTION:
            cautions.append(said)
        else:
            checks += [c.rstrip(".") for c in _NUMBER.split(said) if c]
    return TextParts(facts=facts, checks=tuple(checks), cautions=tuple(cautions))


@dataclass(frozen=True, slots=True)
class Measured:
    """One number of an alarm beside its limit, all in words."""

    label: str
    value: str
    limit: str

    @property
    def comparison(self) -> str:
        return f"{self.value}, limit {self.limit}"


def measured_of(values: Mapping[str, float | int | str | None], units: str) -> Measured | None:
    """Return an alarm's number and its limit in the site's units; ``None`` without such a pair.

    The keys of events name the unit: ``run_minutes`` is judged by ``limit_minutes``.

    >>> measured_of({"run_minutes": 17.2, "limit_minutes": 12.0}, "us")
    Measured(label='run', value='17 min 12 s', limit='12 min')
    >>> measured_of({"pressure_psi": 15.2, "limit_psi": 18.0}, "metric")
    Measured(label='pressure', value='1.05 bar', limit='1.24 bar')
    """
    for key, limit in values.items():
        unit = key.removeprefix("limit_")
        if unit == key or not isinstance(limit, int | float):
            continue
        for name, value in values.items():
            if name != key and name.endswith(f"_{unit}") and isinstance(value, int | float):
                return Measured(name.removesuffix(f"_{unit}").replace("_", " "),
                                _in_unit(value, unit, units), _in_unit(limit, unit, units))
    return None


_LENGTHS = {"seconds": SECOND, "minutes": MINUTE, "hours": HOUR, "days": DAY}
_UNIT_WORDS = {"percent": "%", "per_hour": "/h"}
_PER = {"minute": "min", "hour": "h", "day": "d"}


def _in_unit(value: float, unit: str, units: str) -> str:
    if unit in _LENGTHS:
        return duration_text(value * _LENGTHS[unit])
    if unit in _UNIT_WORDS:
        return f"{value:.4g} {_UNIT_WORDS[unit]}"
    base, _, time = unit.partition("_per_")
    scale = scale_of({"degc": "degC"}.get(base, base), units)
    # A rate of a temperature or pressure has no offset.
    text = value_text(value, Scale(scale.unit, scale.factor, 0 if time else scale.shift,
                                   scale.digits))
    return text + (f"/{_PER.get(time, time)}" if time else "")


BY_LINK = " by link"
"""What follows a person's name in ``by`` when a link did it."""

_PURPOSE = b"quietpipe link to acknowledge, 1\0"
_MAC_BYTES = 16
_LONGEST = 4096


class LinkFault(StrEnum):
    """The reason for refusing a link."""

    FORGED = "forged"
    OTHER_SITE = "other-site"
    EXPIRED = "expired"
    PERSON_REMOVED = "person-removed"


class LinkRefused(QuietpipeError):
    """A link that opens nothing; ``fault`` says why."""

    def __init__(self, fault: LinkFault) -> None:
        self.fault = fault
        super().__init__(f"the link is refused: {fault.value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """``person`` is an id of the site file, ``expires`` ms since 1970 UTC, excluded."""

    person: str
    occurrences: tuple[str, ...]
    expires: int


def _encoded(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def _decoded(text: str) -> bytes:
    raw = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    if _encoded(raw) != text:
        raise ValueError("another spelling of the same bytes")
    return raw


class LinkSigner:
    """Writes and reads the links of one site."""

    def __init__(self, key: bytes, site: str) -> None:
        if len(key) < 16:
            raise ValueError(f"a key of {len(key)} bytes is too short; 16 at least")
        self._key, self._site = key, site

    def __repr__(self) -> str:
        return f"LinkSigner({self._site})"

    def _mac(self, payload: bytes) -> bytes:
        return hmac.digest(self._key, _PURPOSE + payload, "sha256")[:_MAC_BYTES]

    def sign(self, link: Link) -> str:
        """Return the link's token: letters, digits, ``-``, ``_`` and one full stop."""
        fields = [self._site, link.person, link.expires, list(link.occurrences)]
        payload = json.dumps(fields, separators=(",", ":")).encode()
        return f"{_encoded(payload)}.{_encoded(self._mac(payload))}"

    def read(self, token: str, now: int) -> Link:
        """Return the link of a token. Raises :class:`LinkRefused` unless its signature is right."""
        head, _, tail = token.partition(".")
        try:
            if len(token) > _LONGEST:
                raise ValueError("too long")
            payload, mac = _decoded(head), _decoded(tail)
        except (ValueError, binascii.Error):
            raise LinkRefused(LinkFault.FORGED) from None
        if not hmac.compare_digest(mac, self._mac(payload)):
            raise LinkRefused(LinkFault.FORGED)
        site, person, expires, occurrences = json.loads(payload)
        if site != self._site:
            raise LinkRefused(LinkFault.OTHER_SITE)
        if now >= expires:
            raise LinkRefused(LinkFault.EXPIRED)
        return Link(person=person, occurrences=tuple(occurrences), expires=expires)


REPORT = "report"
"""First half of the kind of a delivery that carries a report: ``report:FILE``."""


class DeliveryState(StrEnum):
    """The state of a message."""

    WAITING = "waiting"
    BEGUN = "begun"
    DELIVERED = "delivered"
    GIVEN_UP = "given-up"
    UNCERTAIN = "uncertain"
    """Cut off twice: it may have arrived, and is not tried a third time."""
    FOLDED = "folded"
    """One of too many that waited: named in a message that stands for all of them."""


class DeliveryOutcome(StrEnum):
    """The result of one delivery attempt."""

    DELIVERED = "delivered"
    RETRY = "retry"
    REPEAT = "repeat"
    """It may have arrived: sent once more, marked as a repeat."""
    UNCERTAIN = "uncertain"
    """It may have arrived, twice: not tried again."""
    GIVEN_UP = "given-up"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewDelivery:
    """A message to be sent.

    ``event_seq`` is the number of the event it reports, ``due`` (ms) when it may first be tried,
    ``kind`` what calls for it (``raised``, ``returned``, ``fact``).
    """

    recipient: str
    subject: str
    body: str
    event_seq: int
    due: int
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A message in the journal.

    ``created`` and ``due`` are ms since 1970 UTC, ``attempts`` the tries that ended in failure.
    ``uncertain``: a try was cut off, so it may have arrived. ``detail``: why the last try failed.
    """

    id: int
    recipient: str
    subject: str
    body: str
    event_seq: int
    created: int
    due: int
    kind: str
    attempts: int = 0
    uncertain: bool = False
    state: DeliveryState = DeliveryState.WAITING
    detail: str = ""
