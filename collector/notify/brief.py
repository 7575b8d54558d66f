"""The short form of a message, for a text message or a push notification: one line, one link.

A text message of the 7-bit alphabet holds 160 characters; one letter outside of it and it holds
70 (3GPP TS 23.038 6.1.2.1). So every letter is brought into that alphabet, and what is too long is
cut where it hurts least: first the asset's name, then the title.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from collector.domain.messages import measured_of
from collector.domain.plant import Plant
from collector.notify import Message, NewsItem, place_of, title_of

LONGEST = 160
"""Characters of one text message."""

_ALPHABET = frozenset(
    "@£$¥èéùìòÇØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    "ÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà")
"""Letters that take one place (3GPP TS 23.038 6.2.1, without those that need an escape)."""
_INSTEAD = {"–": "-", "−": "-", "’": "'", "“": '"', "”": '"', "·": "-", "…": "...", "°": " deg "}


def plain(text: str) -> str:
    """Return ``text`` in letters that take one place each in a text message.

    >>> plain("−4.0 °C in Łódź – Büro")
    '-4.0 deg C in Lodz - Büro'
    """
    out = []
    for letter in "".join(_INSTEAD.get(c, c) for c in text):
        if letter in _ALPHABET:
            out.append(letter)
            continue
        base = [c for c in unicodedata.normalize("NFKD", letter) if c in _ALPHABET]
        out.append("".join(base) or {"Ł": "L", "ł": "l", "đ": "d"}.get(letter, "?"))
    return " ".join("".join(out).split())


def brief_message(news: Sequence[NewsItem], plant: Plant, *, link: str = "") -> Message:
    """Return the short form of the first item, which is the most urgent, and the others' number.

    ``link`` is an address; the board's own where one that acknowledges would be too long.
    """
    first = news[0]
    more = f" and {len(news) - 1} more" if len(news) > 1 else ""
    title, place = plain(title_of(first.event)), plain(place_of(first.event, plant))
    found = measured_of(first.event.values, plant.site.units)
    value = plain(f". {found.comparison}") if found is not None else ""
    tail = f"{value}{more}. {link}" if link else f"{value}{more}."
    room = LONGEST - len(plain(first.lead())) - 1 - len(tail) - 2
    place = _cut(place, max(room - len(title), 8))
    title = _cut(title, max(room - len(place), 8))
    text = f"{plain(first.lead())} {title}, {place}{tail}"
    if len(text) > LONGEST:
        text = text.replace(value, "", 1)
    return Message(subject="", body=text[:LONGEST])


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[:most - 1].rstrip()}."
