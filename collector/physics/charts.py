"""Charts that sum small evidence: CUSUM and EWMA, in units of the signal's own deviation.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
[2] Montgomery: Introduction to Statistical Quality Control, the chapter on CUSUM and EWMA charts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from collector.physics._checks import finite, non_negative, positive

__all__ = ["Cusum", "CusumState", "Ewma", "EwmaState"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CusumState:
    """The two sums, and since how many samples each has been above zero."""

    high: float = 0.0
    low: float = 0.0
    high_run: int = 0
    low_run: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cusum:
    r"""Two-sided cumulative sum chart [1].

    .. math::
        C^+_i = \max(0, C^+_{i-1} + x_i - \mu_0 - k), \qquad
        C^-_i = \max(0, C^-_{i-1} - x_i + \mu_0 - k)

    An alarm when one exceeds h. The run says when the change began: the sample after the sum was
    last zero. How often it cries wolf is in :mod:`collector.physics.runlength`; correlated
    samples cry more often.

    Parameters
    ----------
    target : mean when all is well, in the unit of the samples.
    slack : k, half the shift worth finding, same unit.
    limit : h, same unit.

    Raises
    ------
    ValueError
        A slack below zero or a limit that is not above zero.

    Examples
    --------
    [1], 6.3.2.3 (data from memory): target 325, k 0.3175, h 4.1959; the samples 13 and 14, after
    a sum that stood at zero, give 3.01 and 4.94, the first alarm.

    >>> chart = Cusum(target=325, slack=0.3175, limit=4.1959)
    >>> states = list(chart.follow([328.325, 327.250]))
    >>> [round(s.high, 2) for s in states], [chart.alarmed(s) for s in states]
    ([3.01, 4.94], [0, 1])
    """

    target: float
    slack: float
    limit: float

    def __post_init__(self) -> None:
        finite("target", self.target)
        non_negative("slack", self.slack)
        positive("limit", self.limit)

    def step(self, state: CusumState, value: float) -> CusumState:
        """Take one sample."""
        away = value - self.target
        high = max(0.0, state.high + away - self.slack)
        low = max(0.0, state.low - away - self.slack)
        return CusumState(
            high=high,
            low=low,
            high_run=state.high_run + 1 if high > 0 else 0,
            low_run=state.low_run + 1 if low > 0 else 0,
        )

    def follow(
        self, values: Iterable[float], state: CusumState | None = None
    ) -> Iterator[CusumState]:
        """Give the state after each sample."""
        state = state or CusumState()
        for value in values:
            state = self.step(state, value)
            yield state

    def alarmed(self, state: CusumState) -> int:
        """Tell 1 for a shift upwards, -1 downwards, 0 for none."""
        if state.high > self.limit:
            return 1
        return -1 if state.low > self.limit else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class EwmaState:
    """The average, and how many samples it has seen."""

    average: float
    count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ewma:
    r"""Exponentially weighted moving average chart [1].

    .. math::
        z_i = \lambda x_i + (1 - \lambda) z_{i-1}, \qquad
        \mu_0 \pm L s \sqrt{\frac{\lambda}{2 - \lambda}\left(1 - (1-\lambda)^{2i}\right)}

    Parameters
    ----------
    target : mean when all is well.
    deviation : standard deviation of a sample, same unit.
    weight : lambda, above 0, at most 1.
    width : L, in deviations of the average; 3 unless given.
    settled : take the limits of a long run from the first sample on, as [1] does.

    Raises
    ------
    ValueError
        A deviation or width not above zero, a weight outside 0..1.

    Examples
    --------
    [1], 6.3.2.4: target 50, s = 2.0539, lambda 0.3: limits 52.5884 and 47.4115 (the page
    truncates a factor; the lower one computes to 47.4116).

    >>> low, high = Ewma(target=50, deviation=2.0539, weight=0.3).limits()
    >>> round(high, 4), round(low, 4)
    (52.5884, 47.4116)
    """

    target: float
    deviation: float
    weight: float
    width: float = 3.0
    settled: bool = True

    def __post_init__(self) -> None:
        finite("target", self.target)
        positive("deviation", self.deviation)
        positive("width", self.width)
        if not 0 < self.weight <= 1:
            raise ValueError(f"weight must be above 0 and at most 1, given {self.weight!r}")

    def start(self) -> EwmaState:
        """Give the state before the first sample."""
        return EwmaState(average=self.target)

    def step(self, state: EwmaState, value: float) -> EwmaState:
        """Take one sample."""
        average = self.weight * value + (1.0 - self.weight) * state.average
        return EwmaState(average=average, count=state.count + 1)

    def follow(
        self, values: Iterable[float], state: EwmaState | None = None
    ) -> Iterator[EwmaState]:
        """Give the state after each sample."""
        state = state or self.start()
        for value in values:
            state = self.step(state, value)
            yield state

    def limits(self, count: int | None = None) -> tuple[float, float]:
        """Give the low and the high limit, after ``count`` samples or in a long run."""
        share = self.weight / (2.0 - self.weight)
        if count is not None and not self.settled:
            share *= 1.0 - (1.0 - self.weight) ** (2 * count)
        half = self.width * self.deviation * math.sqrt(share)
        return self.target - half, self.target + half

    def alarmed(self, state: EwmaState) -> int:
        """Tell 1 above the high limit, -1 below the low one, 0 between."""
        low, high = self.limits(state.count)
        return int(state.average > high) - int(state.average < low)
