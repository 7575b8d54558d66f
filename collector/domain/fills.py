"""A declared fill, during which the compressor may run without pause."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DeclaredFill"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredFill:
    """One declared fill as people see it. Instants are ms since 1970 UTC.

    ``since``, ``by`` and ``why`` are ``None`` and empty where only its end is known. The last
    three are ids of conditions that are watched here: ``held`` are not raised while it lasts,
    ``afterwards`` those of them that stay so for a day after it, and ``longer`` have a longer limit
    of their own meanwhile.
    """

    asset: str
    until: int
    since: int | None = None
    by: str = ""
    why: str = ""
    held: tuple[str, ...] = ()
    afterwards: tuple[str, ...] = ()
    longer: tuple[str, ...] = ()
