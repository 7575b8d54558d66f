"""Links that let a person acknowledge from a message, without an account.

A link names a site, a person, the occurrences it may acknowledge and when it expires, signed with a
key that never leaves the site (HMAC-SHA256, RFC 2104, cut to 128 bits as its section 5 allows). It
can acknowledge once and no more: the life of an alarm has one acknowledgement to each occurrence.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import json
from dataclasses import dataclass
from enum import StrEnum

from collector.domain.errors import QuietpipeError

__all__ = ["BY_LINK", "Link", "LinkFault", "LinkRefused", "LinkSigner"]

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
