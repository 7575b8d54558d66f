"""What people are told of impairments and visits, in the journal and in messages alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Plant
from collector.domain.windows import Window, WindowKind

__all__ = ["WindowWords"]

_PROCEDURE = ("Follow the impairment procedure: tell the owner and the authority having "
              "jurisdiction, keep a watch where it is required, and tell them again when the "
              "system is restored.")
_VISIT = "Isolate, lock out and bleed down before you touch anything."


class WindowWords:
    """Says windows in the way of one site. ``names`` are how people call the assets."""

    def __init__(self, plant: Plant, names: Mapping[str, str]) -> None:
        self._names, self._zone = names, ZoneInfo(plant.site.timezone)

    def _name(self, asset: str) -> str:
        if asset in self._names:
            return self._names[asset]
        thing, dot, quantity = asset.rpartition(".")
        return f"{self._names.get(thing, thing)}, {quantity.replace('_', ' ')}" if dot else asset

    def _instant(self, at: int) -> str:
        local = datetime.fromtimestamp(at // 1000, UTC).astimezone(self._zone)
        return f"{local:%H:%M} on {local:%A} {local.day} {local:%B %Y} ({local:%Z})"

    def _what(self, window: Window) -> str:
        kind = "impairment" if window.kind is WindowKind.IMPAIRMENT else "planned visit"
        return f"{kind} of {self._name(window.asset)}" if kind == "impairment" \
            else f"{kind} to {self._name(window.asset)}"

    def begun(self, window: Window, long: Sequence[str]) -> str:
        """Say that it was declared, what is quiet meanwhile, and what to do."""
        text = f"{self._what(window)} was declared by {window.by}"
        parts = [
            f"{'An' if window.kind is WindowKind.IMPAIRMENT else 'A'} {text} until "
            f"{self._instant(window.until)}: {window.why.rstrip('.')}.",
            _PROCEDURE if window.kind is WindowKind.IMPAIRMENT else _VISIT,
        ]
        if long:
            parts.append(
                f"{', '.join(self._name(r) for r in long)}: more than 10 h out of service within "
                "24 h. The authority having jurisdiction may then require evacuation or a fire "
                "watch (NFPA 1 13.1.9): ask them.")
        return " ".join([*parts, self._quiet(window)])

    def _quiet(self, window: Window) -> str:
        places: dict[str, list[str]] = {}
        for name in window.quiet:
            condition, _, asset = name.partition(".")
            known = CATALOGUE.get(condition)
            title = known.title.lower() if known is not None else condition
            places.setdefault(self._name(asset), []).append(title)
        told = "; ".join(f"{place}: {', '.join(titles)}" for place, titles in places.items())
        how = "Suppressed by design" if window.kind is WindowKind.IMPAIRMENT else "Out of service"
        return f"{how} meanwhile, and nothing else: {told}."

    def ending(self, window: Window, now: int) -> str:
        """Say that it ends soon."""
        minutes = max((window.until - now) // 60_000, 1)
        return (f"The {self._what(window)} ends at {self._instant(window.until)}, in "
                f"{minutes} min: {window.why.rstrip('.')}. Restore it by then, or declare it again "
                "with another end. What still holds then is raised.")

    def ended(self, window: Window, by: str, why: str) -> str:
        """Say that it is over, by whom or by itself."""
        who = f" by {by}" if by else " by itself: its time is up"
        more = f": {why.strip().rstrip('.')}" if by and why.strip() else ""
        last = " Tell those who were told of it." if window.kind is WindowKind.IMPAIRMENT else ""
        return f"The {self._what(window)} ended{who}{more}. Its alarms are raised again.{last}"
