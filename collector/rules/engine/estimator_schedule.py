"""Schedule of estimates: at the site's midnight, and at once where one is ready."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from collector.domain.events import EstimateMade
from collector.rules.base import Estimator
from collector.rules.inputs import Inputs
from collector.rules.wording import Words


class EstimatorSchedule:
    """The estimators of one site. Instants in ms."""

    def __init__(self, estimators: Sequence[Estimator], inputs: Inputs, words: Words) -> None:
        self.estimators, self._words = tuple(estimators), words
        self.midnight: int | None = None
        """When every estimator makes an estimate next."""
        self._requested = False
        self._subscribed: dict[str, list[Estimator]] = {}
        for estimator in self.estimators:
            for name in estimator.inputs:
                inputs.point(name)
                self._subscribed.setdefault(name, []).append(estimator)

    def __repr__(self) -> str:
        return f"EstimatorSchedule({len(self.estimators)} estimators, midnight={self.midnight})"

    def deliver(self, name: str, at: int, value: float, before: int | None) -> bool:
        """Deliver a good sample; return whether an estimator is ready before midnight."""
        ready = False
        for estimator in self._subscribed.get(name, ()):
            estimator.observe(name, at, value, before)
            ready = ready or estimator.wanted
        return ready

    def consumers(self, name: str) -> list[Estimator]:
        """Return the estimators that take samples of a point."""
        return self._subscribed.get(name, [])

    def begin(self, now: int) -> None:
        """Begin the first day."""
        self.midnight = self._words.next_midnight(now)
        for estimator in self.estimators:
            estimator.begin(now)

    def clock_set_to(self, now: int) -> None:
        """Find midnight again after the clock was set."""
        self.midnight = self._words.next_midnight(now)

    def request(self) -> None:
        """Have the estimators that are ready make an estimate at the next tick."""
        self._requested = True

    def is_due(self, now: int) -> bool:
        """Whether a tick at ``now`` makes estimates."""
        return self._requested or (self.midnight is not None and now >= self.midnight)

    def make(self, now: int) -> list[EstimateMade]:
        """Return the day's estimates at the site's midnight, otherwise those that are ready."""
        if self.midnight is None or now < self.midnight:
            requested, self._requested = self._requested, False
            ready = [e for e in self.estimators if e.wanted] if requested else []
        else:
            ready = list(self.estimators)
            self.midnight = self._words.next_midnight(max(self.midnight, now))
        return [made for estimator in ready if (made := estimator.make(now)) is not None]

    def dump(self) -> dict[str, Any]:
        return {f"{e.quantity} {e.asset}": e.dump() for e in self.estimators}

    def load(self, state: Mapping[str, Any], midnight: int | None, now: int) -> None:
        """Restore a dumped state; what it does not know begins at ``now``."""
        self.midnight = midnight
        for estimator in self.estimators:
            saved = state.get(f"{estimator.quantity} {estimator.asset}")
            if saved is not None:
                estimator.load(saved)
            else:
                estimator.begin(now)
        self._requested = any(e.wanted for e in self.estimators)
