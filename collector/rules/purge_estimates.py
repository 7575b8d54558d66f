"""Estimates of a purge: time constant, end, and the pipe's exposure to oxygen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from collector.domain.events import EstimateMade
from collector.domain.units import DAY, MINUTE, ZERO_CELSIUS
from collector.physics.atmosphere import OXYGEN_IN_AIR
from collector.physics.estimate import Refusal
from collector.physics.purgeforecast import PurgeForecast, forecast_purge
from collector.rules.base import Band, Context, State
from collector.rules.estimates import STEP, Estimator
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
_SEEN = 0.5


@dataclass(slots=True, kw_only=True)
class _CurveState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    feed: FeedGas = field(default_factory=FeedGas)
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
    expected: float | None, seen_begin: bool, feed_error: float,
) -> PurgeForecast | Refusal:
    """Forecast once for both quantities that need it."""
    return forecast_purge(times, oxygen, target, feed, expected=expected, seen_begin=seen_begin,
                          feed_error=feed_error)


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
            s.pipe.position(at, value)
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
            pipe=old.pipe, feed=old.feed, taken_at=old.taken_at, begun_at=at, start_at=old.start_at,
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
            pipe=old.pipe, feed=old.feed, taken_at=old.taken_at, start_at=old.start_at,
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
            s.feed.error(self.context, self.asset, now) / 100,
        )

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

    Assumes the vent open for the same share of the time as so far.
    """

    quantity = "purge-done-at"

    def _event(self, now: int, start: int, found: PurgeForecast) -> EstimateMade:
        s = self.state
        share = min(max(s.open_ms / max(now - start, 1), 1e-6), 1.0)
        low, middle, high = (t / share for t in found.remaining)
        if high - low > 2 * _WIDEST * max(middle, (now - start) / 5000):
            return self._made(
                now, start, None,
                reason=f"not known yet: between {low / 3600:.0f} h and {high / 3600:.0f} h from "
                       "now fit what was read",
            )
        # The forecast counts from the middle of the last stretch that it was made from.
        counted = (now - (s.open_ms - self._course()[-1][1]) / share) / 1000
        done = [max(counted + t, now / 1000) for t in (low, middle, high)]
        return self._made(now, start, round(done[1]), round(done[0]), round(done[2]))


@dataclass(slots=True, kw_only=True)
class _ExposureState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    start_at: int = 0
    last: float | None = None
    total: float = 0.0
    """% ms above the target."""
    known_ms: int = 0


class OxygenExposure(Estimator):
    """Percent-days of oxygen above the target in the day that ends: corrosion exposure of the pipe.

    Readings of the pipe's gas count until the next one, within the longest gap that still is
    unbroken; while a vent breathes room air when shut, the last reading of the pipe holds. Bounds:
    a step of the sensor for its own error, as for the completion, and what was not seen anywhere
    between the target and air.
    """

    quantity = "oxygen-exposure"
    state: _ExposureState

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        super().__init__(context, asset, (self._oxygen, self._open))
        self.state = _ExposureState()
        self._last = context.inputs.point(self._oxygen)
        self._target = target_of(context, asset)

    def begin(self, now: int) -> None:
        s = self.state
        s.start_at, s.total, s.known_ms = now, 0.0, 0

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        s = self.state
        if point == self._open:
            s.pipe.position(at, value)
            return
        gap = self.context.inputs.max_gap(point)
        if before_at is not None and at - before_at <= gap and s.last is not None:
            passed = max(at - max(before_at, s.start_at), 0)
            s.known_ms += passed
            s.total += max(s.last - self._target, 0.0) * passed
        if s.pipe.of_pipe(at, value):
            s.last = value

    def no_change_band(self, point: str) -> Band | None:
        if point == self._open:
            return self.state.pipe.no_change_band()
        found = self.state.pipe.held_band(self._last.at or 0) if point == self._oxygen else None
        return None if found is None else found[0]

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s, target = self.state, self._target
        found = s.pipe.held_band(times[0])
        of_pipe, last = found is not None and found[1], s.last
        for at, value in zip(times, values, strict=True):
            if last is not None:
                passed = max(at - max(before_at, s.start_at), 0)
                s.known_ms += passed
                s.total += max(last - target, 0.0) * passed
            if of_pipe:
                last = value
            before_at = at
        s.last = last
        s.pipe.of_pipe_many(values)

    def make(self, now: int) -> EstimateMade | None:
        s = self.state
        start, whole = s.start_at, now - s.start_at
        seen, total, last = min(s.known_ms, whole), s.total / DAY, s.last
        self.begin(now)
        if self.context.inputs.point(self._oxygen).at is None or whole <= 0:
            return None
        cover = seen / whole
        if cover < _SEEN:
            return self._made(
                now, start, None, reason=f"only {100 * cover:.0f} % of the time was seen",
            )
        blind = (whole - seen) / DAY
        air = 100 * OXYGEN_IN_AIR - self._target
        error = STEP * seen / DAY
        above = last is not None and last > self._target - STEP
        low = max(total - error, 0.0)
        high = total + (error if total > 0 or above else 0.0) + blind * air
        coverage = "" if cover > 0.995 else f"{100 * cover:.0f} % of the time was seen"
        return self._made(now, start, total / cover, low, high, reason=coverage)


def build_estimators(context: Context) -> list[Estimator]:
    """Return the purge's quantities for every vent whose oxygen is read."""
    kinds = (PurgeTimeConstant, PurgeDoneAt, OxygenExposure)
    return [
        kind(context, v) for v in context.plant.vents if context.is_configured(f"{v}.oxygen")
        for kind in kinds
    ]
