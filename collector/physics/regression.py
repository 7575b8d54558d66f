"""Straight lines through samples whose errors remember each other.

A pressure that is sampled every few seconds does not give a new opinion every few seconds: its
errors drift with temperature, regulator and rounding. The plain interval of a least-squares slope
is then several times too narrow. Here the residuals' lag-one correlation shrinks the number of
samples that count [1].

References
----------
[1] Santer et al.: Statistical significance of trends and trend differences in layer-average
    atmospheric temperature time series. J. Geophys. Res. 105 (2000) 7337-7356; equations 4 to 6.
[2] Kendall: Note on bias in the estimation of autocorrelation. Biometrika 41 (1954) 403-404;
    for a fitted line after van Giersbergen, Economics Letters 86 (2005) 67-73 (from memory).
[3] Newey, West: A simple, positive semi-definite, heteroskedasticity and autocorrelation
    consistent covariance matrix. Econometrica 55 (1987) 703-708.
[4] Anscombe: Graphs in statistical analysis. The American Statistician 27 (1973) 17-21 (data
    from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from collector.physics._checks import at_least, positive
from collector.physics.estimate import Estimate

__all__ = ["Line", "effective_count", "fit_line", "newey_west_deviation", "unbiased_lag_one"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A fitted line.

    ``slope`` carries the interval corrected for lag-one correlation; ``middle`` is the value at
    ``middle_time`` (the weighted mean time), where slope and level are independent.
    ``residual_deviation`` is the scatter around the line, ``lag_one`` the correlation of
    neighbouring residuals after the correction for its bias, ``effective_count`` the samples that
    count, ``white_deviation`` the slope's deviation if they all did.
    """

    slope: Estimate
    middle: Estimate
    middle_time: float
    residual_deviation: float
    lag_one: float
    count: int
    effective_count: float
    white_deviation: float

    @property
    def intercept(self) -> float:
        """Value at time 0."""
        return self.at(0.0)

    def at(self, time: float) -> float:
        """Value of the line at a time."""
        return self.middle.value + self.slope.value * (time - self.middle_time)


def fit_line(
    times: Sequence[float],
    values: Sequence[float],
    weights: Sequence[float] | None = None,
    *,
    correlated: bool = True,
) -> Line:
    r"""Weighted least-squares line with an interval that survives correlated errors.

    .. math::
        b = \frac{\sum w (t - \bar t)(y - \bar y)}{\sum w (t - \bar t)^2}, \qquad
        n_e = n \frac{1 - r_1}{1 + r_1}, \qquad
        s_b^2 = \frac{\sum w e^2 / (n_e - 2)}{\sum w (t - \bar t)^2}

    with r_1 the lag-one correlation of the residuals, freed of its bias [2] and never taken as
    negative. Samples are taken in the order given, about equally spaced; gaps do little harm.

    Parameters
    ----------
    times, values : at least 4 samples, any units (seconds and kPa, say), times relative to a
        nearby origin.
    weights : inverse variances, relative; all 1 unless given.
    correlated : whether the residuals may remember each other; ``False`` gives the textbook
        interval.

    Returns
    -------
    The line; its slope in units of value per unit of time.

    Raises
    ------
    ValueError
        Unequal lengths, fewer than 4 samples, a weight not above zero, all samples at one time.

    Examples
    --------
    [4], the first of four series that share one line: slope 0.500, its deviation 0.118, the
    intercept 3.00.

    >>> x = [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
    >>> y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]
    >>> line = fit_line(x, y, correlated=False)
    >>> round(line.slope.value, 3), round(line.slope.deviation, 3), round(line.intercept, 2)
    (0.5, 0.118, 3.0)
    """
    n = at_least("number of samples", len(values), 4)
    if len(times) != n or (weights is not None and len(weights) != n):
        raise ValueError(
            f"{len(times)} times for {n} values; times, values and weights go together"
        )
    w = [1.0] * n if weights is None else [positive("weight", x) for x in weights]
    total = math.fsum(w)
    t_mean = math.fsum(a * t for a, t in zip(w, times, strict=True)) / total
    y_mean = math.fsum(a * y for a, y in zip(w, values, strict=True)) / total
    dt = [t - t_mean for t in times]
    dy = [y - y_mean for y in values]
    s_tt = math.fsum(a * t * t for a, t in zip(w, dt, strict=True))
    if s_tt <= 0:
        raise ValueError("all samples are at one time: no slope")
    slope = math.fsum(a * t * y for a, t, y in zip(w, dt, dy, strict=True)) / s_tt
    scaled = [math.sqrt(a) * (y - slope * t) for a, t, y in zip(w, dt, dy, strict=True)]
    squares = math.fsum(e * e for e in scaled)
    lagged = math.fsum(a * b for a, b in zip(scaled, scaled[1:], strict=False))
    return line_from_sums(
        count=n,
        weight=total,
        middle_time=t_mean,
        middle=y_mean,
        slope=slope,
        time_spread=s_tt,
        squares=squares,
        raw_lag_one=lagged / squares if correlated and squares > 0 else None,
    )


