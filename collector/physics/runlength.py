"""How long a chart runs before it alarms: its false alarms and its delay, before it is used.

References
----------
[1] Brook, Evans: An approach to the probability distribution of CUSUM run length. Biometrika 59
    (1972) 539-549.
[2] Lucas, Crosier: Fast initial response for CUSUM quality-control schemes. Technometrics 24
    (1982) 199-205; table 1.
[3] Crowder: A simple method for studying run-length distributions of exponentially weighted
    moving average charts. Technometrics 29 (1987) 401-407.
[4] Goel, Wu: Determination of A.R.L. and a contour nomogram for CUSUM charts to control normal
    mean. Technometrics 13 (1971) 221-230.
[5] Lucas, Saccucci: Exponentially weighted moving average control schemes. Technometrics 32
    (1990) 1-12.
"""

from __future__ import annotations

import math
from functools import lru_cache

from collector.physics._checks import at_least, finite, non_negative, positive
from collector.physics._linear import gauss_legendre, solve
from collector.physics.distributions import normal_cdf, normal_pdf

__all__ = [
    "cusum_limit",
    "cusum_run_length",
    "cusum_run_length_markov",
    "ewma_run_length",
    "two_sided_cusum_run_length",
]


@lru_cache(maxsize=256)
def cusum_run_length(slack: float, limit: float, shift: float = 0.0, *, nodes: int = 0) -> float:
    r"""Average run length of a one-sided CUSUM of independent normal samples.

    Page's integral equation, solved on Gauss-Legendre nodes [4]:

    .. math::
        L(z) = 1 + L(0)\,\Phi(k - \mu - z) + \int_0^h L(y)\, \varphi(y + k - \mu - z)\, dy

    Parameters
    ----------
    slack, limit, shift : k, h and the true shift of the mean, in deviations of a sample;
        limit up to 40.
    nodes : quadrature nodes; by default enough for six digits.

    Returns
    -------
    Expected number of samples until the alarm, starting from zero.

    Raises
    ------
    ValueError
        A negative slack, or a limit outside the range.

    Examples
    --------
    [1]: k = 0.5, h = 3: 117.59 without a shift and 3.75 for one of 1.5 (computed 117.60).

    >>> round(cusum_run_length(0.5, 3), 1), round(cusum_run_length(0.5, 3, 1.5), 2)
    (117.6, 3.75)
    """
    non_negative("slack", slack)
    finite("shift", shift)
    if not 0 < limit <= 40:
        raise ValueError(f"limit must be above 0 and at most 40 deviations, given {limit!r}")
    count = nodes or max(24, math.ceil(5.0 * limit))
    x, w = gauss_legendre(count)
    y = [0.5 * limit * (1.0 + u) for u in x]
    half = [0.5 * limit * u for u in w]
    offset = slack - shift
    states = [0.0, *y]
    rows = [
        [
            normal_cdf(offset - z),
            *(a * normal_pdf(b + offset - z) for a, b in zip(half, y, strict=True)),
        ]
        for z in states
    ]
    return solve(_identity_minus(rows), [1.0] * len(states))[0]


def cusum_run_length_markov(
    slack: float, limit: float, shift: float = 0.0, *, states: int = 60
) -> float:
    r"""Average run length by the Markov chain of Brook and Evans [1].

    The range 0..h is cut into cells of width :math:`w = 2h/(2m - 1)`; the chain of cells is
    absorbed by the alarm and :math:`L = (I - Q)^{-1} 1`. The error falls with the square of the
    number of cells; two sizes are extrapolated.

    Parameters
    ----------
    slack, limit, shift : k, h and the true shift of the mean, in deviations of a sample.
    states : cells of the finer chain, at least 8.

    Returns
    -------
    Expected number of samples until the alarm, starting from zero.

    Raises
    ------
    ValueError
        A negative slack, a limit not above zero, too few cells.

    Examples
    --------
    [1]: k = 0.5, h = 3: 117.59 (computed 117.60) and 3.75 for a shift of 1.5.

    >>> round(cusum_run_length_markov(0.5, 3), 1)
    117.6
    >>> round(cusum_run_length_markov(0.5, 3, 1.5), 2)
    3.75
    """
    non_negative("slack", slack)
    positive("limit", limit)
    at_least("states", states, 8)
    fine, coarse = states, states // 2
    a = _chain(slack, limit, shift, fine)
    b = _chain(slack, limit, shift, coarse)
    # The error goes with the cell's width squared.
    ratio = ((2 * fine - 1) / (2 * coarse - 1)) ** 2
    return a + (a - b) / (ratio - 1.0)


