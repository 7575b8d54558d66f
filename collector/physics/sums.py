"""Running statistics in constant memory, for rules that run for months.

All can be merged (an hour with the next one), and written to JSON and read back.

References
----------
[1] Chan, Golub, LeVeque: Algorithms for computing the sample variance. The American Statistician
    37 (1983) 242-247; equations 1.3 and 1.5.
[2] Durbin, Watson: Testing for serial correlation in least squares regression. Biometrika 37
    (1950) 409-428.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from operator import mul, sub
from typing import Self

from collector.physics.estimate import Estimate
from collector.physics.regression import Line, line_from_sums

__all__ = ["LineSums", "MeanSums"]


class MeanSums:
    """Mean and variance of a stream, in constant memory, without loss by cancellation [1].

    Examples
    --------
    2 4 4 4 5 5 7 9 has the mean 5 and the population deviation 2 (a worked example found in many
    textbooks; from memory).

    >>> sums = MeanSums()
    >>> sums.add_many([2, 4, 4, 4, 5, 5, 7, 9])
    >>> sums.mean, sums.variance * 7 / 8
    (5.0, 4.0)
    """

    __slots__ = ("count", "high", "low", "mean", "squares")

    def __init__(self) -> None:
        self.count = 0
        self.mean = 0.0
        self.squares = 0.0
        self.low = math.inf
        self.high = -math.inf

    def __repr__(self) -> str:
        return f"MeanSums(count={self.count}, mean={self.mean!r}, {self.low!r}..{self.high!r})"

    def add(self, value: float) -> None:
        self.count += 1
        step = value - self.mean
        self.mean += step / self.count
        self.squares += step * (value - self.mean)
        self.low = min(self.low, value)
        self.high = max(self.high, value)

    def add_many(self, values: Sequence[float]) -> None:
        """Add many samples at once; the same as adding each, and faster."""
        if not values:
            return
        other = MeanSums()
        other.count = len(values)
        other.mean = math.fsum(values) / len(values)
        other.squares = math.fsum((v - other.mean) ** 2 for v in values)
        other.low, other.high = min(values), max(values)
        self.merge(other)

    def merge(self, other: MeanSums) -> None:
        """Add the samples of another instance."""
        if not other.count:
            return
        total = self.count + other.count
        step = other.mean - self.mean
        self.squares += other.squares + step * step * self.count * other.count / total
        self.mean += step * other.count / total
        self.count = total
        self.low = min(self.low, other.low)
        self.high = max(self.high, other.high)

    @property
    def variance(self) -> float:
        """Sample variance (n - 1); 0 below two samples."""
        return self.squares / (self.count - 1) if self.count > 1 else 0.0

    def estimate(self) -> Estimate | None:
        """Mean with its deviation, taking the samples as independent; ``None`` below two."""
        if self.count < 2:
            return None
        return Estimate(
            value=self.mean,
            deviation=math.sqrt(self.variance / self.count),
            freedom=self.count - 1,
        )

    def dump(self) -> dict[str, float]:
        """Return the state as plain numbers for JSON (no infinities: empty is ``{}``)."""
        if not self.count:
            return {}
        return {name: getattr(self, name) for name in self.__slots__}

    @classmethod
    def load(cls, state: Mapping[str, float]) -> Self:
        """Rebuild from :meth:`dump`."""
        sums = cls()
        for name, value in state.items():
            setattr(sums, name, int(value) if name == "count" else float(value))
        return sums


class LineSums:
    """Least-squares line of a stream, its interval corrected for correlated neighbours.

    The lag-one correlation comes from the differences of neighbours [2]:
    r = 1 - d/2 with d = sum (e_i - e_(i-1))^2 / sum e_i^2, which sums can carry because the
    residuals' differences need only the slope. Give the samples in order of time; times in any
    unit (seconds), the first one becomes the origin so that no digits are lost.

    Examples
    --------
    >>> sums = LineSums()
    >>> sums.add_many([0, 1, 2, 3], [5, 7, 9, 11])
    >>> sums.line().slope.value
    2.0
    """

    __slots__ = (
        "_first", "_last", "_steps_tt", "_steps_tv", "_steps_vv",
        "_t_mean", "_tt", "_tv", "_v_mean", "_vv", "count",
    )  # fmt: skip

    def __init__(self) -> None:
        self.count = 0
        self._first: tuple[float, float] | None = None
        self._last: tuple[float, float] | None = None
        self._t_mean = self._v_mean = 0.0
        self._tt = self._tv = self._vv = 0.0
        self._steps_tt = self._steps_tv = self._steps_vv = 0.0

    def __repr__(self) -> str:
        return f"LineSums(count={self.count}, first={self._first!r}, last={self._last!r})"

    @property
    def first(self) -> tuple[float, float] | None:
        """Time and value of the first sample."""
        return self._first

    @property
    def last(self) -> tuple[float, float] | None:
        """Time and value of the last sample."""
        return self._last

    @property
    def span(self) -> float:
        """Time between the first and the last sample; 0 when empty."""
        if self._first is None or self._last is None:
            return 0.0
        return self._last[0] - self._first[0]

    @property
    def mean(self) -> float:
        """Mean of the values; 0 when empty."""
        return self._v_mean

    def add(self, time: float, value: float) -> None:
        if self._last is None:
            self._first = (time, value)
        else:
            self._step(time - self._last[0], value - self._last[1])
        self._last = (time, value)
        self.count += 1
        dt, dv = time - self._t_mean, value - self._v_mean
        self._t_mean += dt / self.count
        self._v_mean += dv / self.count
        rest = value - self._v_mean
        self._tt += dt * (time - self._t_mean)
        self._tv += dt * rest
        self._vv += dv * rest

    def add_many(self, times: Sequence[float], values: Sequence[float]) -> None:
        """Add many samples at once; the same as adding each, and faster."""
        if len(times) != len(values):
            raise ValueError(f"{len(times)} times for {len(values)} values")
        if not times:
            return
        other = LineSums()
        n = other.count = len(times)
        other._first, other._last = (times[0], values[0]), (times[-1], values[-1])
        other._t_mean, other._v_mean = math.fsum(times) / n, math.fsum(values) / n
        dt = [t - other._t_mean for t in times]
        dv = [v - other._v_mean for v in values]
        other._tt, other._tv, other._vv = _dot(dt, dt), _dot(dt, dv), _dot(dv, dv)
        st, sv = list(map(sub, times[1:], times)), list(map(sub, values[1:], values))
        other._steps_tt, other._steps_tv = _dot(st, st), _dot(st, sv)
        other._steps_vv = _dot(sv, sv)
        self.merge(other)

    def merge(self, other: LineSums) -> None:
        """Add the samples of another instance, which must follow these."""
        if other._first is None:
            return
        if self._last is None:
            self._first = other._first
        else:
            self._step(other._first[0] - self._last[0], other._first[1] - self._last[1])
        self._last = other._last
        total = self.count + other.count
        share = self.count * other.count / total
        dt, dv = other._t_mean - self._t_mean, other._v_mean - self._v_mean
        self._tt += other._tt + dt * dt * share
        self._tv += other._tv + dt * dv * share
        self._vv += other._vv + dv * dv * share
        self._t_mean += dt * other.count / total
        self._v_mean += dv * other.count / total
        self._steps_tt += other._steps_tt
        self._steps_tv += other._steps_tv
        self._steps_vv += other._steps_vv
        self.count = total

    def line(self, *, correlated: bool = True) -> Line | None:
        """Finish the line, or ``None`` below 4 samples or when all are at one time."""
        if self.count < 4 or self._tt <= 0:
            return None
        slope = self._tv / self._tt
        squares = max(0.0, self._vv - slope * self._tv)
        if squares <= 1e-14 * self._vv:
            squares = 0.0  # what is left is rounding
        jumps = self._steps_vv - 2.0 * slope * self._steps_tv + slope * slope * self._steps_tt
        lag_one = 1.0 - 0.5 * jumps / squares if correlated and squares > 0 else None
        return line_from_sums(
            count=self.count,
            weight=float(self.count),
            middle_time=self._t_mean,
            middle=self._v_mean,
            slope=slope,
            time_spread=self._tt,
            squares=squares,
            raw_lag_one=lag_one,
        )

    def dump(self) -> dict[str, object]:
        """Return the state as plain numbers and lists for JSON."""
        return {name.lstrip("_"): getattr(self, name) for name in self.__slots__}

    @classmethod
    def load(cls, state: Mapping[str, object]) -> Self:
        """Rebuild from :meth:`dump`, also after a way through JSON."""
        sums = cls()
        for name in cls.__slots__:
            value = state[name.lstrip("_")]
            setattr(sums, name, tuple(value) if isinstance(value, list | tuple) else value)
        return sums

    def _step(self, dt: float, dv: float) -> None:
        self._steps_tt += dt * dt
        self._steps_tv += dt * dv
        self._steps_vv += dv * dv


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return math.fsum(map(mul, a, b))
