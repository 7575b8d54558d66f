"""When the estimators are asked: at the site's midnight, and between where one has news."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from collector.domain.events import EstimateMade
from collector.rules.estimates import Estimator
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

__all__ = ["Asking"]


class Asking:
    """The estimators of one site. Instants in ms."""

    def __init__(self, estimators: Sequence[Estimator], inputs: Inputs, words: Words) -> None:
        self.estimators, self._words = tuple(estimators), words
        self.midnight: int | None = None
        """When all of them are asked next."""
        self._asked = False
        self._hear: dict[str, list[Estimator]] = {}
        for estimator in self.estimators:
            for name in estimator.inputs:
                inputs.point(name)
                self._hear.setdefault(name, []).append(estimator)

    def __repr__(self) -> str:
        return f"Asking({len(self.estimators)} estimators, midnight={self.midnight})"

    def of(self, name: str) -> list[Estimator]:
        """Return the estimators that hear a point."""
        return self._hear.get(name, [])

    def begin(self, now: int) -> None:
        """Begin the first day."""
        self.midnight = self._words.next_midnight(now)
        for estimator in self.estimators:
            estimator.begin(now)

    def clock_set_to(self, now: int) -> None:
        """Take it that the clock was set."""
        self.midnight = self._words.next_midnight(now)

    def ask(self) -> None:
        """Let those that have news be asked next time."""
        self._asked = True

    def asks(self, now: int) -> bool:
        """Whether any would be asked at ``now``."""
        return self._asked or (self.midnight is not None and now >= self.midnight)

    def make(self, now: int) -> list[EstimateMade]:
        """Return the day's estimates at the site's midnight, else those with news."""
        if self.midnight is None or now < self.midnight:
            asked, self._asked = self._asked, False
            ready = [e for e in self.estimators if e.wanted] if asked else []
        else:
            ready = list(self.estimators)
            self.midnight = self._words.next_midnight(max(self.midnight, now))
        return [made for estimator in ready if (made := estimator.make(now)) is not None]

    def dump(self) -> dict[str, Any]:
        """Return the state of all as JSON-able data."""
        return {f"{e.quantity} {e.asset}": e.dump() for e in self.estimators}

    def load(self, state: Mapping[str, Any], midnight: int | None, now: int) -> None:
        """Take over a dumped state; what it does not know begins at ``now``."""
        self.midnight = midnight
        for estimator in self.estimators:
            saved = state.get(f"{estimator.quantity} {estimator.asset}")
            if saved is not None:
                estimator.load(saved)
            else:
                estimator.begin(now)
        self._asked = any(e.wanted for e in self.estimators)