def _chain(slack: float, limit: float, shift: float, m: int) -> float:
    width = 2.0 * limit / (2 * m - 1)
    offset = slack - shift

    def below(steps: float) -> float:
        return normal_cdf(steps * width + offset)

    rows = [
        [below(0.5 - i), *(below(j - i + 0.5) - below(j - i - 0.5) for j in range(1, m))]
        for i in range(m)
    ]
    return solve(_identity_minus(rows), [1.0] * m)[0]


def two_sided_cusum_run_length(slack: float, limit: float, shift: float = 0.0) -> float:
    r"""Average run length of a two-sided CUSUM, from its two sides.

    .. math:: \frac1L = \frac1{L^+} + \frac1{L^-}

    Parameters
    ----------
    slack, limit, shift : k, h and the true shift of the mean, in deviations of a sample.

    Returns
    -------
    Expected number of samples until the alarm, starting from zero.

    Raises
    ------
    ValueError
        As :func:`cusum_run_length`.

    Examples
    --------
    [2], table 1, k = 0.5, h = 4: 168, 26.6, 8.38 and 3.34 for shifts of 0, 0.5, 1 and 2.

    >>> [f"{two_sided_cusum_run_length(0.5, 4, mu):.3g}" for mu in (0, 0.5, 1, 2)]
    ['168', '26.6', '8.38', '3.34']
    """
    up = cusum_run_length(slack, limit, shift)
    down = cusum_run_length(slack, limit, -shift)
    return 1.0 / (1.0 / up + 1.0 / down)


def cusum_limit(slack: float, run_length: float) -> float:
    r"""Limit h of a one-sided CUSUM whose false alarms are ``run_length`` samples apart.

    The inverse of :func:`cusum_run_length`, by bisection.

    Parameters
    ----------
    slack : k in deviations of a sample.
    run_length : wanted average run length without a shift, above 2, up to 1e9.

    Returns
    -------
    h, in deviations of a sample.

    Raises
    ------
    ValueError
        A run length outside the range, or one that no limit up to 40 reaches.

    Examples
    --------
    [1]: k = 0.5 and a run length of 117.6 belong to h = 3.

    >>> round(cusum_limit(0.5, 117.6), 3)
    3.0
    """
    if not 2 < run_length <= 1e9:
        raise ValueError(f"run_length must be above 2 and at most 1e9, given {run_length!r}")
    low, high = 0.01, 0.5
    while cusum_run_length(slack, high) < run_length:
        low, high = high, high * 1.5
        if high > 40:
            raise ValueError(f"no limit up to 40 runs for {run_length!r} samples")
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        short = cusum_run_length.__wrapped__(slack, middle) < run_length
        low, high = (middle, high) if short else (low, middle)
    return 0.5 * (low + high)


@lru_cache(maxsize=256)
def ewma_run_length(weight: float, width: float, shift: float = 0.0) -> float:
    r"""Average run length of a two-sided EWMA chart with settled limits [3].

    .. math::
        L(u) = 1 + \frac1\lambda \int_{-c}^{c} L(y)\,
        \varphi\!\left(\frac{y - (1-\lambda) u}{\lambda} - \mu\right) dy, \quad
        c = L\sqrt{\lambda/(2-\lambda)}

    Parameters
    ----------
    weight : lambda, 0.01 to 1.
    width : L, in deviations of the average.
    shift : true shift of the mean, in deviations of a sample.

    Returns
    -------
    Expected number of samples until the alarm, starting from the target.

    Raises
    ------
    ValueError
        A weight outside its range or a width not above zero.

    Examples
    --------
    [3]: L = 2: 26.45 for lambda 0.5 and 127.53 for 0.05 without a shift; 4.91 and 8.38 for a
    shift of 1.

    >>> [round(ewma_run_length(w, 2, mu), 2) for mu in (0, 1) for w in (0.5, 0.05)]
    [26.45, 127.53, 4.91, 8.38]
    """
    if not 0.01 <= weight <= 1:
        raise ValueError(f"weight must lie between 0.01 and 1, given {weight!r}")
    positive("width", width)
    finite("shift", shift)
    edge = width * math.sqrt(weight / (2.0 - weight))
    count = max(25, math.ceil(3.0 * edge / weight) | 1)
    count += 1 - count % 2  # odd: the target itself is a node
    x, w = gauss_legendre(count)
    y = [edge * u for u in x]
    rows = [
        [
            edge * a / weight * normal_pdf((b - (1.0 - weight) * u) / weight - shift)
            for a, b in zip(w, y, strict=True)
        ]
        for u in y
    ]
    return solve(_identity_minus(rows), [1.0] * count)[count // 2]


def _identity_minus(rows: list[list[float]]) -> list[list[float]]:
    return [[(i == j) - q for j, q in enumerate(row)] for i, row in enumerate(rows)]
