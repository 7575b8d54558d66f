r"""One exponential that falls to a floor: rate, interval, or the reason why there is none.

References
----------
[1] Golub, Pereyra: The differentiation of pseudo-inverses and nonlinear least squares problems
    whose variables separate. SIAM J. Numer. Anal. 10 (1973) 413-432.
[2] NIST Statistical Reference Datasets, nonlinear regression: BoxBOD (an exponential that rises
    to a level nobody knows).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from collector.physics._checks import positive
from collector.physics._linear import inverse
from collector.physics.estimate import Estimate, Refusal
from collector.physics.regression import effective_count, unbiased_lag_one

__all__ = ["MIN_SAMPLES", "MIN_TURNS", "Decay", "fit_decay"]

MIN_SAMPLES = 8
"""Fewer samples give no honest interval."""

MIN_TURNS = 0.1
"""Least span in time constants: less fall than this is not extrapolated, however clean it looks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """A fitted decay x(t) = floor + height exp(-rate (t - start)).

    ``rate`` is per unit of time; ``height`` belongs to ``start``, the time of the first sample.
    ``floor`` has deviation 0 when it was given. ``lag_one`` and ``effective_count`` say how many
    of the ``count`` samples are independent opinions.
    """

    rate: Estimate
    height: Estimate
    floor: Estimate
    covariance: float
    """Of height and rate: a fit that starts higher also falls faster."""
    start: float
    span: float
    residual_deviation: float
    lag_one: float
    count: int
    effective_count: float

    def at(self, time: float) -> float:
        """Value of the curve at a time."""
        return self.floor.value + self.height.value * math.exp(
            -self.rate.value * (time - self.start)
        )

    def time_to(self, level: float) -> Estimate:
        """Time from ``start`` until the curve meets ``level``; below zero when it did before.

        Height and rate are taken with their covariance. Raises ``ValueError`` for a level that
        is not above the floor.
        """
        above = positive("level above the floor", level - self.floor.value)
        height, rate = self.height, self.rate
        turns = math.log(height.value / above)
        by_height = 1.0 / (height.value * rate.value)
        by_rate = -turns / rate.value**2
        variance = (by_height * height.deviation) ** 2 + (by_rate * rate.deviation) ** 2
        variance += 2.0 * by_height * by_rate * self.covariance
        return Estimate(
            value=turns / rate.value,
            deviation=math.sqrt(max(variance, 0.0)),
            freedom=rate.freedom,
        )

    @property
    def time_constant(self) -> float:
        """One over the rate."""
        return 1.0 / self.rate.value

    def time_constant_interval(self, level: float = 0.90) -> tuple[float, float]:
        """Interval of the time constant: the reciprocal of the rate's interval."""
        low, high = self.rate.interval(level)
        return 1.0 / high, 1.0 / low if low > 0 else math.inf


def fit_decay(
    times: Sequence[float],
    values: Sequence[float],
    *,
    floor: float | None = 0.0,
    widest: float = 0.5,
) -> Decay | Refusal:
    r"""Fit a decay to a floor, known or not, by least squares on the values themselves.

    .. math:: x(t) = f + A e^{-k (t - t_0)}

    For every trial rate the rest is linear and solved at once [1], so that only k is searched;
    unlike a line through logarithms, samples near the floor neither dominate nor vanish. The
    interval counts only the samples that remain independent after the residuals' correlation.

    Parameters
    ----------
    times : at least 8, rising, any unit (s).
    values : any unit (oxygen fraction).
    floor : the level it falls to, or ``None`` when the data must say.
    widest : largest half-width of the 90 % interval of the rate, as a share of the rate.

    Returns
    -------
    The decay, or a refusal: ``too-few``, ``not-falling`` (no fall beyond the scatter),
    ``too-short`` (a fall, but less of it than pins the rate, or under a tenth of a
    time constant) or ``too-noisy``.

    Raises
    ------
    ValueError
        Unequal lengths, times that do not rise, or a ``widest`` that is not above zero.

    Examples
    --------
    [2], BoxBOD as a decay from 0 towards an unknown level would have b2 = 0.547, but its six
    samples are not enough for this page's taste:

    >>> fit_decay([1, 2, 3, 5, 7, 10], [-109, -149, -149, -191, -213, -224], floor=None).code
    'too-few'
    """
    if len(times) != len(values):
        raise ValueError(f"{len(times)} times for {len(values)} values")
    positive("widest", widest)
    if any(b <= a for a, b in zip(times, times[1:], strict=False)):
        raise ValueError("times must rise from sample to sample")
    if len(values) < MIN_SAMPLES:
        return Refusal(
            code="too-few",
            reason=f"{len(values)} samples; at least {MIN_SAMPLES} are needed",
        )
    span = times[-1] - times[0]
    ages = [(t - times[0]) / span for t in times]
    level = values if floor is None else [v - floor for v in values]
    rate = _search(ages, level, free=floor is None)
    decay = _describe(ages, level, rate, start=times[0], span=span, floor=floor)
    return decay if isinstance(decay, Refusal) else _judge(decay, widest)


_SLOWEST, _FASTEST = -6.0, 4.5  # logarithms of the rate times the span that are looked for


