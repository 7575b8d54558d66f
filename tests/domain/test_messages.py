"""Tokens of links: what one says, and everything that was tried to make one say something else."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.messages import Link, LinkFault, LinkRefused, LinkSigner

KEY = b"a key that only this site has, 42"
LINK = Link(person="ann", occurrences=("pressure-low.r1.1772323805",), expires=2_000)
SIGNER = LinkSigner(KEY, "fenmoor")


def fault(token: str, now: int = 1_000, signer: LinkSigner = SIGNER) -> LinkFault:
    with pytest.raises(LinkRefused) as caught:
        signer.read(token, now)
    return caught.value.fault


def test_a_token_says_what_was_signed_until_it_expires() -> None:
    token = SIGNER.sign(LINK)
    assert SIGNER.read(token, 1_999) == LINK
    assert fault(token, now=2_000) is LinkFault.EXPIRED
    assert set(token) <= set(string.ascii_letters + string.digits + "-_.")
    assert KEY.decode() not in repr(SIGNER)


def test_the_signature_is_hmac_sha256_as_rfc_2104_has_it() -> None:
    """Recomputed by the definition H(K ^ opad, H(K ^ ipad, text)), cut to the leftmost 128 bits."""
    head, _, tail = SIGNER.sign(LINK).partition(".")
    payload = base64.urlsafe_b64decode(head + "=" * (-len(head) % 4))
    padded = KEY.ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded)
                           + b"quietpipe link to acknowledge, 1\0" + payload).digest()
    whole = hashlib.sha256(bytes(b ^ 0x5C for b in padded) + inner).digest()
    assert base64.urlsafe_b64decode(tail + "==") == whole[:16]


def test_every_single_character_changed_is_noticed() -> None:
    token = SIGNER.sign(LINK)
    for place in range(len(token)):
        for other in "A", "z", "0", "-", ".", "=", "é":
            if token[place] != other:
                assert fault(token[:place] + other + token[place + 1:]) is LinkFault.FORGED


def _resigned(key: bytes, *fields: object, purpose: bytes = b"quietpipe link to acknowledge, 1\0",
              ) -> str:
    payload = json.dumps(fields, separators=(",", ":")).encode()
    mac = hmac.digest(key, purpose + payload, "sha256")[:16]
    return ".".join(base64.urlsafe_b64encode(b).rstrip(b"=").decode() for b in (payload, mac))


@pytest.mark.parametrize("token", [
    "", ".", "..", "a.b", "Zm9v.Zm9v", "Zm9v", "../../etc/passwd", "%00.%00", "a" * 5000,
    SIGNER.sign(LINK).partition(".")[0] + ".",
    SIGNER.sign(LINK) + "A", SIGNER.sign(LINK) + "=", " " + SIGNER.sign(LINK),
    SIGNER.sign(LINK).upper(),
    _resigned(b"another key of the same length, 4", "fenmoor", "ann", 9e9, ["x.y.1"]),
    _resigned(b"", "fenmoor", "ann", 9_000, ["x.y.1"]),
    _resigned(KEY, "fenmoor", "ann", 9_000, ["x.y.1"], purpose=b""),
    _resigned(KEY, "fenmoor", "ann", 9_000, ["x.y.1"], purpose=b"session\0"),
], ids=["empty", "dot", "dots", "letters", "no-mac", "no-dot", "path", "nul", "huge", "mac-missing",
        "longer", "padded", "space", "upper-case", "other-key", "no-key", "no-purpose",
        "other-purpose"])
def test_forgeries(token: str) -> None:
    assert fault(token) is LinkFault.FORGED


def test_a_longer_life_or_another_alarm_cannot_be_written_into_it() -> None:
    head, _, tail = SIGNER.sign(LINK).partition(".")
    payload = json.loads(base64.urlsafe_b64decode(head + "=" * (-len(head) % 4)))
    for place, value in ((0, "other"), (1, "ben"), (2, 10**15), (3, ["pressure-low.r2.1"])):
        changed = [value if n == place else old for n, old in enumerate(payload)]
        raw = json.dumps(changed, separators=(",", ":")).encode()
        assert fault(base64.urlsafe_b64encode(raw).rstrip(b"=").decode() + "." + tail) \
            is LinkFault.FORGED


def test_another_sites_link_with_a_shared_key_is_told_apart() -> None:
    assert fault(LinkSigner(KEY, "highmoor").sign(LINK)) is LinkFault.OTHER_SITE


def test_a_short_key_is_refused() -> None:
    with pytest.raises(ValueError, match="too short"):
        LinkSigner(b"short", "fenmoor")


@given(st.text(max_size=200))
def test_no_text_at_all_opens_anything_or_breaks_it(token: str) -> None:
    assert fault(token) is LinkFault.FORGED
