"""Baselines: learned from the first accepted days, kept until a person resets them.

A family of rules asks once for a baseline (:meth:`Baselines.expect`) and then offers its figure of
each day that met the conditions (:meth:`Baselines.offer`). When enough days are in, their mean is
the baseline and later days change nothing: a compressor that wears slowly must not teach its own
baseline to tire with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.actions import Baseline
from collector.domain.errors import ActionRefused
from collector.domain.events import SystemEvent
from collector.physics.estimate import Estimate

ACCEPTED = "baseline-accepted"
"""Event: a signed acceptance measured a value; it is the baseline until it is reset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Want:
    """A baseline that a rule uses. ``needed`` accepted days; ``given`` replaces learning."""

    quantity: str
    asset: str
    unit: str
    needed: int
    conditions: str
    given: float | None = None

    @property
    def key(self) -> str:
        """Id used to reset it: ``compressor-delivery.gen1``."""
        return f"{self.quantity}.{self.asset}"


class Baselines:
    """Every baseline of one site. ``names`` are the assets' display names."""

    def __init__(self, site: str, names: Mapping[str, str] | None = None) -> None:
        self._site = site
        self._names = names or {}
        self._wants: dict[str, Want] = {}
        self._days: dict[str, list[list[float]]] = {}
        self._accepted: dict[str, list[Any]] = {}
        """When (ms), value, deviation, by whom."""
        self._facts: list[SystemEvent] = []

    def __repr__(self) -> str:
        return f"Baselines({self._site}, {len(self._wants)} wanted, {len(self._days)} begun)"

    def expect(self, want: Want) -> None:
        """Request a baseline; a second request changes its terms and keeps its days."""
        self._wants[want.key] = want

    def offer(self, key: str, figure: Estimate, window: tuple[int, int]) -> None:
        """Add the value of one accepted day (``window`` in ms); ignored once it is learned.

        Raises ``KeyError`` for a baseline that no rule uses.
        """
        want = self._wants[key]
        days = self._days.setdefault(key, [])
        if want.given is not None or key in self._accepted or len(days) >= want.needed:
            return
        start, end = window
        # The length, not the end: a clock that was set moves a row by its first number alone.
        days.append([start, end - start, figure.value, figure.deviation])
        if len(days) == want.needed:
            self._facts.append(self._learned(want, end))

    def get(self, quantity: str, asset: str) -> Estimate | None:
        """Return the baseline, or ``None`` while it is not known."""
        want = self._wants.get(f"{quantity}.{asset}")
        if want is None:
            return None
        if want.given is not None:
            return Estimate(value=want.given, deviation=0.0)
        if want.key in self._accepted:
            return self.accepted(quantity, asset)
        days = self._days.get(want.key, [])
        if len(days) < want.needed:
            return None
        count = len(days)
        spread = math.fsum(d[3] ** 2 for d in days)
        return Estimate(
            value=math.fsum(d[2] for d in days) / count, deviation=math.sqrt(spread) / count,
        )

    def accepted(self, quantity: str, asset: str) -> Estimate | None:
        """Return the value of a signed acceptance, or ``None`` without one."""
        row = self._accepted.get(f"{quantity}.{asset}")
        return None if row is None else Estimate(value=float(row[1]), deviation=float(row[2]))

    def apply(self, fact: SystemEvent) -> bool:
        """Apply the event of an accepted value; return whether the event is one."""
        if fact.fact != ACCEPTED:
            return False
        values = fact.values
        self._accepted[f"{values['quantity']}.{fact.asset}"] = [
            fact.time, float(values["value"] or 0.0), float(values["deviation"] or 0.0),
            str(values["by"])]
        return True

    def reset(self, key: str, now: int, by: str, why: str) -> SystemEvent:
        """Forget a learned baseline and begin to learn it afresh; return the fact to journal.

        Raises ``ActionRefused`` without a reason, for one that is not kept, or for one that the
        site file gives.
        """
        want = self._wants.get(key)
        if not why.strip():
            raise ActionRefused("to reset a baseline needs a reason")
        if want is None:
            raise ActionRefused(f"no such baseline is kept: {key}")
        if want.given is not None:
            raise ActionRefused("this baseline is set in the site file: change it there")
        old = self.get(want.quantity, want.asset)
        self._days.pop(key, None)
        self._accepted.pop(key, None)
        was = "it had not been learned" if old is None else f"it was {old.value:.3g} {want.unit}"
        return SystemEvent(
            time=now, site=self._site, fact="baseline-reset", asset=want.asset,
            text=f"The baseline of {self._called(want)} was reset by {by}: {why}. "
                 f"Before, {was}; it is learned again from the next {want.needed} good days.",
            values={"quantity": want.quantity, "by": by, "why": why, "unit": want.unit,
                    "before": None if old is None else round(old.value, 4)},
        )

    def drain(self) -> list[SystemEvent]:
        """Return the events recorded since the last call."""
        facts, self._facts = self._facts, []
        return facts

    def current(self) -> list[Baseline]:
        """Return every baseline, learned or not, in the order of their requests."""
        return [self._shown(want) for want in self._wants.values()]

    def _shown(self, want: Want) -> Baseline:
        found, days = self.get(want.quantity, want.asset), self._days.get(want.key, [])
        row = self._accepted.get(want.key)
        window = (int(days[0][0]), int(days[-1][0] + days[-1][1])) if days else None
        return Baseline(
            quantity=want.quantity, asset=want.asset, unit=want.unit,
            value=None if found is None else found.value,
            deviation=None if found is None else found.deviation,
            days=len(days), needed=want.needed, given=want.given is not None,
            window=window if row is None else (int(row[0]), int(row[0])),
            conditions=want.conditions, accepted_by="" if row is None else str(row[3]),
        )

    def _called(self, want: Want) -> str:
        return f"{want.quantity.replace('-', ' ')} of {self._names.get(want.asset, want.asset)}"

    def _learned(self, want: Want, now: int) -> SystemEvent:
        found = self.get(want.quantity, want.asset)
        assert found is not None  # noqa: S101 - its last day has just come in
        low, high = found.interval()
        return SystemEvent(
            time=now, site=self._site, fact="baseline-learned", asset=want.asset,
            text=f"The baseline of {self._called(want)} is {found.value:.3g} {want.unit}, "
                 f"learned from {want.needed} good days ({want.conditions}).",
            values={"quantity": want.quantity, "value": round(found.value, 4),
                    "low": round(low, 4), "high": round(high, 4), "unit": want.unit},
        )

    def dump(self) -> dict[str, Any]:
        found: dict[str, Any] = {
            key: {"days_series": [list(d) for d in days]} for key, days in self._days.items()}
        for key, row in self._accepted.items():
            found.setdefault(key, {"days_series": []})["accepted_series"] = [list(row)]
        return found

    def load(self, state: Mapping[str, Any]) -> None:
        self._days = {key: [list(d) for d in held["days_series"]] for key, held in state.items()}
        self._accepted = {key: list(held["accepted_series"][0]) for key, held in state.items()
                          if held.get("accepted_series")}