def line_from_sums(
    *,
    count: int,
    weight: float,
    middle_time: float,
    middle: float,
    slope: float,
    time_spread: float,
    squares: float,
    raw_lag_one: float | None,
) -> Line:
    """Finish a line from its sums: weighted squares of time and residual, and their correlation.

    ``raw_lag_one`` is the correlation of neighbouring residuals as computed, or ``None`` when
    they are known to be independent.
    """
    lag_one = 0.0 if raw_lag_one is None else max(0.0, unbiased_lag_one(raw_lag_one, count))
    counted = effective_count(count, lag_one)
    freedom = counted - 2.0
    variance = squares / freedom
    white = squares / (count - 2)
    return Line(
        slope=Estimate(value=slope, deviation=math.sqrt(variance / time_spread), freedom=freedom),
        middle=Estimate(
            value=middle,
            deviation=math.sqrt(variance / weight * (count / counted) * freedom / (count - 2)),
            freedom=freedom,
        ),
        middle_time=middle_time,
        residual_deviation=math.sqrt(white),
        lag_one=lag_one,
        count=count,
        effective_count=counted,
        white_deviation=math.sqrt(white / time_spread),
    )


def unbiased_lag_one(raw: float, count: int) -> float:
    r"""Lag-one correlation of the residuals of a line, freed of its small-sample bias [2].

    .. math:: E[r] \approx \rho - \frac{2 + 4\rho}{n}, \qquad
        \hat\rho = \frac{n r + 2}{n - 4}

    Parameters
    ----------
    raw : correlation as computed from the residuals.
    count : number of samples, above 4; at or below that 0.99 is returned: nothing is known.

    Returns
    -------
    Correlation, at most 0.99.

    Examples
    --------
    Independent errors leave residuals that look correlated by -2/n [2]:

    >>> unbiased_lag_one(-0.02, 100)
    0.0
    """
    if count <= 4:
        return 0.0 if raw <= 0 else 0.99
    return min(0.99, (count * raw + 2.0) / (count - 4.0))


def effective_count(count: int, lag_one: float) -> float:
    r"""Count the samples that matter when neighbours are correlated [1], equation 6.

    .. math:: n_e = n \frac{1 - r_1}{1 + r_1}

    Parameters
    ----------
    count : number of samples.
    lag_one : correlation of neighbours, 0 to below 1.

    Returns
    -------
    Effective number, at least 4: residuals so smooth that they say less are a misfit of the
    line, and a misfit is no wider than what is seen of it.

    Examples
    --------
    A correlation of one half leaves a third.

    >>> round(effective_count(300, 0.5))
    100
    """
    return max(4.0, count * (1.0 - lag_one) / (1.0 + lag_one))


def newey_west_deviation(
    times: Sequence[float], values: Sequence[float], *, lags: int | None = None
) -> float:
    r"""Deviation of a least-squares slope by the estimator of Newey and West [3].

    .. math::
        s_b^2 = \frac{1}{S_{tt}^2} \left(\sum u_i^2 +
        2\sum_{l=1}^{L}\left(1-\frac{l}{L+1}\right)\sum_i u_i u_{i-l}\right), \quad
        u_i = (t_i - \bar t) e_i

    It needs no model of the correlation but many samples (some hundred), and is still too small
    when the correlation outlasts ``lags``.

    Parameters
    ----------
    times, values : at least 4 samples.
    lags : L; by default the whole part of 4 (n/100)^(2/9).

    Returns
    -------
    Standard deviation of the slope.

    Raises
    ------
    ValueError
        As :func:`fit_line`, or negative lags.
    """
    line = fit_line(times, values, correlated=False)
    n = len(values)
    reach = int(4.0 * (n / 100.0) ** (2.0 / 9.0)) if lags is None else at_least("lags", lags, 0)
    u = [(t - line.middle_time) * (y - line.at(t)) for t, y in zip(times, values, strict=True)]
    total = math.fsum(x * x for x in u)
    for lag in range(1, min(reach, n - 1) + 1):
        pairs = math.fsum(a * b for a, b in zip(u, u[lag:], strict=False))
        total += 2.0 * (1.0 - lag / (reach + 1.0)) * pairs
    spread = math.fsum((t - line.middle_time) ** 2 for t in times)
    return math.sqrt(max(total, 0.0)) / spread
