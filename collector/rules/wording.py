"""Texts of rules' messages, in the units, names and time zone of one site."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from collector.domain.conditions import CAUTIONS, Condition
from collector.domain.messages import CAUTION, CHECKS
from collector.domain.plant import Plant
from collector.domain.readings import point_kind, split_point
from collector.domain.units import duration_text, scale_of, value_text


class Words:
    """Formats quantities, instants and names for one site."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        units = plant.site.units
        self._pressure, self._temperature = scale_of("psi", units), scale_of("degC", units)
        self._zone = ZoneInfo(plant.site.timezone)

    def __repr__(self) -> str:
        return f"Words({self.plant.site.id}, {self.plant.site.units})"

    def name(self, asset: str) -> str:
        """Return the name of an asset or device."""
        return self.plant.name_of(asset)

    def label(self, point: str) -> str:
        """Return the label of a point without its asset: ``tank pressure``."""
        asset, quantity = split_point(point)
        thing = self.plant.thing(asset)
        known = point_kind(thing.kind, quantity) if thing is not None else None
        return known.label if known is not None else quantity.replace("_", " ")

    def pressure(self, psi: float) -> str:
        """Return a gauge pressure (psi) as text."""
        return value_text(psi, self._pressure)

    def temperature(self, celsius: float) -> str:
        """Return a temperature (degrees C) as text."""
        return value_text(celsius, self._temperature)

    def percent(self, value: float) -> str:
        """Return a share or an oxygen content as text."""
        return f"{value:.1f} %"

    def duration(self, ms: int) -> str:
        """Return a duration (ms) as text."""
        return duration_text(ms)

    def instant(self, at: int) -> str:
        """Return an instant (ms) by the site's clock: ``00:10:05 on Sunday 1 March 2026 (GMT)``."""
        local = datetime.fromtimestamp(at // 1000, UTC).astimezone(self._zone)
        return f"{local:%H:%M:%S} on {local:%A} {local.day} {local:%B %Y} ({local:%Z})"

    def next_midnight(self, now: int) -> int:
        """Return the first local midnight after ``now``, in ms; right across a change of hour."""
        local = datetime.fromtimestamp(now // 1000, UTC).astimezone(self._zone)
        # Walking the ordinal keeps to the calendar: a day of 23 or 25 h still ends at midnight.
        day = datetime.fromordinal(local.toordinal() + 1)
        return int(day.replace(tzinfo=self._zone).timestamp()) * 1000

    def message(
        self, condition: Condition, asset: str, *, since: int | None, numbers: str,
        first: Sequence[str] = (), causes: Sequence[str] | None = None,
    ) -> str:
        """Compose a whole message: what, where, since when, numbers, causes in order, caution.

        ``first`` are causes that the readings themselves point at; they go before the usual ones
        (``causes``, the condition's own unless given).
        """
        parts = [f"{condition.title}: {self.name(asset)}."]
        if since is not None:
            parts.append(f"Since {self.instant(since)}.")
        parts.append(numbers)
        checks = [*first, *(condition.causes if causes is None else causes)]
        if checks:
            listed = "; ".join(f"{n}) {c}" for n, c in enumerate(checks, 1))
            parts.append(f"{CHECKS} {listed}.")
        parts.extend(f"{CAUTION} {CAUTIONS[name]}" for name in condition.cautions)
        return " ".join(parts)

    @staticmethod
    def with_reason(message: str, reason: str) -> str:
        """Put a sentence into a composed message, after the numbers and before what to check."""
        at = min((i for i in (message.find(m) for m in (CHECKS, CAUTION)) if i >= 0),
                 default=len(message))
        return " ".join(p for p in (message[:at].rstrip(), reason, message[at:]) if p)
