"""Texts in CSV that a spreadsheet would take for formulas, and run."""

from __future__ import annotations

_FORMULA = tuple("=+-@\t\r")


def no_formula(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula; see :func:`without_mark`."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def without_mark(text: str) -> str:
    """Return the text that :func:`no_formula` was given."""
    return text[1:] if text[:1] == "'" and text[1:].startswith(_FORMULA) else text
