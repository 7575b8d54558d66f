"""Line protocol: one line of text for each thing and instant.

Written here and not by the client library, which writes an empty line where no field is finite and
lets a tag that ends in a backslash swallow what follows it. A line that cannot be said is refused
when it is made, so that it never reaches the wire.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["FieldValue", "Line"]

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
        """What names the point at the far end: a second one of the same key would replace it."""
        return self.measurement, tuple(sorted(self.tags.items())), self.time

    def text(self) -> str:
        """Return the line, without its end.

        Raises ``ValueError`` for what line protocol cannot say: no field, a number that is not
        finite, a tag that is empty, ends in a backslash or holds a line's end.

        >>> Line(measurement="riser", tags={"site": "fenmoor", "asset": "r1"},
        ...      fields={"pressure": 25.0}, time=1000).text()
        'riser,asset=r1,site=fenmoor pressure=25.0 1000'
        """
        if not self.fields:
            raise ValueError("a point without a field")
        tags = "".join(f",{_key(k)}={_key(v)}" for k, v in sorted(self.tags.items()))
        fields = ",".join(f"{_key(k)}={_field(v)}" for k, v in self.fields.items())
        return f"{_sound(self.measurement).translate(_MEASUREMENT)}{tags} {fields} {self.time}"


def _key(text: str) -> str:
    return _sound(text).translate(_KEY)


def _sound(text: str) -> str:
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
