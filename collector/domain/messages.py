"""The parts of an alarm's text: the state, the checks in order, the cautions.

The rules write a text in one line, as events carry it; screens and messages split it into its
parts again.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["CAUTION", "CHECKS", "TextParts", "parts_of"]

CHECKS, CAUTION = "Check in this order:", "Caution:"

_MARK = re.compile(rf"\s*({re.escape(CHECKS)}|{re.escape(CAUTION)})\s*")
_NUMBER = re.compile(r"(?:^|;\s+)\d+\)\s+")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextParts:
    """``facts`` is the text up to its checks and cautions; a text of another make is all facts."""

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
