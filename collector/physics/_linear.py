"""Small dense systems and quadrature nodes, in plain Python."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

__all__ = ["gauss_legendre", "inverse", "solve"]


def solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """Solve a square system by elimination with row pivoting.

    Raises ``ValueError`` when the matrix is singular to working precision.
    """
    n = len(right)
    rows = [[*row, b] for row, b in zip(matrix, right, strict=True)]
    for k in range(n):
        pivot = max(range(k, n), key=lambda i: abs(rows[i][k]))
        if abs(rows[pivot][k]) < 1e-300:
            raise ValueError("the system is singular")
        rows[k], rows[pivot] = rows[pivot], rows[k]
        top = rows[k]
        for i in range(k + 1, n):
            factor = rows[i][k] / top[k]
            if factor:
                tail = [a - factor * b for a, b in zip(rows[i][k:], top[k:], strict=True)]
                rows[i][k:] = tail
    answer = [0.0] * n
    for k in range(n - 1, -1, -1):
        known = sum(a * x for a, x in zip(rows[k][k + 1 : n], answer[k + 1 :], strict=True))
        answer[k] = (rows[k][n] - known) / rows[k][k]
    return answer


def inverse(matrix: Sequence[Sequence[float]]) -> list[list[float]]:
    """Invert a small square matrix. Raises ``ValueError`` when it is singular."""
    n = len(matrix)
    columns = [solve(matrix, [1.0 if i == j else 0.0 for i in range(n)]) for j in range(n)]
    return [[columns[j][i] for j in range(n)] for i in range(n)]


@lru_cache(maxsize=32)
def gauss_legendre(count: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Nodes and weights on -1..1, by Newton's method on the Legendre polynomial."""
    nodes, weights = [], []
    for i in range(count):
        x = math.cos(math.pi * (i + 0.75) / (count + 0.5))
        for _ in range(100):
            before, here = 0.0, 1.0
            for k in range(1, count + 1):
                before, here = here, ((2 * k - 1) * x * here - (k - 1) * before) / k
            slope = count * (x * here - before) / (x * x - 1.0)
            step = here / slope
            x -= step
            if abs(step) < 1e-15:
                break
        nodes.append(x)
        weights.append(2.0 / ((1.0 - x * x) * slope * slope))
    return tuple(nodes), tuple(weights)
