"""A compressor that starts too often."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.plant import Generator
from collector.domain.units import HOUR, MINUTE
from collector.rules.base import Band, Context, Level, RawEvaluation, Rule, State, Values, number
from collector.rules.rates import moles_per_psi
from collector.rules.running import Steady

_PLAIN_LIMIT = 10.0
_MARGIN, _STRAY = 1.5, 2.0
"""Over what the tank can call for: as a share, and in starts. The hour that is looked at may hold
one more than the mean hour, and a power cut or a test starts it once more (settings)."""


def most_starts(generator: Generator, temperature: float) -> tuple[float, str]:
    """Return the most starts an hour that are normal, and the reason.

    A tank of volume V between cut-in and cut-out cycles most often when half the delivery q is
    drawn: q / 4 n an hour, n being the gas between the two set points. ``temperature`` (degrees C)
    is that of the tank.
    """
    g = generator
    delivery = g.nitrogen_delivery or g.compressor_delivery
    if g.tank_volume and g.cut_in is not None and g.cut_out is not None and delivery:
        held = (g.cut_out - g.cut_in) * moles_per_psi(g.tank_volume, temperature)
        return _over(3600 * delivery / (4 * held)), f"{_MORE} this tank can call for"
    return _PLAIN_LIMIT, "taken because tank, set points or delivery are not given"


_HEALTHY = 0.75
"""Share of the pump-up time that a sound tank's run lasts at the least: it is full early where it
is warm (setting)."""
_MORE = "half as often again, at least twice more, than"


def _over(most: float) -> float:
    return max(_MARGIN * most, most + _STRAY)


@dataclass(slots=True, kw_only=True)
class _StartsState(State):
    running: Steady = field(default_factory=Steady)
    start_series: list[list[int]] = field(default_factory=list)
    """The instants of starts by the contact."""
    counted_series: list[list[int]] = field(default_factory=list)
    """Instant and number of starts by the counter."""
    count: float | None = None
    count_at: int | None = None
    level: Level = field(default_factory=Level)
    run_at: int | None = None
    lasted: int | None = None
    """The start of the present run, and the length (ms) of the last one."""
    found_at: int | None = None
    """Since when it starts too often: until a run is long enough again."""


class CompressorShortCycling(Rule):
    """More starts in an hour than the limit.

    A start by the contact counts once the compressor has stayed on, after it had stayed off, for
    longer than contacts bounce. The controller's own start counter also sees what falls between
    two samples; the greater of the two counts. A counter that fell, or jumped by more than could
    have been, was replaced: it is followed from its new value.

    How often it starts follows what is drawn, by the hour. What is wrong with tank or switch stays:
    where the pump-up time is known, the alarm is active until a run is as long as it should be.
    """

    condition = "compressor-short-cycling"
    state: _StartsState

    def __init__(self, context: Context, asset: str) -> None:
        points = self._points(context, asset)
        super().__init__(context, asset, inputs=points, needs=points[:1])
        self._running, self._starts = f"{asset}.compressor_running", f"{asset}.start_count"
        self._bounce = int(number(self.settings, "bounce") or 0)
        self._deadband = number(self.settings, "deadband") or 0.0
        given = number(self.settings, "limit")
        computed = most_starts(
            context.plant.generators[asset], context.plant.site.standard_temperature,
        )
        self._given = given
        self._limit, self._why = computed if given is None else (given, "set in the site file")
        self.state = _StartsState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        if point == self._starts:
            return self._counted(at, value)
        moved = self._settle(at)
        return self.state.running.sample(at, value >= 0.5) or moved

    def _settle(self, now: int) -> bool:
        s = self.state
        began = s.running.settle(now, self._bounce)
        if began is not None and s.running.on:
            s.start_series.append([began])
            s.run_at = began
        elif began is not None and s.run_at is not None:
            s.lasted = began - s.run_at
        return began is not None

    def _counted(self, at: int, value: float) -> bool:
        s = self.state
        last, last_at = s.count, s.count_at
        s.count, s.count_at = value, at
        if last is None or last_at is None or value == last:
            return False
        passed = at - last_at
        growth = value - last
        if growth < 0 or growth > passed / max(self._bounce, 1000) + 1:
            return False
        # Of a long silence only the share of one hour is known to have been near.
        s.counted_series.append([at, int(growth * min(1.0, HOUR / passed))])
        return True

    def _number(self, now: int) -> int:
        s = self.state
        for series in (s.start_series, s.counted_series):
            while series and series[0][0] <= now - HOUR:
                series.pop(0)
        return max(len(s.start_series), sum(row[1] for row in s.counted_series))

    def evaluate(self, now: int) -> RawEvaluation:
        self._settle(now)
        s, pump_up = self.state, self._pump_up()
        s.level.compare(now, self._number(now), self._limit, self._deadband, above=True)
        found = s.level.evaluation()
        if s.level.beyond:
            s.found_at = s.found_at or s.level.since_at
        elif pump_up is None or s.lasted is None or s.lasted >= _HEALTHY * pump_up:
            s.found_at = None
        return found if s.found_at is None else RawEvaluation.active(s.found_at)

    def _pump_up(self) -> float | None:
        """Return the pump-up time (ms) of a sound tank, and set the limit by it."""
        baselines = self.context.baselines
        known = baselines.get("pump-up-time", self.asset) or baselines.accepted(
            "pump-up-time", self.asset)
        if known is None or known.value <= 0:
            return None
        if self._given is None:
            self._limit = _over(60 / (4 * known.value))
            self._why = f"{_MORE} a tank can call for that is pumped up in {known.value:.1f} min"
        return known.value * MINUTE

    def next_evaluation_at(self, now: int) -> int | None:
        s = self.state
        ripe = s.running.ripe(self._bounce)
        times = [] if ripe is None else [ripe]
        if s.level.beyond:
            times += [x[0][0] + HOUR for x in (s.start_series, s.counted_series) if x]
        return min((t for t in times if t > now), default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        starts, limit = self._number(now), math.floor(self._limit)
        numbers = f"{starts} starts in the last hour; the limit is {limit} ({self._why})."
        values: Values = {"starts_per_hour": starts, "limit_per_hour": round(self._limit, 1)}
        return values, self.words.message(
            self.about, self.asset, since=self.state.found_at, numbers=numbers,
        )

    def no_change_band(self, point: str) -> Band | None:
        if point == self._running:
            return self.state.running.no_change_band()
        count = self.state.count
        return None if count is None else Band(count, count)

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        return "" if cls._points(context, asset) else (
            f"neither compressor running nor starts at {asset}")

    @staticmethod
    def _points(context: Context, asset: str) -> list[str]:
        points = (f"{asset}.compressor_running", f"{asset}.start_count")
        return [p for p in points if context.is_configured(p)]
