"""The JSON answers about impairments and planned visits."""

from __future__ import annotations

from collector.clock import format_instant
from collector.domain.plant import Plant
from collector.domain.windows import Window
from collector.web.answers import Answer

__all__ = ["WindowActAnswer", "WindowAnswer", "WindowsAnswer", "window_answer"]


class WindowAnswer(Answer):
    """One impairment or visit; ``quiet`` holds the alarms it keeps quiet."""

    kind: str
    asset: str
    name: str
    since: str
    until: str
    by: str
    why: str
    quiet: list[str]


class WindowsAnswer(Answer):
    """Every impairment and visit that lasts, the one that ends first before the others."""

    site: str
    time: str
    windows: list[WindowAnswer]


class WindowActAnswer(Answer):
    """What an action led to: the window as it stands, or ``null`` when it ended."""

    done: str
    by: str
    time: str
    window: WindowAnswer | None


def window_answer(window: Window, plant: Plant) -> WindowAnswer:
    """Write one window."""
    name = plant.site.name if window.asset == plant.site.id else plant.name_of(window.asset)
    return WindowAnswer(
        kind=window.kind.value, asset=window.asset, name=name, by=window.by, why=window.why,
        since=format_instant(window.since), until=format_instant(window.until),
        quiet=list(window.quiet),
    )
