"""Normal and Student distributions without a numerical library.

References
----------
[1] Abramowitz, Stegun: Handbook of Mathematical Functions, 26.5 and 26.7.
[2] JCGM 100:2008 (GUM), Evaluation of measurement data; table G.2.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

from collector.physics._checks import positive

__all__ = [
    "normal_cdf",
    "normal_pdf",
    "normal_quantile",
    "student_cdf",
    "student_quantile",
    "two_sided_factor",
]

_NORMAL = NormalDist()
_MANY = 1e6
"""Degrees of freedom from which on the first term of the expansion about the normal is exact to
1e-12, while the continued fraction loses its digits (at 1e16 it has none left)."""


def normal_pdf(z: float) -> float:
    r"""Density of the standard normal distribution, :math:`e^{-z^2/2}/\sqrt{2\pi}`.

    Examples
    --------
    [1], table 26.1: 0.39894 at 0 and 0.24197 at 1.

    >>> round(normal_pdf(0), 5), round(normal_pdf(1), 5)
    (0.39894, 0.24197)
    """
    return math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def normal_cdf(z: float) -> float:
    r"""Probability that a standard normal variable lies below ``z``; no loss in the low tail.

    .. math:: \Phi(z) = \tfrac12 \operatorname{erfc}(-z/\sqrt 2)

    Examples
    --------
    [1], table 26.1: 0.841345 at 1.

    >>> round(normal_cdf(1), 6)
    0.841345
    """
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(probability: float) -> float:
    r"""Value below which a standard normal variable lies with the given probability.

    Parameters
    ----------
    probability : above 0 and below 1.

    Raises
    ------
    ValueError
        A probability that is not strictly between 0 and 1.

    Examples
    --------
    [2], table G.2, last line: 1.645 for 90 % and 1.960 for 95 %, both sides.

    >>> round(normal_quantile(0.95), 3), round(normal_quantile(0.975), 2)
    (1.645, 1.96)
    """
    return _NORMAL.inv_cdf(_open(probability))


def student_cdf(t: float, freedom: float) -> float:
    r"""Probability that Student's t lies below ``t``, by the incomplete beta function [1], 26.7.1.

    Parameters
    ----------
    t : value.
    freedom : degrees of freedom, above 0, not necessarily whole; ``inf`` is the normal.

    Raises
    ------
    ValueError
        Degrees of freedom that are not above zero.

    Examples
    --------
    One degree of freedom is Cauchy's distribution, 3/4 below 1.

    >>> round(student_cdf(1, 1), 12)
    0.75
    """
    if freedom == math.inf:
        return normal_cdf(t)
    nu = positive("freedom", freedom)
    if nu > _MANY:
        return normal_cdf(t) - normal_pdf(t) * (t**3 + t) / (4.0 * nu)
    if t == 0:
        return 0.5
    tail = 0.5 * _beta_ratio(0.5 * nu, 0.5, nu / (nu + t * t))
    return 1.0 - tail if t > 0 else tail


@lru_cache(maxsize=4096)
def student_quantile(probability: float, freedom: float) -> float:
    r"""Value below which Student's t lies with the given probability.

    Parameters
    ----------
    probability : above 0 and below 1.
    freedom : degrees of freedom, above 0; ``inf`` is the normal.

    Raises
    ------
    ValueError
        Outside these ranges.

    Examples
    --------
    [2], table G.2: 12.71, 2.23 and 2.09 for 1, 10 and 19 degrees of freedom at 95 %.

    >>> [round(student_quantile(0.975, nu), 2) for nu in (1, 10, 19)]
    [12.71, 2.23, 2.09]
    """
    p = _open(probability)
    if freedom == math.inf:
        return _NORMAL.inv_cdf(p)
    nu = positive("freedom", freedom)
    if p == 0.5:
        return 0.0
    if p < 0.5:
        return -student_quantile(1.0 - p, nu)
    if nu > _MANY:
        z = _NORMAL.inv_cdf(p)
        return z + (z**3 + z) / (4.0 * nu)  # [1], 26.7.5, first term
    low, high = 0.0, 1.0
    while _upper_tail(high, nu) > 1.0 - p:
        low, high = high, high * 2.0
    return _root_of_tail(1.0 - p, nu, low, high)


def _root_of_tail(tail: float, nu: float, low: float, high: float) -> float:
    """Return the value with the upper tail ``tail``, by Newton's method with bisection."""
    t = 0.5 * (low + high)
    for _ in range(200):
        excess = _upper_tail(t, nu) - tail
        low, high = (t, high) if excess > 0 else (low, t)
        closer = t + excess / _density(t, nu)
        if not low < closer < high:
            closer = 0.5 * (low + high)
        if abs(closer - t) <= 1e-15 * t:
            return closer
        t = closer
    return t


def two_sided_factor(level: float, freedom: float = math.inf) -> float:
    r"""Coverage factor k: value plus and minus k deviations covers with probability ``level``.

    Parameters
    ----------
    level : coverage, above 0 and below 1.
    freedom : degrees of freedom; below 1 they are taken as 1.

    Raises
    ------
    ValueError
        A level that is not strictly between 0 and 1.

    Examples
    --------
    [2], table G.2: 6.31 and 1.81 for 1 and 10 degrees of freedom at 90 %.

    >>> round(two_sided_factor(0.90, 1), 2), round(two_sided_factor(0.90, 10), 2)
    (6.31, 1.81)
    """
    # Three digits of the degrees of freedom move the factor by under 0.1 % and let the cache work.
    return student_quantile(0.5 + 0.5 * _open(level), float(f"{max(1.0, freedom):.3g}"))


def _open(probability: float) -> float:
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a probability must lie between 0 and 1, given {probability!r}")
    return probability


def _density(t: float, nu: float) -> float:
    """Return the density of Student's t, [1], 26.7.2."""
    front = math.lgamma(0.5 * nu + 0.5) - math.lgamma(0.5 * nu) - 0.5 * math.log(nu * math.pi)
    return math.exp(front - (0.5 * nu + 0.5) * math.log1p(t * t / nu))


def _upper_tail(t: float, nu: float) -> float:
    return 0.5 * _beta_ratio(0.5 * nu, 0.5, nu / (nu + t * t))


def _beta_ratio(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function: the continued fraction of [1], 26.5.8."""
    if x <= 0.0 or x >= 1.0:
        return min(max(x, 0.0), 1.0)
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _beta_ratio(b, a, 1.0 - x)
    front = a * math.log(x) + b * math.log1p(-x)
    front += math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    return math.exp(front) * _beta_fraction(a, b, x) / a


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Evaluate the fraction from the front (Lentz), until it no longer changes."""
    tiny = 1e-300
    c, d = 1.0, 1.0 / _off_zero(1.0 - (a + b) * x / (a + 1.0), tiny)
    total = d
    for m in range(1, 10_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _off_zero(1.0 + term * d, tiny)
            c = _off_zero(1.0 + term / c, tiny)
            total *= c * d
        if abs(c * d - 1.0) < 1e-16:
            return total
    return total


def _off_zero(value: float, tiny: float) -> float:
    return value if abs(value) > tiny else tiny
