"""The leak day by day: the two quantities that are reported, and whether the days show growth.

References
----------
[1] Yue, Wang: The Mann-Kendall test modified by effective sample size to detect trend in serially
    correlated hydrological series. Water Resources Management 18 (2004) 201-218.

"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from collector.domain.events import EstimateMade
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import standard_molar_volume
from collector.physics.robust import mad_deviation, mann_kendall, sen_line
from collector.rules.base import Context, State
from collector.rules.estimates import Estimator
from collector.rules.leakfigures import Figure, Figures
from collector.rules.leaktrack import Leaks, leaks_of

__all__ = [
    "DAY", "Days", "Growth", "LeakEquivalent", "LeakRate", "build_estimators", "days_of",
    "figures_of", "flow_in_units", "grown", "told_together",
]

DAY = 86_400_000
"""ms."""

_KEEP = 60
_SPANS = (8, 14, 28)
_SURE = 2.7
_OUTSTANDING = 8.0
_CUBIC_FOOT = 0.028316846592


def flow_in_units(context: Context, mol_per_second: float) -> tuple[float, str]:
    """Return a flow as the site reads it: scfh or L/h at its standard temperature, 101 325 Pa.

    The molar volume is that of the ideal gas.
    """
    site = context.plant.site
    volume = mol_per_second * standard_molar_volume(site.standard_temperature + 273.15) * 3600.0
    if site.units == "metric":
        return volume * 1000.0, "L/h"
    return volume / _CUBIC_FOOT, "scfh"


def figures_of(context: Context) -> Figures:
    """Return the figures that rules and quantities of one engine share."""
    found = context.shared.get("leak-figures")
    if not isinstance(found, Figures):
        found = context.shared["leak-figures"] = Figures(context)
    return found


def told_together(context: Context, asset: str, now: int, window: int) -> Figure | Refusal:
    """Return the figure of a riser, or of a generator whose risers cannot be told apart."""
    figures = figures_of(context)
    if asset in context.plant.risers:
        return figures.riser(asset, now, window)
    found = figures.generator(asset, now, window)
    if isinstance(found, Figure) and len(found.shared) < 2:
        return Refusal(code="told-apart", reason="every riser is seen by itself")
    return found


@dataclass(slots=True, kw_only=True)
class Days(State):
    """One row a day: [end (ms), share of the gas lost in a day, its deviation, psi a day, way].

    A share, because a hole leaks in proportion to the absolute pressure: days with another set
    pressure stay comparable.
    """

    rows_series: list[list[Any]] = field(default_factory=list)

    def add(self, figure: Figure) -> None:
        """Take the figure of a day."""
        if figure.psi is None or figure.level <= 0:
            return
        way = f"{figure.way} {' '.join(figure.shared)}".strip()
        self.rows_series.append([
            figure.window[1], figure.psi.value / figure.level, figure.psi.deviation / figure.level,
            figure.psi.value, way,
        ])
        del self.rows_series[:-_KEEP]

    def alike(self) -> list[list[Any]]:
        """Return the latest days that were seen in one and the same way."""
        rows = self.rows_series
        return [r for r in rows if r[4] == rows[-1][4]] if rows else []


def days_of(context: Context, asset: str) -> Days:
    """Return the days of a riser or generator, shared by its quantity and its rule."""
    found = context.shared.get(f"leak-days.{asset}")
    if not isinstance(found, Days):
        found = context.shared[f"leak-days.{asset}"] = Days()
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """A growth that stands out: from ``first`` to ``last`` (psi a day) since ``since`` (ms)."""

    since: int
    first: float
    last: float
    step: bool


def grown(
    rows: Sequence[Sequence[Any]], *, share: float, step: float, least: float,
) -> Growth | None:
    """Return the growth that the days show, or ``None``.

    ``share`` is the least growth over a trend and ``step`` over a jump, each as a part of what it
    began at; ``least`` the least growth in psi a day. A trend must pass the test of [1] on a window
    of 8, 14 or 28 days; a jump must stand out from the scatter of the days before it.
    """
    found = _jump(rows, step, least)
    values = [r[1] for r in rows]
    hops = [b - a for a, b in zip(values, values[1:], strict=False)]
    # From day to day: what the days scatter by, whatever they do in the long run.
    scatter = mad_deviation(hops) / math.sqrt(2.0) if hops else 0.0
    for span in _SPANS:
        found = found or _trend(rows[-span:], span, share, least, scatter)
    return found


def _jump(rows: Sequence[Sequence[Any]], step: float, least: float) -> Growth | None:
    if len(rows) < 5:
        return None
    before, last = [r[1] for r in rows[-15:-1]], rows[-1]
    middle = median(before)
    doubt = math.hypot(mad_deviation(before), last[2], median(r[2] for r in rows[-15:-1]))
    growth = last[1] - middle
    scale = last[3] / last[1] if last[1] else 0.0
    if growth > step * middle and growth > 5.0 * doubt and growth * scale > least:
        return Growth(since=int(rows[-2][0]), first=middle * scale, last=last[3], step=True)
    return None


def _trend(
    rows: Sequence[Sequence[Any]], span: int, share: float, least: float, scatter: float,
) -> Growth | None:
    if len(rows) < span or rows[-1][1] <= 0:
        return None
    times = [(r[0] - rows[0][0]) / DAY for r in rows]
    values = [r[1] for r in rows]
    # A leak that grows by so much a day is straight in its logarithm; its rests are then free of
    # the bend that would pass for correlation.
    logs = [math.log(v) for v in values] if min(values) > 0 else values
    line = sen_line(times, values, level=0.98)
    first = line.at(times[0])
    growth = line.at(times[-1]) - first
    scale = rows[-1][3] / rows[-1][1]
    doubt = max(3.0 * median(r[2] for r in rows), _OUTSTANDING * scatter)
    if growth <= max(share * max(first, 0.0), doubt):
        return None
    if growth * scale <= least or line.low <= 0:
        return None
    if mann_kendall(logs, lag_one=True).z < _SURE:
        return None
    return Growth(since=int(rows[0][0]), first=first * scale, last=(first + growth) * scale,
                  step=False)


class LeakRate(Estimator):
    """The leak as a flow: by the falls of the pipe itself, or out of what the generator brought.

    It also feeds the tracks that everything about leaks is read from. The volume is taken as the
    site file states it; an error there scales the figure.
    """

    quantity = "leak-rate"

    # Contacts and the mode only shut out what the pressure shows; temperatures only add up.
    apart = True

    def __init__(self, context: Context, asset: str) -> None:
        leaks: Leaks = leaks_of(context)
        self._track = leaks.riser(asset) if asset in context.plant.risers else leaks.tank(asset)
        super().__init__(context, asset, self._track.points)
        self.unit = flow_in_units(context, 0.0)[1]  # type: ignore[misc]
        self._days = days_of(context, asset)

    def begin(self, now: int) -> None:
        """Start: the tracks begin by themselves."""

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""
        self._track.observe(point, at, value, before_at)

    def quiet(self, point: str) -> tuple[float, float] | None:
        """Return what changes nothing in the track."""
        return self._track.quiet(point)

    def holds(self, point: str) -> tuple[float, float, int | None] | None:
        """Return what only goes into the track's averages."""
        return self._track.holds(point)

    def observe_many(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        """Take samples that were kept back."""
        self._track.observe_many(point, times, values)

    def make(self, now: int) -> EstimateMade | None:
        """Return the leak of the last 24 h."""
        found = told_together(self.context, self.asset, now, DAY)
        if isinstance(found, Figure):
            self._days.add(found)
        return _reported(self, found, now)

    def express(self, figure: Figure) -> Estimate | Refusal:
        """Return the flow in the site's unit."""
        if figure.flow is None:
            return Refusal(code="no-volume", reason="the volume of the pipe is not set")
        return figure.flow.scaled(flow_in_units(self.context, 1.0)[0])

    def dump(self) -> dict[str, Any]:
        """Return the state of the track and of the days."""
        return {"track": self._track.dump(), "days": self._days.dump()}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self._track.load(state["track"])
        self._days.take(state["days"])


class LeakEquivalent(Estimator):
    """The leak as the pressure it would cost in 24 h at one temperature, nothing flowing in."""

    quantity = "leak-equivalent"
    unit = "psi"

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, ())

    def begin(self, now: int) -> None:
        """Start: it keeps nothing of its own."""

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take nothing: :class:`LeakRate` does."""

    def make(self, now: int) -> EstimateMade | None:
        """Return the leak of the last 24 h."""
        return _reported(self, told_together(self.context, self.asset, now, DAY), now)

    def express(self, figure: Figure) -> Estimate | Refusal:
        """Return psi in 24 h."""
        if figure.psi is None:
            return Refusal(code="no-volume", reason="the volume of the pipe is not set")
        return figure.psi

    def dump(self) -> dict[str, Any]:
        """Return nothing: it keeps nothing."""
        return {}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take nothing."""


def _reported(
    of: LeakRate | LeakEquivalent, found: Figure | Refusal, now: int,
) -> EstimateMade | None:
    start = now - DAY
    told = of.express(found) if isinstance(found, Figure) else found
    if isinstance(told, Estimate):
        low, high = told.interval()
        return of._made(now, start, told.value, low, high)
    if of.asset in of.context.plant.generators and told.code != "no-volume":
        return None  # its risers say it
    return of._made(now, start, None, reason=told.reason)


def build_estimators(context: Context) -> Iterable[Estimator]:
    """Return the estimators of every riser, and of every generator whose tank is read."""
    leaks = leaks_of(context)
    plant = context.plant
    read = [
        r for r in plant.risers
        if context.wired(f"{r}.pressure") or leaks.tank_read(leaks.feeds(r))
    ]
    assets = [*read, *(g for g in plant.generators if leaks.tank_read(g))]
    return [kind(context, a) for a in assets for kind in (LeakRate, LeakEquivalent)]
