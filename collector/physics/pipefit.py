"""Fit of model purge curves to the readings, which differ from a true one in two ways.

What averages out: noise, steps, a flow that follows pressure and weather. And what is alike in all
of them: a sensor that reads a little high all the time, or a feed that is a little other than its
analyser says. The second looks like a dead leg's long tail where it is not allowed for, so each
course is fitted with one shift of all readings, held near zero by how large such shifts are.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Sequence
from dataclasses import dataclass

from collector.physics.robust import mad_deviation
from collector.physics.washout import PER, UP_TO, Pipe

__all__ = ["Course", "Readings"]

_FLOOR = 0.0005
"""Least difference of readings and a true model, oxygen fraction: half a step of 0.1 %."""
_RELATIVE = 0.01
"""The same as a share of the height: the flow follows pressure and weather."""
_SHIFT = 0.0008
"""Common error of all readings, oxygen fraction (one deviation): a usual cell's drift."""


@dataclass(frozen=True, slots=True)
class Course:
    """One pipe at one time constant (s), at its best height above its feed.

    ``width``: of its stretch of time constants, a logarithm; ``before``: s that had passed when
    the readings began; ``squares``: what it misses the readings by, in units of their error;
    ``dirt``: oxygen fraction by which its feed holds more than was stated.
    """

    pipe: Pipe
    time_constant: float
    width: float
    before: float
    height: float
    squares: float
    dirt: float = 0.0

    def at(self, age: float) -> float:
        """Return the height above the stated feed at ``age`` s."""
        share = self.pipe.share((age + self.before) / self.time_constant)
        return self.height * share + self.dirt


class Readings:
    """Readings at times (s) as fractions above the feed; ``opinions`` of them are independent."""

    def __init__(
        self, times: Sequence[float], heights: Sequence[float], opinions: float,
    ) -> None:
        self._times = times
        self._heights = heights
        self._weights = [1.0 / (_FLOOR**2 + (_RELATIVE * h) ** 2) for h in heights]
        self._weighed = [w * h for w, h in zip(self._weights, heights, strict=True)]
        # The squares are later taken for fewer opinions than readings; the shift counts whole.
        held = max(len(times) / opinions, 1.0) / _SHIFT**2
        self._own = math.fsum(self._weights)
        self._all = self._own + held
        self._sum = math.fsum(self._weighed)
        self._squares = math.fsum(map(operator.mul, self._weighed, heights))

    def fit(
        self, tau: float, width: float, before: float, tried: Sequence[Pipe],
        dirt: Sequence[float] = (0.0,),
    ) -> list[Course]:
        """Return the best height of each pipe and feed at one time constant, whatever the shift.

        Parameters
        ----------
        tau, width : time constant (s) and the width of its stretch (logarithm).
        before : time constants that had passed at time 0.
        tried : the pipes.
        dirt : oxygen fractions by which the feed may hold more than was stated.

        Returns
        -------
        One course per pipe and feed; none where the readings go on for longer than courses are
        known, nor for a pipe that would need a height below zero.

        Examples
        --------
        KOSHA Guide C-C-85-2026, Annex 3: 28 m3 fed at 1 m3/min with 0.01 % oxygen comes from 21 %
        to 1.25 % in 79.2 min; by the first 40 of them, and a sensor that reads 0.05 % high:

        >>> from collector.physics.purge import sweep_oxygen
        >>> from collector.physics.washout import pipes
        >>> times = [60.0 * i for i in range(41)]
        >>> heights = [sweep_oxygen(0.21, t, 1680.0, 0.0001) + 0.0004 for t in times]
        >>> course, = Readings(times, heights, 10.0).fit(1680.0, 0.03, 0.0, pipes()[:1])
        >>> abs(course.at(79.2 * 60) + 0.0001 - 0.0125) < 0.0002
        True
        """
        places = [PER * (t / tau + before) for t in self._times]
        if places[-1] >= PER * UP_TO:
            return []
        steps = [(int(p), int(p) + 1, p - int(p)) for p in places]
        weights, weighed, found = self._weights, self._weighed, []
        # What is left of the readings above each feed, and of their squares about the shift.
        above = [(d, self._sum - d * self._own,
                  self._squares - 2.0 * d * self._sum + d * d * self._own) for d in dirt]
        for pipe in tried:
            course = pipe.course
            shape = [course[i] + (course[j] - course[i]) * part for i, j, part in steps]
            pulled = list(map(operator.mul, weights, shape))
            # The shift is solved for first; what is left is a line through its mean.
            mean = sum(pulled) / self._all
            product = sum(map(operator.mul, weighed, shape))
            drawn = mean * self._all
            square = sum(map(operator.mul, pulled, shape)) - self._all * mean * mean
            for d, total, squares in above:
                across = product - d * drawn - total * mean
                if across > 0.0:
                    missed = squares - total * total / self._all - across * across / square
                    found.append(Course(pipe, tau, width, before * tau, across / square,
                                        max(missed, 0.0), d))
        return found

    def misfit(self, course: Course) -> tuple[float, float]:
        """Return how far the readings are off a course, and how far by their short-term scatter.

        Parameters
        ----------
        course : one of those fitted, here taken with its best shift.

        Returns
        -------
        Both in units of the least difference: the root mean square of what the readings are off,
        and the deviation of one by the median of their second differences, whose variance is six
        times that of noise. Noise makes both alike; a misfit, also a sudden one, only the first
        large.

        Examples
        --------
        Readings that are 3 % too high for a third of the time:

        >>> from collector.physics.washout import pipes
        >>> times = [60.0 * i for i in range(40)]
        >>> high = [1.0] * 14 + [1.03] * 13 + [1.0] * 13
        >>> exact = [0.2 * pipes()[0].share(t / 1680.0) for t in times]
        >>> rows = Readings(times, [x * h for x, h in zip(exact, high)], 10.0)
        >>> course, = rows.fit(1680.0, 0.03, 0.0, pipes()[:1])
        >>> missed, scatter = rows.misfit(course)
        >>> missed > 1.0 > 20 * scatter
        True
        """
        fitted = [course.at(t) for t in self._times]
        shift = (self._sum - math.fsum(map(operator.mul, self._weights, fitted))) / self._all
        off = [
            (h - f - shift) * math.sqrt(w)
            for h, f, w in zip(self._heights, fitted, self._weights, strict=True)
        ]
        bends = [a - 2.0 * b + c for a, b, c in zip(off, off[1:], off[2:], strict=False)]
        return (
            math.sqrt(math.fsum(x * x for x in off) / max(len(off) - 4, 1)),
            mad_deviation(bends) / math.sqrt(6.0),
        )
