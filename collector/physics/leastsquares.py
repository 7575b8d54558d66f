"""Curves with a few unknowns, fitted by damped least squares.

References
----------
[1] Marquardt: An algorithm for least-squares estimation of nonlinear parameters. J. SIAM 11
    (1963) 431-441.
[2] NIST Statistical Reference Datasets, nonlinear regression: Misra1a, BoxBOD, MGH17.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from collector.physics._checks import at_least
from collector.physics._linear import inverse, solve
from collector.physics.estimate import Estimate, Refusal

__all__ = ["CurveFit", "Model", "fit_curve"]

Model = Callable[[float, Sequence[float]], float]
"""Value at a time for a list of parameters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """Fitted parameters with their textbook deviations, and what is left over."""

    parameters: tuple[Estimate, ...]
    residuals: tuple[float, ...]
    squares: float

    @property
    def residual_deviation(self) -> float:
        """Scatter of the samples around the curve."""
        return math.sqrt(self.squares / (len(self.residuals) - len(self.parameters)))


def fit_curve(
    model: Model,
    times: Sequence[float],
    values: Sequence[float],
    start: Sequence[float],
    *,
    max_steps: int = 2000,
) -> CurveFit | Refusal:
    r"""Least squares for a nonlinear model, by the method of Marquardt [1].

    .. math:: (J^T J + \lambda \operatorname{diag} J^T J)\, \delta = J^T (y - f)

    Derivatives are central differences. The deviations are those of independent errors.

    Parameters
    ----------
    model : ``model(time, parameters)``; may raise ``OverflowError``, which counts as a bad guess.
    times, values : samples, more than there are parameters.
    start : first guess of the parameters.
    max_steps : bound on the work.

    Returns
    -------
    The fit, or a refusal (``no-fit``) when it does not settle or the data cannot tell the
    parameters apart.

    Raises
    ------
    ValueError
        Unequal lengths, too few samples, or a model that has no value at ``start``.

    Examples
    --------
    [2], BoxBOD: certified b1 = 213.80940889, b2 = 0.54723748542.

    >>> fit = fit_curve(lambda x, b: b[0] * (1 - math.exp(-b[1] * x)),
    ...                 [1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224], [100, 0.75])
    >>> [round(p.value, 6) for p in fit.parameters]
    [213.809409, 0.547237]
    """
    if len(times) != len(values):
        raise ValueError(f"{len(times)} times for {len(values)} values")
    at_least("number of samples", len(values), len(start) + 1)
    here = list(start)
    left = _residuals(model, times, values, here)
    if left is None:
        raise ValueError(f"the model has no value at the start {list(start)!r}")
    squares, damping, quiet = math.fsum(e * e for e in left), 1e-3, 0
    for _ in range(max_steps):
        jacobian = _jacobian(model, times, here)
        moved = _step(model, times, values, here, left, squares, jacobian, damping)
        if moved is None:
            damping *= 4.0
            if damping > 1e16:
                break
            continue
        here, left, new = moved
        quiet = quiet + 1 if squares - new <= 1e-14 * squares else 0
        squares, damping = new, max(damping / 10.0, 1e-15)
        if quiet >= 3:
            break
    else:
        return Refusal(code="no-fit", reason=f"the curve did not settle in {max_steps} steps")
    return _finish(model, times, here, left, squares)


def _step(
    model: Model,
    times: Sequence[float],
    values: Sequence[float],
    here: Sequence[float],
    left: Sequence[float],
    squares: float,
    jacobian: Sequence[Sequence[float]],
    damping: float,
) -> tuple[list[float], list[float], float] | None:
    """Try one damped step; ``None`` when it does not lead downhill."""
    normal = _normal(jacobian)
    right = [math.fsum(a * e for a, e in zip(column, left, strict=True)) for column in jacobian]
    for i, row in enumerate(normal):
        row[i] += damping * row[i] + 1e-300
    try:
        delta = solve(normal, right)
    except ValueError:
        return None
    trial = [b + d for b, d in zip(here, delta, strict=True)]
    after = _residuals(model, times, values, trial)
    if after is None:
        return None
    new = math.fsum(e * e for e in after)
    return (trial, after, new) if new <= squares else None


def _finish(
    model: Model,
    times: Sequence[float],
    here: Sequence[float],
    left: Sequence[float],
    squares: float,
) -> CurveFit | Refusal:
    freedom = len(left) - len(here)
    jacobian = _jacobian(model, times, here)
    scale = [math.sqrt(math.fsum(a * a for a in column)) for column in jacobian]
    if min(scale) <= 0:
        return Refusal(code="no-fit", reason="the samples do not depend on one of the unknowns")
    unit = [[a / s for a in column] for column, s in zip(jacobian, scale, strict=True)]
    try:
        covariance = inverse(_normal(unit))
    except ValueError:
        return Refusal(code="no-fit", reason="the samples cannot tell the unknowns apart")
    variance = squares / freedom
    deviations = [math.sqrt(max(covariance[i][i], 0.0) * variance) / s for i, s in enumerate(scale)]
    return CurveFit(
        parameters=tuple(
            Estimate(value=b, deviation=u, freedom=freedom)
            for b, u in zip(here, deviations, strict=True)
        ),
        residuals=tuple(left),
        squares=squares,
    )


def _residuals(
    model: Model, times: Sequence[float], values: Sequence[float], parameters: Sequence[float]
) -> list[float] | None:
    try:
        left = [y - model(t, parameters) for t, y in zip(times, values, strict=True)]
    except (OverflowError, ZeroDivisionError):
        return None
    return left if all(math.isfinite(e) for e in left) else None


def _jacobian(
    model: Model, times: Sequence[float], parameters: Sequence[float]
) -> list[list[float]]:
    """Columns of derivatives, one per parameter."""
    columns = []
    for i, b in enumerate(parameters):
        step = 6e-6 * (abs(b) or 1e-3)
        up, down = list(parameters), list(parameters)
        up[i], down[i] = b + step, b - step
        columns.append([(model(t, up) - model(t, down)) / (up[i] - down[i]) for t in times])
    return columns


def _normal(columns: Sequence[Sequence[float]]) -> list[list[float]]:
    return [[math.fsum(x * y for x, y in zip(a, b, strict=True)) for b in columns] for a in columns]
