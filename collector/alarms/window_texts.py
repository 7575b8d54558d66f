"""The texts of impairments and visits: declared, planned, ending, ended."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from collector.domain.actions import WINDOW_DETAILS, Window, WindowKind
from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Plant
from collector.domain.units import MINUTE

_PROCEDURE = ("Follow the impairment procedure: notify the owner and the authority having "
              "jurisdiction, keep a fire watch where it is required, and notify them again when "
              "the system is restored.")
_VISIT = "Isolate, lock out and bleed down before you touch anything."


class WindowTexts:
    """Writes the texts of windows. ``names`` are the assets' display names."""

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
        kind = "impairment of" if window.kind is WindowKind.IMPAIRMENT else "planned visit to"
        return f"{kind} {self._name(window.asset)}"

    def begun(self, window: Window, long: Sequence[str]) -> str:
        """Return the text of a declaration: the alarms inhibited meanwhile, and what to do."""
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
        return " ".join([*parts, *self._details(window), self._inhibited_words(window)])

    def planned(self, window: Window) -> str:
        """Return the text of a declaration that begins later."""
        article = "An" if window.kind is WindowKind.IMPAIRMENT else "A"
        return " ".join([
            f"{article} {self._what(window)} is planned by {window.by} from "
            f"{self._instant(window.since)} until {self._instant(window.until)}: "
            f"{window.why.rstrip('.')}. It begins by itself.", *self._details(window)])

    @staticmethod
    def _details(window: Window) -> list[str]:
        return [f"{label}: {window.details[key].rstrip('.')}."
                for key, label in WINDOW_DETAILS.items() if window.details.get(key)]

    def _inhibited_words(self, window: Window) -> str:
        places: dict[str, list[str]] = {}
        for name in window.inhibits:
            condition, _, asset = name.partition(".")
            known = CATALOGUE.get(condition)
            title = known.title.lower() if known is not None else condition
            places.setdefault(self._name(asset), []).append(title)
        listed = "; ".join(f"{place}: {', '.join(titles)}" for place, titles in places.items())
        how = "Suppressed by design" if window.kind is WindowKind.IMPAIRMENT else "Out of service"
        return f"{how} meanwhile, and nothing else: {listed}."

    def ending(self, window: Window, now: int) -> str:
        """Return the text of the reminder before the end."""
        minutes = max((window.until - now) // MINUTE, 1)
        return (f"The {self._what(window)} ends at {self._instant(window.until)}, in "
                f"{minutes} min: {window.why.rstrip('.')}. Restore it by then, or declare it again "
                "with another end. What still holds then is raised.")

    def ended(self, window: Window, by: str, why: str) -> str:
        """Return the text of the end, with the operator if one ended it early."""
        who = f" by {by}" if by else ": its time is up"
        more = f": {why.strip().rstrip('.')}" if by and why.strip() else ""
        impaired = window.kind is WindowKind.IMPAIRMENT
        last = " Notify everyone who was notified of it." if impaired else ""
        return f"The {self._what(window)} ended{who}{more}. Its alarms are raised again.{last}"
