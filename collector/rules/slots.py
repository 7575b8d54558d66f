"""One rule, with what was last said of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.verdicts import Standing
from collector.rules.base import Rule
from collector.rules.inputs import Point

__all__ = ["Slot"]


@dataclass(slots=True)
class Slot:
    """One rule and what was last said of it. Instants in ms."""

    rule: Rule
    points: tuple[Point, ...]
    standing: Standing = Standing.ABSENT
    since: int | None = None
    raw: Standing | None = None
    raw_at: int | None = None
    because: str = ""
    unknown: bool = True
    blind: bool = True
    """Whether what it needs is silent, or nobody has looked yet: any sample may end that."""
    due: int | None = None
    dirty: bool = True
    gone: int | None = None
    """When it last returned."""
    held: str = ""
    """What explains it while it holds and is not raised for that."""

    @property
    def key(self) -> str:
        """Its name in a dumped state."""
        return f"{self.rule.condition} {self.rule.asset}"

    def put_off(self, now: int) -> bool:
        """Look whether a due that has come finds what stands; then there is a later due."""
        settled = (
            self.raw is Standing.ABSENT and self.standing is Standing.ABSENT
            and not (self.dirty or self.unknown or self.held)
        )
        later = self.rule.still_absent(now) if settled else None
        if later is None or later <= now:
            return False
        self.due = later
        return True

    def dump(self) -> dict[str, Any]:
        """Return what was said and the rule's own state, as JSON-able data."""
        return {
            "standing": self.standing.value, "since_at": self.since,
            "raw": None if self.raw is None else self.raw.value, "raw_at": self.raw_at,
            "because": self.because, "unknown": self.unknown, "blind": self.blind,
            "dirty": self.dirty, "gone_at": self.gone, "held": self.held,
            "state": self.rule.dump(),
        }

    def load(self, saved: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.standing, self.since = Standing(saved["standing"]), saved["since_at"]
        self.raw = None if saved["raw"] is None else Standing(saved["raw"])
        self.raw_at, self.because = saved["raw_at"], saved["because"]
        # When it is due is found anew: the site file, and so the limits, may be others.
        self.unknown, self.due, self.dirty = saved["unknown"], None, saved["dirty"]
        self.blind = saved.get("blind", self.unknown)
        self.gone, self.held = saved.get("gone_at"), saved.get("held", "")
        self.rule.load(saved["state"])
