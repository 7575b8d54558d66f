"""Durations and instants as people read them, the same on every page and in every message."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from collector.domain.units import SECOND

__all__ = ["duration_text", "local_time", "time_text"]

_SIZES = ((86400, "d"), (3600, "h"), (60, "min"), (1, "s"))
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - shifted into UTC below, without a float on the way


def duration_text(duration: int) -> str:
    """Write ms as people say it, to the two largest units.

    >>> duration_text(7_845_000)
    '2 h 10 min'
    """
    seconds = max(duration, 0) // SECOND
    parts: list[str] = []
    for position, (size, unit) in enumerate(_SIZES):
        if seconds >= size:
            parts.append(f"{seconds // size} {unit}")
            rest = seconds % size
            if position + 1 < len(_SIZES) and rest >= _SIZES[position + 1][0]:
                parts.append(f"{rest // _SIZES[position + 1][0]} {_SIZES[position + 1][1]}")
            break
    return " ".join(parts) or "0 s"


def local_time(instant: int, zone: ZoneInfo) -> datetime:
    """Return an instant (ms since 1970 UTC) on the wall clock of ``zone``."""
    utc = (_EPOCH + timedelta(milliseconds=instant)).replace(tzinfo=ZoneInfo("UTC"))
    return utc.astimezone(zone)


def time_text(instant: int, zone: ZoneInfo) -> str:
    """Write an instant by the site's clock, with the zone's own letters for it.

    >>> time_text(1774749005000, ZoneInfo("Europe/London"))
    'Sunday 29 March 2026, 02:50:05 BST'
    """
    local = local_time(instant, zone)
    return f"{local:%A} {local.day} {local:%B %Y, %H:%M:%S %Z}"
