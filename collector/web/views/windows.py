"""Impairments, visits and fills in force, in words: what each suppresses and until when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote
from zoneinfo import ZoneInfo

from collector.domain.actions import WINDOW_DETAILS, DeclaredFill, Window, WindowKind
from collector.domain.plant import Plant
from collector.web.views import location_of, moment, title_of

STATES = {"impairment": "Impaired", "visit": "Planned visit", "fill": "System fill"}
"""The state of an asset under each kind of declaration, the gravest kind first."""
_HEADINGS = {"impairment": "Impairment of", "visit": "Planned visit to", "fill": "System fill of"}


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclarationView:
    """One impairment, visit or fill; ``until_ms`` in ms, ``covers`` the assets out of service."""

    kind: str
    asset: str
    heading: str
    where: str
    until: str
    until_ms: int
    declared: str
    suppressed: tuple[str, ...]
    """A line for each asset with its suppressed alarms."""
    inhibits: frozenset[str]
    covers: frozenset[str]
    since: str = ""
    details: tuple[tuple[str, str], ...] = ()
    """Label and text of what the impairment procedure asks for."""
    end: str
    """The path that ends it."""

    @property
    def state(self) -> str:
        """Return the state of its assets, such as ``Impaired until 19:49``."""
        return f"{STATES[self.kind]} until {self.until}"


def name_of(plant: Plant, asset: str) -> str:
    """Return the name of an asset, or of the site."""
    return plant.site.name if asset == plant.site.id else location_of(plant, asset)


def declaration_views(
    windows: Sequence[Window], fills: Sequence[DeclaredFill], plant: Plant, now: int,
) -> tuple[DeclarationView, ...]:
    """Return what is in force: impairments first, then visits, then fills; of each the last end."""
    zone = ZoneInfo(plant.site.timezone)
    made = [_window(w, plant, zone, now) for w in windows]
    made += [_fill(f, plant, zone, now) for f in fills]
    order = list(STATES)
    return tuple(sorted(made, key=lambda d: (order.index(d.kind), -d.until_ms, d.asset)))


def _window(window: Window, plant: Plant, zone: ZoneInfo, now: int) -> DeclarationView:
    impairment = window.kind is WindowKind.IMPAIRMENT
    return DeclarationView(
        kind=window.kind.value, asset=window.asset, where=name_of(plant, window.asset),
        heading=f"{_HEADINGS[window.kind.value]} {name_of(plant, window.asset)}",
        until=moment(window.until, zone, now), until_ms=window.until,
        declared=f"Declared by {window.by}: {window.why}" if window.since > now
        else f"Declared by {window.by} at {moment(window.since, zone, now)}: {window.why}",
        suppressed=_suppressed(window, plant), inhibits=frozenset(window.inhibits),
        covers=plant.downstream_of(window.asset) if impairment else frozenset({window.asset}),
        end=f"/{window.kind}s/{quote(window.asset, safe='')}/end",
        since=moment(window.since, zone, now), details=tuple(
            (label, window.details[key]) for key, label in WINDOW_DETAILS.items()
            if key in window.details),
    )


def _fill(fill: DeclaredFill, plant: Plant, zone: ZoneInfo, now: int) -> DeclarationView:
    since = "" if fill.since is None else f" at {moment(fill.since, zone, now)}"
    return DeclarationView(
        kind="fill", asset=fill.asset, where=name_of(plant, fill.asset),
        heading=f"{_HEADINGS['fill']} {name_of(plant, fill.asset)}",
        until=moment(fill.until, zone, now), until_ms=fill.until,
        declared=f"Declared by {fill.by}{since}: {fill.why}" if fill.by
        else "It is not known who declared it.",
        suppressed=(), inhibits=frozenset(), covers=plant.downstream_of(fill.asset),
        end=f"/fills/{quote(fill.asset, safe='')}/end",
    )


def _suppressed(window: Window, plant: Plant) -> tuple[str, ...]:
    places: dict[str, list[str]] = {}
    for name in window.inhibits:
        condition, _, asset = name.partition(".")
        places.setdefault(location_of(plant, asset), []).append(title_of(condition).lower())
    return tuple(f"{place}: {', '.join(titles)}." for place, titles in places.items())
