r"""Forecast of a purge's end: many model pipes, each weighted by the readings.

Pipe is taken as tanks in series with dead legs, or as a volume whose flow falls while it empties
(:mod:`collector.physics.washout`), all times in units of the time constant, the amount held over
the flow. Early readings cannot determine its numbers, so none is chosen: every pipe of a grid
forecasts, weighed by how well it fits, by how usual it is, and by what volume and flow predict, and
the weighed spread is the interval. The grid is made finer where the weight lies: late in a purge a
coarse one leaves a handful of pipes, and the middle leaps from one to the next.

References
----------
[1] Levenspiel: Chemical Reaction Engineering. Tanks in series; exchange with stagnant regions
    (chapters on non-ideal flow; from memory).
"""

from __future__ import annotations

import math
import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.physics._checks import fraction, positive
from collector.physics.estimate import Refusal
from collector.physics.pipefit import Course, Readings
from collector.physics.washout import pipes, quarters

__all__ = ["PurgeForecast", "forecast_purge"]

_BEFORE = (0.0, 0.4, 1.0)
"""Time constants that may have passed before the first reading, where not seen."""
_INDEPENDENT = 10.0
"""Readings of a curve that count as separate opinions; neighbours err alike."""
_LONGER, _SHORTER = 0.12, 0.35
"""Standard deviations of the logarithm of the time constant over volume by the vent's flow: that
of both on the long side; on the short one what leaks sweeps the pipe as well, and may be as much as
the vent's own flow."""
_DOUBT = {-1.0: 0.15, 0.0: 0.35, 1.5: 0.3, 3.0: 0.2}
"""Weights of a feed that is off by so many of its errors. An analyser says where a run settles;
what a run makes holds more on the whole, since its first seconds are air-like, and the more so the
shorter the runs (setting; five seconds of air in a run of six minutes are 0.3 %)."""
_ON_THE_WAY = 0.025
"""Share by which an interval of time constants is widened: what leaks leaves on the way, and the
readings at the remote end cannot show how much of it does; half of the usual share either way."""
_OFF = 0.05
"""Weight of a pipe or flow far from the stated one."""
_FITS = 1.0
"""How far readings may be off the best course, as a root mean square in units of the least
difference that :mod:`collector.physics.pipefit` takes for granted."""
_SMOOTH = 2.5
"""How many times as far as by their short-term scatter they may be off it: noise is about 1."""
_MIN_FALL = 0.10
_LEAST_FALL = 0.0024
"""Oxygen fraction by which it must have fallen, whatever the share: some steps of a sensor."""
_MIN_ROWS = 8
_LONGEST = 200.0
_NEAR = 9.0
"""Logarithm of the weight below the best at which a model no longer counts."""
_SLACK = 6.0
"""How much further below the middle of three neighbouring time constants may lie, for the other
two to be tried as well."""
_PLENTY = 400
"""Models that count from which the grid is fine enough as it is."""
_THREE = 3
_Likely = tuple[float, float]
"""Time constant (s) by volume and flow, and the deviation of its logarithm on the short side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeForecast:
    """Medians and 90 % intervals: time constant and time that remains, s; ``models`` weighed."""

    time_constant: tuple[float, float, float]
    """Low, middle, high."""
    remaining: tuple[float, float, float]
    models: int


def forecast_purge(
    times_s: Sequence[float],
    oxygen: Sequence[float],
    target: float,
    feed: float,
    *,
    expected: float | None = None,
    seen_begin: bool = True,
    feed_error: float = 0.0,
    open_share: float = 1.0,
) -> PurgeForecast | Refusal:
    """Time constant and time to target, from readings at the remote end.

    Parameters
    ----------
    times_s : times of purging, s, rising, from when it began (or from the first reading).
    oxygen : oxygen fractions, means over equal stretches.
    target, feed : fractions wanted and supplied.
    expected : time constant that volume and flow predict, s, or ``None``.
    seen_begin : whether the first time is that of the beginning, from one mixture throughout.
    feed_error : error of what is known of the feed, a fraction: near the end the height above the
        feed is all there is, and the feed is rarely known to a part of it.
    open_share : share of the time in which the vent purges, where ``times_s`` count that alone.
        What leaks sweeps the pipe all the time, and the more the shorter a timer opens.

    Returns
    -------
    The forecast, or a refusal: ``too-few``, ``too-short`` (under a tenth of the height has gone),
    ``never`` (the feed does not reach the target), ``stalled``, ``not-one-rate`` (no course fits:
    the readings are off all of them by far more than neighbouring readings are off each other).

    Raises
    ------
    ValueError
        Fractions outside 0..1, unequal lengths, an ``expected`` that is not above zero.

    Examples
    --------
    KOSHA Guide C-C-85-2026, Annex 3: 28 m3 fed at 1 m3/min with 0.01 % oxygen takes 79.2 min to
    1.25 %; after a third of it the rest is 52.8 min:

    >>> from collector.physics.purge import sweep_oxygen
    >>> times = [60.0 * i for i in range(27)]
    >>> readings = [sweep_oxygen(0.21, t, 28 * 60, 0.0001) for t in times]
    >>> f = forecast_purge(times, readings, 0.0125, 0.0001, expected=28 * 60)
    >>> abs(f.remaining[1] / 60 / 52.8 - 1) < 0.15
    True
    """
    fraction("target", target)
    fraction("feed", feed)
    if expected is not None:
        positive("expected", expected)
    if len(times_s) != len(oxygen):
        raise ValueError(f"{len(times_s)} times for {len(oxygen)} readings")
    refused = _refuse(oxygen, target, feed)
    if refused is not None:
        return refused
    heights = [x - feed for x in oxygen]
    rows = Readings(times_s, heights, _INDEPENDENT)
    dirt = _dirt(feed, feed_error)
    likely = None if expected is None else (
        expected, math.log1p(math.expm1(_SHORTER) / max(open_share, 0.01)))
    models = _fit(rows, times_s, heights, seen_begin, likely, dirt)
    if not models:
        return Refusal(code="stalled", reason="no course of a purge fits the readings")
    missed, scatter = rows.misfit(min(models, key=operator.attrgetter("squares")))
    if missed > max(_FITS, _SMOOTH * scatter):
        return Refusal(
            code="not-one-rate",
            reason="the oxygen follows no one course of a purge: it is off the nearest one by far "
            "more than the sensor's own scatter; the flow, the supply or the volume changed, or "
            "air came in",
        )
    return _weigh(models, times_s[-1], len(oxygen), target - feed, heights[0], likely, dirt)


def _dirt(feed: float, error: float) -> dict[float, float]:
    """Return the oxygen that the feed may hold above the stated one, with weights."""
    if error <= 0.0:
        return {0.0: 1.0}
    return {max(n * error, -feed): weight for n, weight in _DOUBT.items()}


def _refuse(oxygen: Sequence[float], target: float, feed: float) -> Refusal | None:
    if feed >= target:
        return Refusal(
            code="never",
            reason=f"the product holds {100 * feed:.2g} % oxygen; the target of "
            f"{100 * target:.2g} % is not below it",
        )
    if len(oxygen) < _MIN_ROWS:
        return Refusal(
            code="too-few", reason=f"{len(oxygen)} stretches of readings; {_MIN_ROWS} are needed",
        )
    first = max(oxygen[:3])
    last = sum(oxygen[-2:]) / 2
    if first - last < max(_MIN_FALL * (first - feed), _LEAST_FALL):
        return Refusal(
            code="too-short",
            reason=f"the oxygen has fallen by {100 * max(first - last, 0.0):.1f} %; too little of "
            "the way to tell how it goes on",
        )
    return None


def _fit(
    rows: Readings, times: Sequence[float], heights: Sequence[float], seen_begin: bool,
    likely: _Likely | None, dirt: Mapping[float, float],
) -> list[Course]:
    """Fit the height of every pipe of the grid by weighed least squares.

    Neighbouring time constants fit alike: of three, the outer two are only tried for those pipes
    that do not fit far worse in the middle than the best.
    """
    found: list[Course] = []
    nodes = _nodes(max(times[-1], 1e-9), likely and likely[0])
    groups = [(group, before) for group in _threes(nodes)
              for before in (_BEFORE[:1] if seen_begin else _BEFORE)]
    middles = [rows.fit(*group[len(group) // 2], before, pipes(), tuple(dirt))
               for group, before in groups]
    ranked = _logs(
        [m for models in middles for m in models], len(times), heights[0], likely, dirt)
    least = max(ranked, default=0.0) - _NEAR - _SLACK
    place = 0
    for (group, before), models in zip(groups, middles, strict=True):
        logs = ranked[place:place + len(models)]
        place += len(models)
        kept = [m for m, v in zip(models, logs, strict=True) if v > least]
        found += kept
        if kept:
            for d in dirt:
                near = [m.pipe for m in kept if m.dirt == d]
                for node in (n for i, n in enumerate(group) if i != len(group) // 2):
                    found += rows.fit(*node, before, near, (d,))
    return _refine(rows, found, len(times), heights[0], likely, dirt)


def _refine(
    readings: Readings, models: Sequence[Course], count: int, first: float, likely: _Likely | None,
    dirt: Mapping[float, float],
) -> list[Course]:
    """Refine the grid around the models that count, where they are few."""
    logs = _logs(models, count, first, likely, dirt)
    least = max(logs, default=0.0) - _NEAR
    counted = [m for m, v in zip(models, logs, strict=True) if v > least]
    if len(counted) > _PLENTY:
        return counted
    found: list[Course] = []
    for model in counted:
        before, width = model.before / model.time_constant, model.width / _THREE
        tried = quarters(model.pipe)
        for step in (-width, 0.0, width):
            found += readings.fit(model.time_constant * math.exp(step), width, before, tried,
                                  (model.dirt,))
    return found


def _threes(nodes: list[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    return [nodes[i:i + _THREE] for i in range(0, len(nodes), _THREE)]


def _nodes(span: float, expected: float | None) -> list[tuple[float, float]]:
    """Return time constants to try with their logarithmic widths, densest near the expected one."""
    edges = [0.12 * span * (8.0 / 0.12) ** (i / 48) for i in range(49)]
    if expected is not None:
        near = [expected * 0.7 * 2.0 ** (i / 24) for i in range(25)]
        edges = sorted([e for e in edges if not near[0] <= e <= near[-1]] + near)
    return [
        (math.sqrt(a * b), math.log(b / a)) for a, b in zip(edges, edges[1:], strict=False)
    ]


def _weigh(
    models: Sequence[Course], end: float, count: int, above: float, first: float,
    likely: _Likely | None, dirt: Mapping[float, float],
) -> PurgeForecast | Refusal:
    logs = _logs(models, count, first, likely, dirt)
    top = max(logs)
    chosen = [(math.exp(v - top), m) for v, m in zip(logs, models, strict=True) if v > top - _NEAR]
    taus = sorted((m.time_constant, w) for w, m in chosen)
    rests = sorted((_rest(m, end, above), w) for w, m in chosen)
    remaining = _quantiles(rests)
    if remaining[1] >= _LONGEST * end:
        return Refusal(code="stalled", reason="the oxygen no longer falls towards the target")
    low, middle, high = _quantiles(taus)
    return PurgeForecast(
        time_constant=(low * (1.0 - _ON_THE_WAY), middle, high * (1.0 + _ON_THE_WAY)),
        remaining=remaining, models=len(chosen),
    )


def _logs(
    models: Sequence[Course], count: int, first: float, likely: _Likely | None,
    dirt: Mapping[float, float],
) -> list[float]:
    """Return the logarithm of each model's weight."""
    if not models:
        return []
    # Squares are in units of the least difference; a worse best fit says it is really more.
    scale = max(min(m.squares for m in models) / max(count - 4, 1), 1.0)
    tempered = 0.5 * min(_INDEPENDENT, count) / count / scale
    return [math.log(_prior(m, first, likely) * dirt[m.dirt]) - tempered * m.squares
            for m in models]


