"""Estimates of a purge: its time constant and its end."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

from collector.domain.events import EstimateMade
from collector.domain.units import HOUR, MINUTE, ZERO_CELSIUS
from collector.physics.estimate import Refusal
from collector.physics.purgeforecast import PurgeForecast, forecast_purge
from collector.rules.base import Band, Context, Estimator, State
from collector.rules.oxygen import PIPE_TEMPERATURE, predicted_time_constant
from collector.rules.productgas import FeedGas
from collector.rules.ventgas import PipeOxygen, declared_fill, generator_of, target_of

_UNDER_WAY = 0.5  # % above the target, several steps of a 0.1 % sensor
_REFILLED = 2.0  # % above the lowest since it began: air came in, the purge begins again
_NEAR_AIR = 19.5  # %; who first sees so much has seen the beginning
_ROWS = 24
_REACHED = 5  # samples in a row: noise alone does not end a purge
_NEWS = 0.1
"""Share of the purge (in volume changes) after which the forecast is reported again."""
_WIDEST = 1.5
"""Half-width of the interval, as a share of what remains, beyond which no forecast is given."""
_OPENINGS = 6
_ALIKE = 0.1
"""Share by which openings of a timer may differ, as polls and outages make them."""


@dataclass(slots=True, kw_only=True)
class _Timer(State):
    """Openings of a vent, which are those of a timer where they last and repeat alike."""

    open_series: list[list[int]] = field(default_factory=list)
    """Of the last openings whose start was seen: start, and end or zero."""

    def moved(self, at: int, is_open: bool) -> None:
        """Take a move of the vent."""
        rows = self.open_series
        if is_open:
            self.open_series = [*rows, [at, 0]][-_OPENINGS:]
        elif rows:
            rows[-1][1] = at

    def instant(self, now: int, open_ms: float) -> float | None:
        """Return when it will have been open for so long from ``now`` on; ``None``: no timer."""
        rows = self.open_series
        periods = [b[0] - a[0] for a, b in pairwise(rows)]
        lengths = [r[1] - r[0] for r in rows if r[1]]
        if not periods or not lengths:
            return None
        period, length = statistics.median(periods), statistics.median(lengths)
        begun, ended = rows[-1]
        late = now - begun > (1.0 + _ALIKE) * (period if ended else length)
        if late or any(abs(p - period) > _ALIKE * period for p in periods) \
                or any(abs(x - length) > _ALIKE * length for x in lengths):
            return None
        left = 0.0 if ended else max(begun + length - now, 0.0)
        if open_ms <= left:
            return now + open_ms
        whole, rest = divmod(open_ms - left, length)
        return max(begun + period, now) + whole * period + rest


@dataclass(slots=True, kw_only=True)
class _CurveState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    feed: FeedGas = field(default_factory=FeedGas)
    timer: _Timer = field(default_factory=_Timer)
    begun_at: int | None = None
    seen_begin: bool = False
    taken_at: int | None = None
    """Time of the last reading used."""
    open_ms: int = 0
    width: int = 2 * MINUTE
    total: float = 0.0
    count: int = 0
    from_ms: int = 0
    row_series: list[list[float]] = field(default_factory=list)
    """Instant, purge time at the middle (ms), mean oxygen (%)."""
    lowest: float = 100.0
    reached: int = 0
    """Samples in a row at or below the target."""
    told: float = 0.0
    """Share of the purge at the last report."""
    wanted: bool = False
    start_at: int = 0


@lru_cache(maxsize=8)
def _forecast(
    times: tuple[float, ...], oxygen: tuple[float, ...], target: float, feed: float,
    expected: float | None, seen_begin: bool, feed_error: float, open_share: float,
) -> PurgeForecast | Refusal:
    """Forecast once for both quantities that need it."""
    return forecast_purge(times, oxygen, target, feed, expected=expected, seen_begin=seen_begin,
                          feed_error=feed_error, open_share=open_share)


class _PurgeCurve(Estimator):
    """The course of a purge over the time with the vent open, in at most 48 means.

    Without an open contact all time counts as open. The purge begins when the oxygen is half a
    percent above the target, begins again when air comes in, and ends at the target.
    """

    state: _CurveState

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        super().__init__(context, asset, (self._oxygen, self._open))
        self.state = _CurveState()
        self._last = context.inputs.point(self._oxygen)
        self._target = target_of(context, asset)
        self._generator = generator_of(context, asset)
        self._warmth = f"{context.plant.vents[asset].riser}.pipe_temperature"
        expected = predicted_time_constant(context, asset)
        self._expected = None if expected is None else expected / 1000

    @property
    def wanted(self) -> bool:
        return self.state.wanted

    def begin(self, now: int) -> None:
        self.state.start_at = now

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        s = self.state
        if point == self._open:
            if s.pipe.position(at, value):
                s.timer.moved(at, value >= 0.5)
            return
        s.taken_at = at
        s.feed.look(self.context, self._generator, at)
        gap = self.context.inputs.max_gap(point)
        passed = at - before_at if before_at is not None and at - before_at <= gap else 0
        trusted = s.pipe.of_pipe(at, value)
        if s.begun_at is None:
            if trusted and value > self._target + _UNDER_WAY:
                self._start(at, value)
            return
        if trusted:
            s.reached = s.reached + 1 if value <= self._target else 0
            if s.reached >= _REACHED:
                self._end()
                return
        if s.pipe.open is False:
            return
        s.open_ms += passed
        if not trusted or declared_fill(self.context, self.asset, at) is not None:
            return
        s.total += value
        s.count += 1
        if s.open_ms - s.from_ms >= s.width:
            self._close(at)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._open:
            return s.pipe.no_change_band()
        if point != self._oxygen or self.context.inputs.fills:
            return None
        found = s.pipe.held_band(self._last.at or 0)
        if found is None:
            return None
        (low, high, *_), trusted = found
        until = s.feed.next_at
        if s.begun_at is None:
            high = min(high, self._target + _UNDER_WAY) if trusted else high
        else:
            if trusted:
                low = max(low, math.nextafter(self._target, math.inf))
            if s.pipe.open is not False:
                if s.taken_at is None:
                    return None
                until = min(until, s.taken_at + s.width - (s.open_ms - s.from_ms))
        return Band(low, high, until, counted=True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s = self.state
        found = s.pipe.held_band(times[0])
        s.pipe.of_pipe_many(values)
        s.taken_at = times[-1]
        if s.begun_at is None:
            return
        trusted = found is not None and found[1]
        if trusted:
            s.reached = 0
        if s.pipe.open is False:
            return
        s.open_ms += times[-1] - before_at
        if trusted:
            for value in values:
                s.total += value
            s.count += len(values)

    def _start(self, at: int, value: float) -> None:
        old = self.state
        self.state = _CurveState(
            pipe=old.pipe, feed=old.feed, timer=old.timer, taken_at=old.taken_at, begun_at=at,
            start_at=old.start_at,
            seen_begin=value >= _NEAR_AIR or old.lowest <= self._target,
        )

    def _close(self, at: int) -> None:
        s = self.state
        mean = s.total / s.count
        row = [at, (s.from_ms + s.open_ms) / 2, mean]
        s.total, s.count, s.from_ms = 0.0, 0, s.open_ms
        if mean > s.lowest + _REFILLED:
            self._start(at, mean)
            return
        s.lowest = min(s.lowest, mean)
        s.row_series = [*s.row_series, row]
        if len(s.row_series) >= 2 * _ROWS:
            s.row_series, s.width = _halved(s.row_series), 2 * s.width
        share = self._share(mean)
        if share >= s.told + _NEWS:
            s.told, s.wanted = share, True

    def _end(self) -> None:
        old = self.state
        # That it is done is news as well.
        self.state = _CurveState(
            pipe=old.pipe, feed=old.feed, timer=old.timer, taken_at=old.taken_at,
            start_at=old.start_at,
            lowest=self._target, wanted=True,
        )

    def _feed(self, now: int) -> float:
        return self.state.feed.level(self.context, self.asset, now)[0]

    def _share(self, mean: float) -> float:
        """Return the share of the volume changes already done, at the present feed."""
        rows = self.state.row_series
        feed = self._feed(int(rows[-1][0]))
        first = max(r[2] for r in rows[:3])
        if feed >= self._target or first <= self._target or mean <= feed:
            return 0.0
        return max(0.0, math.log((first - feed) / (mean - feed))
                   / math.log((first - feed) / (self._target - feed)))

    def _course(self) -> list[list[float]]:
        """Return the rows of a forecast, which counts from the middle of the last one."""
        rows = self.state.row_series
        return _halved(rows) if len(rows) >= _ROWS else rows

    def forecast(self, now: int) -> PurgeForecast | Refusal:
        """Return the forecast by the rows so far, or the reason there is none."""
        s = self.state
        if s.begun_at is None:
            done = s.lowest <= self._target or s.pipe.open is False
            return Refusal(code="done", reason="no purge is under way" if done else
                           "the oxygen is not above its target")
        rows = self._course()
        expected, warmth = self._expected, self.context.inputs.points.get(self._warmth)
        if expected is not None and warmth is not None and warmth.value is not None:
            expected *= PIPE_TEMPERATURE / (warmth.value + ZERO_CELSIUS)
        return _forecast(
            tuple(r[1] / 1000 for r in rows), tuple(max(r[2], 0.0) / 100 for r in rows),
            self._target / 100, min(self._feed(now) / 100, 1.0), expected, s.seen_begin,
            s.feed.error(self.context, self.asset, now) / 100, round(self._open_share(now), 2),
        )

    def _open_share(self, now: int) -> float:
        """Return the share of this purge in which the vent was open."""
        s = self.state
        return min(max(s.open_ms / max(now - (s.begun_at or 0), 1), 1e-6), 1.0)

    def make(self, now: int) -> EstimateMade | None:
        if self.context.inputs.point(self._oxygen).at is None:
            return None
        s = self.state
        start = s.start_at if s.begun_at is None else s.begun_at
        s.wanted, s.start_at = False, now
        found = self.forecast(now)
        if isinstance(found, Refusal):
            return self._made(now, start, None, reason=found.reason)
        return self._event(now, start, found)

    def _event(self, now: int, start: int, found: PurgeForecast) -> EstimateMade:
        raise NotImplementedError


def _halved(rows: list[list[float]]) -> list[list[float]]:
    """Join rows two by two; an odd last one stays by itself."""
    pairs = [
        [b[0], (a[1] + b[1]) / 2, (a[2] + b[2]) / 2]
        for a, b in zip(rows[::2], rows[1::2], strict=False)
    ]
    return pairs + rows[len(pairs) * 2:]


class PurgeTimeConstant(_PurgeCurve):
    """Time constant of the purge in hours of open vent, from the fall of oxygen."""

    quantity = "purge-time-constant"

    def _event(self, now: int, start: int, found: PurgeForecast) -> EstimateMade:
        low, middle, high = (t / 3600 for t in found.time_constant)
        return self._made(now, start, middle, low, high)


class PurgeDoneAt(_PurgeCurve):
    """Time at which the remote end will read the target, in seconds since 1970 (UTC).

    A vent that was seen to open by the clock is taken to go on so; of another one it is assumed
    that it is open for the same share of the time as so far.
    """

    quantity = "purge-done-at"

    def _event(self, now: int, start: int, found: PurgeForecast) -> EstimateMade:
        s = self.state
        # The forecast counts from the middle of the last stretch that it was made from.
        since = s.open_ms - self._course()[-1][1]
        low, middle, high = (self._instant(now, 1000 * t - since) for t in found.remaining)
        if high - low > 2 * _WIDEST * max(middle - now, (now - start) / 5):
            hours = [(t - now) / HOUR for t in (low, high)]
            return self._made(
                now, start, None,
                reason=f"not known yet: between {hours[0]:.0f} h and {hours[1]:.0f} h from now fit "
                       "what was read",
            )
        return self._made(now, start, round(middle / 1000), round(low / 1000), round(high / 1000))

    def _instant(self, now: int, open_ms: float) -> float:
        """Return when the vent will have been open for so long (ms) from ``now`` on."""
        if open_ms <= 0.0:
            return now
        s = self.state
        timed = s.timer.instant(now, open_ms) if s.pipe.open is not None else None
        return now + open_ms / self._open_share(now) if timed is None else timed


def build_estimators(context: Context) -> list[Estimator]:
    """Return the purge's quantities for every vent whose oxygen is read."""
    kinds = (PurgeTimeConstant, PurgeDoneAt)
    return [
        kind(context, v) for v in context.plant.vents if context.is_configured(f"{v}.oxygen")
        for kind in kinds
    ]
