"""Robust statistics: median, MAD, Theil-Sen line, Mann-Kendall test.

References
----------
[1] Sen: Estimates of the regression coefficient based on Kendall's tau. J. Am. Stat. Assoc. 63
    (1968) 1379-1389.
[2] EPA QA/G-9S: Data Quality Assessment, Statistical Methods for Practitioners (2006), p. 109.
[3] Yue, Wang: The Mann-Kendall test modified by effective sample size to detect trend in serially
    correlated hydrological series. Water Resources Management 18 (2004) 201-218.
[4] NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.6 (median absolute deviation).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right, insort
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from collector.physics._checks import at_least
from collector.physics.distributions import normal_cdf, normal_quantile

__all__ = ["MannKendall", "SenLine", "mad_deviation", "mann_kendall", "median", "sen_line"]

_MAD_TO_DEVIATION = 1.482602218505602  # 1 / normal_quantile(0.75)


def mad_deviation(values: Sequence[float]) -> float:
    r"""Robust standard deviation: the median absolute deviation scaled to a normal sample [4].

    .. math:: s = 1.4826 \operatorname{med}|x_i - \operatorname{med} x|

    Half of the samples may be absurd before it fails. A signal quantised more coarsely than its
    noise gives 0.

    Parameters
    ----------
    values : at least one sample, any unit.

    Returns
    -------
    Standard deviation in the unit of the samples.

    Raises
    ------
    ValueError
        No samples.

    Examples
    --------
    1 1 2 2 4 6 9 has the median 2 and the median absolute deviation 1 (a worked example found in
    many textbooks; from memory).

    >>> round(mad_deviation([1, 1, 2, 2, 4, 6, 9]), 4)
    1.4826
    """
    at_least("number of values", len(values), 1)
    centre = median(values)
    return _MAD_TO_DEVIATION * float(median([abs(v - centre) for v in values]))


@dataclass(frozen=True, slots=True, kw_only=True)
class SenLine:
    """Robust line: ``slope`` per unit of time, its interval, and ``middle`` at ``middle_time``."""

    slope: float
    low: float
    high: float
    middle_time: float
    middle: float
    count: int

    def at(self, time: float) -> float:
        return self.middle + self.slope * (time - self.middle_time)


def sen_line(times: Sequence[float], values: Sequence[float], *, level: float = 0.90) -> SenLine:
    r"""Theil-Sen line: the median of the slopes of all pairs, with Sen's interval [1].

    .. math::
        b = \operatorname{med}_{i<j} \frac{x_j - x_i}{t_j - t_i}, \qquad
        \text{interval: ranks } \tfrac12\left(N \pm z \sqrt{\operatorname{Var} S}\right)

    It withstands 29 % of absurd samples. Serial correlation makes the interval too narrow. The
    work grows with the square of the count: thin long series first (500 samples: 125 000 slopes).

    Parameters
    ----------
    times, values : samples, at least 3, in any units; pairs at equal times are left out.
    level : coverage of the interval, 0..1.

    Returns
    -------
    The line and its interval, in units of value per unit of time.

    Raises
    ------
    ValueError
        Unequal lengths, fewer than 3 samples, or all at one time.

    Examples
    --------
    [2], the series of p. 109, whose slope by Sen's method is 1.0:

    >>> sen_line(range(11), [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]).slope
    1.0
    """
    _alike(times, values)
    at_least("number of samples", len(values), 3)
    slopes = sorted(
        (values[j] - values[i]) / (times[j] - times[i])
        for i in range(len(values))
        for j in range(i + 1, len(values))
        if times[j] != times[i]
    )
    if not slopes:
        raise ValueError("all samples are at one time: no slope")
    spread = normal_quantile(0.5 + 0.5 * level) * math.sqrt(
        _score_variance(len(values), [*_ties(values), *_ties(times)])
    )
    count = len(slopes)
    low = max(round((count - spread) / 2) - 1, 0)
    high = min(round((count + spread) / 2), count - 1)
    return SenLine(
        slope=median(slopes),
        low=slopes[low],
        high=slopes[high],
        middle_time=median(times),
        middle=median(values),
        count=len(values),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MannKendall:
    """Score S, its variance, the standard score z and the two-sided p value."""

    score: int
    variance: float
    z: float
    p: float

    @property
    def rising(self) -> bool:
        """Whether the score points upwards, significant or not."""
        return self.score > 0


def mann_kendall(values: Sequence[float], *, lag_one: bool = False) -> MannKendall:
    r"""Test a series for a monotone trend, without assuming its shape or its distribution [2].

    .. math::
        S = \sum_{i<j} \operatorname{sign}(x_j - x_i), \quad
        \operatorname{Var} S = \frac{n(n-1)(2n+5) - \sum_g g(g-1)(2g+5)}{18}, \quad
        z = \frac{S \mp 1}{\sqrt{\operatorname{Var} S}}

    Parameters
    ----------
    values : samples in order of time, at least 4; a season must be averaged out before.
    lag_one : inflate the variance for the lag-one correlation of the detrended series [3].
        Without it, correlated samples find trends that are not there.

    Returns
    -------
    Score, variance, z and p. The normal approximation is fair from 10 samples on.

    Raises
    ------
    ValueError
        Fewer than 4 samples.

    Examples
    --------
    [2], p. 109: S = 22, variance 155.33, z = 1.685.

    >>> found = mann_kendall([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])
    >>> found.score, round(found.variance, 2), round(found.z, 3)
    (22, 155.33, 1.685)
    """
    n = at_least("number of samples", len(values), 4)
    score = 0
    ordered: list[float] = []
    for value in values:
        score += bisect_left(ordered, value) - (len(ordered) - bisect_right(ordered, value))
        insort(ordered, value)
    variance = _score_variance(n, _ties(values))
    if lag_one:
        variance *= _inflation(values)
    step = (score > 0) - (score < 0)
    z = (score - step) / math.sqrt(variance) if variance > 0 else 0.0
    return MannKendall(score=score, variance=variance, z=z, p=2.0 * normal_cdf(-abs(z)))


def _inflation(values: Sequence[float]) -> float:
    """Divide samples by effective samples, for a first-order process [3], equation 8."""
    n = len(values)
    line = sen_line(range(n), values)
    left = [v - line.slope * i for i, v in enumerate(values)]
    mean = math.fsum(left) / n
    spread = math.fsum((v - mean) ** 2 for v in left)
    if spread <= 0:
        return 1.0
    pairs = zip(left, left[1:], strict=False)
    r = math.fsum((a - mean) * (b - mean) for a, b in pairs) / spread
    return max(1.0 / n, 1.0 + 2.0 * math.fsum((1.0 - k / n) * r**k for k in range(1, n)))


def _score_variance(n: int, ties: Sequence[int]) -> float:
    whole = n * (n - 1) * (2 * n + 5)
    return (whole - sum(g * (g - 1) * (2 * g + 5) for g in ties)) / 18.0


def _ties(values: Sequence[float]) -> list[int]:
    return [count for count in Counter(values).values() if count > 1]


def _alike(times: Sequence[float], values: Sequence[float]) -> None:
    if len(times) != len(values):
        raise ValueError(f"{len(times)} times for {len(values)} values")