def _prior(model: Course, first: float, likely: _Likely | None) -> float:
    """Return a model's log weight before any reading: by volume, flow and first height."""
    begins = model.at(0.0) / first
    weight = model.width * math.exp(model.pipe.likely)
    weight *= math.exp(-0.5 * (math.log(max(begins, 1e-6)) / 0.03) ** 2) + 1e-4
    if likely is not None:
        far = math.log(model.time_constant / likely[0])
        far /= _LONGER if far > 0.0 else likely[1]
        weight *= math.exp(-0.5 * far * far) + _OFF
    return weight


def _rest(model: Course, end: float, above: float) -> float:
    """Return the time from ``end`` until the model meets the target."""
    if above <= model.dirt:
        return _LONGEST * end
    turns = model.pipe.turns((above - model.dirt) / model.height)
    return min(max(turns * model.time_constant - model.before - end, 0.0), _LONGEST * end)


def _quantiles(pairs: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """Return the weighed 5 %, 50 % and 95 % points, interpolated between the models."""
    total = sum(w for _, w in pairs)
    found = []
    for share in (0.05, 0.5, 0.95):
        passed, last = 0.0, pairs[0][0]
        value = pairs[-1][0]
        for x, w in pairs:
            if passed + w >= share * total:
                value = x if w <= 0 else last + (x - last) * (share * total - passed) / w
                break
            passed, last = passed + w, x
        found.append(value)
    return found[0], found[1], found[2]