def _search(ages: Sequence[float], level: Sequence[float], *, free: bool) -> float:
    """Rate per span with the least squares: a sweep over its logarithm, then golden section."""

    def squares(g: float) -> float:
        height, floor, shape = _linear_part(ages, level, math.exp(g), free=free)
        return math.fsum((v - floor - height * e) ** 2 for v, e in zip(level, shape, strict=True))

    steps = 42
    grid = [_SLOWEST + (_FASTEST - _SLOWEST) * i / steps for i in range(steps + 1)]
    best = min(range(steps + 1), key=[squares(g) for g in grid].__getitem__)
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, steps)]
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    a, b = high - golden * (high - low), low + golden * (high - low)
    at_a, at_b = squares(a), squares(b)
    while high - low > 1e-8:
        if at_a < at_b:
            high, b, at_b = b, a, at_a
            a = high - golden * (high - low)
            at_a = squares(a)
        else:
            low, a, at_a = a, b, at_b
            b = low + golden * (high - low)
            at_b = squares(b)
    return math.exp(0.5 * (low + high))


def _linear_part(
    ages: Sequence[float], level: Sequence[float], rate: float, *, free: bool
) -> tuple[float, float, list[float]]:
    """Best height and floor for a rate, and the shape they multiply."""
    shape = [math.exp(-rate * a) for a in ages]
    s_e, s_v = math.fsum(shape), math.fsum(level)
    s_ee = math.fsum(e * e for e in shape)
    s_ev = math.fsum(e * v for e, v in zip(shape, level, strict=True))
    if not free:
        return s_ev / s_ee, 0.0, shape
    n = len(level)
    mean_e, mean_v = s_e / n, s_v / n
    spread = math.fsum((e - mean_e) ** 2 for e in shape)
    across = math.fsum((e - mean_e) * (v - mean_v) for e, v in zip(shape, level, strict=True))
    height = across / spread
    return height, mean_v - height * mean_e, shape


def _describe(
    ages: Sequence[float],
    level: Sequence[float],
    rate: float,
    *,
    start: float,
    span: float,
    floor: float | None,
) -> Decay | Refusal:
    """Deviations from the linearised problem, with the samples that are independent."""
    free = floor is None
    height, found, shape = _linear_part(ages, level, rate, free=free)
    columns = [shape, [-a * height * e for a, e in zip(ages, shape, strict=True)]]
    columns += [[1.0] * len(ages)] if free else []
    left = [v - found - height * e for v, e in zip(level, shape, strict=True)]
    squares = math.fsum(e * e for e in left)
    n, unknowns = len(ages), len(columns)
    try:
        covariance = inverse(
            [
                [math.fsum(x * y for x, y in zip(a, b, strict=True)) for b in columns]
                for a in columns
            ]
        )
    except ValueError:
        return Refusal(code="not-falling", reason="the values do not change at all")
    lag_one = _lag_one(left, squares)
    counted = effective_count(n, lag_one)
    freedom = max(counted - unknowns, 2.0)
    doubt = [math.sqrt(max(covariance[i][i], 0.0) * squares / freedom) for i in range(unknowns)]
    return Decay(
        rate=Estimate(value=rate / span, deviation=doubt[1] / span, freedom=freedom),
        height=Estimate(value=height, deviation=doubt[0], freedom=freedom),
        floor=Estimate(
            value=found if floor is None else floor,
            deviation=doubt[2] if free else 0.0,
            freedom=freedom,
        ),
        covariance=covariance[0][1] * squares / freedom / span,
        start=start,
        span=span,
        residual_deviation=math.sqrt(squares / (n - unknowns)),
        lag_one=lag_one,
        count=n,
        effective_count=counted,
    )


def _lag_one(left: Sequence[float], squares: float) -> float:
    if squares <= 0:
        return 0.0
    raw = math.fsum(a * b for a, b in zip(left, left[1:], strict=False)) / squares
    return max(0.0, unbiased_lag_one(raw, len(left)))


def _judge(decay: Decay, widest: float) -> Decay | Refusal:
    """Refuse what the data do not support."""
    turns = decay.rate.value * decay.span
    low, high = decay.rate.interval(0.90)
    fall = decay.height.value * -math.expm1(-turns)
    if decay.height.value <= 0 or low <= 0 or turns <= 1.01 * math.exp(_SLOWEST):
        if fall > 5.0 * decay.residual_deviation and turns < 1.0:
            return _too_short(turns)
        return Refusal(
            code="not-falling",
            reason=f"a fall of {max(fall, 0.0):.3g} is not told apart from the scatter of "
            f"{decay.residual_deviation:.2g}",
        )
    if turns < MIN_TURNS:
        return _too_short(turns)
    half_width = 0.5 * (high - low) / decay.rate.value
    if half_width <= widest:
        return decay
    if fall > 5.0 * decay.residual_deviation and turns < 1.0:
        return _too_short(turns)
    return Refusal(
        code="too-noisy",
        reason=f"the rate is known to {100 * half_width:.0f} % only; {100 * widest:.0f} % is the "
        f"least that is of use",
    )


def _too_short(turns: float) -> Refusal:
    return Refusal(
        code="too-short",
        reason=f"the span covers {turns:.2g} of a time constant; too little to tell the rate",
    )
