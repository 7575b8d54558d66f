"""Numbers as the people of a site read them: its units, its clock, plain words.

Readings are kept in psi gauge, percent and degrees C; a site reads psi and degrees F, or bar and
degrees C. This is the way out for every message of a rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from collector.domain.conditions import CAUTIONS, Condition
from collector.domain.messages import CAUTION, CHECKS
from collector.domain.plant import Plant
from collector.domain.readings import point_kind, split_point

__all__ = ["Words", "duration_text"]

_BAR_PER_PSI = 0.0689475729


def duration_text(duration: int) -> str:
    """Write ms as a person says it.

    >>> duration_text(725_000), duration_text(40_000), duration_text(3 * 86_400_000)
    ('12.1 min', '40 s', '3.0 days')
    """
    seconds = duration / 1000
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 2 * 3600:
        return f"{seconds / 60:.1f} min"
    if seconds < 2 * 86400:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86400:.1f} days"


class Words:
    """Says quantities, instants and names in the way of one site."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self._metric = plant.site.units == "metric"
        self._zone = ZoneInfo(plant.site.timezone)

    def __repr__(self) -> str:
        return f"Words({self.plant.site.id}, {self.plant.site.units})"

    def name(self, asset: str) -> str:
        """Return how people call a thing or device."""
        return self.plant.name_of(asset)

    def label(self, point: str) -> str:
        """Return how people call what is read, without the thing: ``tank pressure``."""
        asset, quantity = split_point(point)
        thing = self.plant.thing(asset)
        known = point_kind(thing.kind, quantity) if thing is not None else None
        return known.label if known is not None else quantity.replace("_", " ")

    def pressure(self, psi: float) -> str:
        """Write a gauge pressure."""
        if self._metric:
            return f"{psi * _BAR_PER_PSI:.2f} bar"
        return f"{psi:.1f} psi"

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return f"{celsius:.1f} °C" if self._metric else f"{celsius * 1.8 + 32:.0f} °F"

    def percent(self, value: float) -> str:
        """Write a share or an oxygen content."""
        return f"{value:.1f} %"

    def duration(self, ms: int) -> str:
        """Write a duration."""
        return duration_text(ms)

    def instant(self, at: int) -> str:
        """Write an instant by the site's clock: ``00:10:05 on Sunday 1 March 2026 (GMT)``."""
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
