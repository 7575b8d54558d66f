"""Declared windows: an impairment of systems, or a planned visit to an asset."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Window", "WindowKind"]


class WindowKind(StrEnum):
    """The kind of a declared window."""

    IMPAIRMENT = "impairment"
    """Systems are closed, drained or tested: what follows from that is suppressed by design."""
    VISIT = "visit"
    """People work on an asset: its alarms are out of service."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """One declared window. Instants are ms since 1970 UTC; ``until`` is when it ends by itself.

    ``asset`` is a riser, a generator (then all it feeds) or the site for an impairment; a thing or
    device for a visit. ``quiet`` are the alarms it keeps quiet, as ``<condition>.<asset>``.
    """

    kind: WindowKind
    asset: str
    since: int
    until: int
    by: str
    why: str
    inhibits: tuple[str, ...] = ()
    reminded: bool = False
    """Whether its end has been announced."""
