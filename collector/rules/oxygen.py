"""Conditions of the oxygen at the purge vents."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.units import DAY, HOUR, MINUTE, PSI
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import amount
from collector.physics.purge import sweep_time_constant
from collector.physics.robust import sen_line
from collector.rules.base import (
    Band,
    Context,
    RawEvaluation,
    Rule,
    State,
    Values,
    contact_band,
    number,
)
from collector.rules.productgas import FeedGas
from collector.rules.ventgas import declared_fill, generator_of, target_of

PIPE_TEMPERATURE = 288.15  # K, where no pipe temperature is read; 10 K more or less is 3.5 %
_BUCKETS = 24
_ABSURD = 25.0  # %, more oxygen than air has
_LEAST_RISE = 0.1  # %, one step of a common sensor: closer to the feed no rate can be read
_NEW_FALL = 1.0  # %, ten steps of a common sensor: so much below its peak a new purge is seen
_TIMER_SHARE = 0.08  # two hours a day: the least that timers are set to by common practice
_TIMER_WINDOW = 2 * DAY  # a daily timer, twice
_HORIZON = 60  # days; a purge takes hours to weeks, one that needs longer has stalled


def predicted_time_constant(context: Context, vent: str) -> float | None:
    """Return the purge's time constant (ms of open vent) by volume, pressure and vent flow.

    ``None`` where the site file lacks one of them. Every vent of the riser counts: they sweep it
    together.
    """
    plant = context.plant
    riser = plant.risers.get(plant.vents[vent].riser)
    if riser is None or riser.volume is None or riser.supervisory_pressure is None:
        return None
    flows = [v.flow for v in plant.vents.values() if v.riser == riser.id]
    if any(not f for f in flows):
        return None
    pressure = riser.supervisory_pressure * PSI + pressure_at_altitude(plant.site.altitude)
    held = amount(pressure, riser.volume, PIPE_TEMPERATURE)
    return 1000 * sweep_time_constant(held, math.fsum(f for f in flows if f))


@dataclass(slots=True, kw_only=True)
class _PurgeState(State):
    has_open: bool = False
    """Whether the vent's position is read."""
    begun_at: int | None = None
    seen_begin: bool = False
    """Whether the start of the purge was seen; otherwise it may be older."""
    below: bool = False
    """Whether the target was reached and no purge has begun since."""
    peak: float = 0.0
    """Highest oxygen since then, two samples in a row."""
    before: float = 0.0
    open: bool = True
    open_ms: int = 0
    """Purge time so far: time with the vent open."""
    bucket_ms: int = 0
    bucket_at: int | None = None
    total: float = 0.0
    count: int = 0
    air_ms: int = 0
    curve_series: list[list[float]] = field(default_factory=list)
    """Closed buckets: instant, purge time at its middle (ms), mean oxygen, ms of air-fill."""
    verdict: str = ""
    """Result by the last closed bucket: ``slow``, ``stalled`` or empty."""
    verdict_at: int | None = None
    rate: float | None = None
    """Rate of the logarithm by the last window, 1/ms of purge time."""
    first: list[float] = field(default_factory=list)
    """Purge time (ms) and oxygen (%) when the front had reached the far end."""
    feed: FeedGas = field(default_factory=FeedGas)


class OxygenNotFalling(Rule):
    """During a purge the oxygen falls far slower than predicted, stalls or takes too long.

    The curve is kept as means over equal stretches of purge time (time with the vent open, or all
    time where that is not read), so that sensor noise and steps average out and a purge by timer is
    evaluated by the time it really purged. A vent whose position is not read may be a timer's: it
    has to be half as fast as this purge was so far, or as a timer's common share of the time would
    have it, and the window holds two days. The rate is the robust slope of ln(x - x_feed); a purge
    is slow only when even the fast end of the slope's 95 % interval is below ``slow_factor`` times
    the prediction. Nothing is judged while the front has not reached the remote end: half a time
    constant and one window of purge time must have passed. A riser without a known flow or volume
    is called stalled when even the fast end would not bring it to the target within 60 days.
    """

    condition = "oxygen-not-falling"
    requires = {"oxygen": "oxygen"}
    state: _PurgeState

    def __init__(self, context: Context, asset: str) -> None:
        self._generator = generator_of(context, asset)
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        self._feed = f"{self._generator}.product_oxygen"
        super().__init__(
            context, asset, inputs=[self._oxygen, self._open], needs=[self._oxygen],
        )
        self.state = _PurgeState(
            has_open=bool(context.plant.devices) and context.is_configured(self._open))
        self._target = target_of(context, asset)
        self._deadband = number(self.settings, "deadband") or 0.0
        self._slow = number(self.settings, "slow_factor") or 0.5
        self._planned = number(self.settings, "planned_days")
        self._tau = predicted_time_constant(context, asset)
        window = number(self.settings, "window")
        if window is None:
            window = 12 * HOUR if self._tau is None else min(
                max(self._tau / 4, 2 * HOUR), 3 * DAY,
            )
        self._window = max(int(window / _BUCKETS), MINUTE)
        self._lag = int((self._tau or 0) / 2)

    @property
    def _bucket(self) -> int:
        """Length (ms) of the purge time over which one mean is taken."""
        return self._window if self.state.has_open else max(
            self._window, int(_TIMER_WINDOW / _BUCKETS))

    # -- the curve -------------------------------------------------------------------------------

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._open:
            s.has_open, s.open = True, value >= 0.5
            return False
        if not -0.5 <= value <= _ABSURD:
            return False
        if s.begun_at is None:
            if value <= self._target + self._deadband:
                s.below = s.below or value <= self._target
                s.peak = 0.0
                return False
            if s.below and not self._purged_again(at, value):
                return False
            s.begun_at, s.seen_begin = at, s.below
            return True
        if value <= self._target:
            self.state = _PurgeState(
                below=True, has_open=s.has_open, open=s.open, feed=s.feed)
            return True
        if s.has_open and not s.open:
            return False
        s.feed.look(self.context, self._generator, at)
        if before_at is not None and at - before_at <= self.gap(point):
            self._purged(at - before_at, at)
        s.total += value
        s.count += 1
        if s.bucket_ms < self._bucket:
            return False
        self._close(at)
        return True

    def _purged_again(self, at: int, value: float) -> bool:
        """Distinguish a new purge (a fill, or falling oxygen) from rising oxygen."""
        s = self.state
        s.peak, s.before = max(s.peak, min(value, s.before)), value
        return value <= s.peak - _NEW_FALL or declared_fill(
            self.context, self.asset, at) is not None

    def _purged(self, passed: int, at: int) -> None:
        s = self.state
        s.open_ms += passed
        s.bucket_ms += passed
        mode = self.context.inputs.mode(self._generator, at) if self._generator else None
        if mode == "air-fill":
            s.air_ms += passed

    def _close(self, at: int) -> None:
        s = self.state
        row = [at, s.open_ms - s.bucket_ms / 2, s.total / s.count, s.air_ms]
        s.curve_series = [*s.curve_series, row][-_BUCKETS:]
        if not s.first and s.open_ms >= self._lag:
            s.first = row[1:3]
        s.bucket_ms = s.count = s.air_ms = 0
        s.total = 0.0
        found = self._look()
        if found != s.verdict:
            s.verdict, s.verdict_at = found, at

    def _feed_percent(self, now: int) -> tuple[float, bool]:
        """Return the oxygen (%) of a feed that reaches the target, and whether it was measured.

        A product that does not is the fault looked for: the pipe comes to it at the rate predicted.
        """
        feed, measured = self.state.feed.level(self.context, self.asset, now)
        if feed < self._target:
            return feed, measured
        return self.state.feed.assumed(self.context, self.asset), False

    def _look(self) -> str:
        """Return the result of the window: ``slow``, ``stalled`` or empty."""
        s = self.state
        rows = s.curve_series
        if len(rows) < _BUCKETS or s.open_ms < self._lag + _BUCKETS * self._bucket:
            return ""
        latest = rows[-1][2]
        # The analyser may drift above what the remote end reads; a logarithm needs some distance.
        feed = min(self._feed_percent(int(rows[-1][0]))[0], min(r[2] for r in rows) - _LEAST_RISE)
        line = sen_line(
            [r[1] for r in rows], [math.log(r[2] - feed) for r in rows], level=0.95,
        )
        s.rate = -line.slope
        fastest = -line.low
        floor = max(self._target - feed, _LEAST_RISE)
        to_go = math.log(max((latest - feed) / floor, 1.0))
        if self._tau is None:
            return "stalled" if fastest * _HORIZON * DAY < to_go else ""
        wanted = self._slow * self._share(feed) / self._tau
        if s.verdict and s.rate <= wanted:
            return "stalled" if -line.high <= 0 else "slow"
        if fastest >= wanted:
            return ""
        return "stalled" if -line.high <= 0 else "slow"

    def _share(self, feed: float) -> float:
        """Return the share of the time that the vent is taken to be open, where that is not read.

        As fast as the purge was from the front's arrival to where the window begins, by the clock.
        """
        s = self.state
        _, until, oxygen, _ = s.curve_series[0]
        if s.has_open or self._tau is None:
            return 1.0
        if not s.first or until <= s.first[0]:
            return _TIMER_SHARE
        went = math.log(max(s.first[1] - feed, _LEAST_RISE) / max(oxygen - feed, _LEAST_RISE))
        return min(max(went * self._tau / (until - s.first[0]), _TIMER_SHARE), 1.0)

    # -- the finding -----------------------------------------------------------------------------

    def _late_at(self) -> int | None:
        begun = self.state.begun_at
        if begun is None or self._planned is None:
            return None
        return begun + int(self._planned * DAY)

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.begun_at is None:
            return RawEvaluation.inactive()
        late = self._late_at()
        times = [
            t for t in (s.verdict_at if s.verdict else None, late)
            if t is not None and t <= now
        ]
        return RawEvaluation.active(min(times)) if times else RawEvaluation.inactive(s.verdict_at)

    def next_evaluation_at(self, now: int) -> int | None:
        late = self._late_at()
        return late if late is not None and late > now else None

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._open:
            return contact_band(s.open) if s.has_open else None
        if s.begun_at is None and s.below:
            return Band(-0.5, self._target + self._deadband)
        return None

    # -- the words -------------------------------------------------------------------------------

    def describe(self, now: int) -> tuple[Values, str]:
        s, words = self.state, self.words
        oxygen = self.context.inputs.point(self._oxygen).value
        known = oxygen if oxygen is not None else self._target
        late = self._late_at()
        is_late = late is not None and late <= now
        values: dict[str, float | int | str | None] = {
            "oxygen_percent": round(known, 2), "target_percent": round(self._target, 2),
            "finding": s.verdict or "late",
        }
        sentences = [
            f"Oxygen is {words.percent(known)}; the target is {words.percent(self._target)}."]
        if s.verdict and s.rate is not None:
            sentences.append(self._rate_words(known, now, values))
        if is_late and self._planned is not None:
            values["planned_days"] = round(self._planned, 2)
            sentences.append(f"The purge was planned for {self._planned:g} days and is not done.")
        if s.begun_at is not None:
            values["purge_days"] = round((now - s.begun_at) / DAY, 2)
            least = "" if s.seen_begin else "at least "
            sentences.append(f"It has gone on for {least}{words.duration(now - s.begun_at)}.")
        since = min(t for t in (s.verdict_at if s.verdict else None, late, now) if t is not None)
        first, causes = self._causes(values)
        return values, words.message(
            self.about, self.asset, since=since, numbers=" ".join([*first, *sentences]),
            causes=causes,
        )

    def _rate_words(
        self, oxygen: float, now: int, values: dict[str, float | int | str | None],
    ) -> str:
        """Return the measured and the predicted rate of fall at this oxygen, as a sentence.

        Both are rates at this moment: over a whole day both would lose nearly all where a purge
        takes hours, which would hide the difference.
        """
        feed, measured = self._feed_percent(now)
        above = max(oxygen - feed, 0.0)
        fall = above * (self.state.rate or 0.0) * DAY
        values["fall_percent_per_day"] = round(fall, 3)
        values["feed_percent"] = round(feed, 2)
        wanted = None if self._tau is None else above * DAY / self._tau
        share, per = (24, "an hour") if (wanted or fall) >= 2.4 else (1, "a day")
        of = " of open vent" if self.state.has_open else ""
        moves = f"It falls by {fall / share:.2f} % {per}{of}" \
            if fall / share >= 0.01 else "It does not fall"
        if wanted is None:
            return f"{moves}; the vent's flow or the pipe's volume is not known, so that none is " \
                   "predicted."
        values["predicted_percent_per_day"] = round(wanted, 3)
        product = f"a product of {feed:.1f} % oxygen" + ("" if measured else ", which is assumed")
        unread = "" if self.state.has_open else \
            " while the vent is open; the vent's position is not read, so that the purge is held " \
            "to how fast it was before, and to a timer's two hours a day"
        return f"{moves}; at this oxygen {wanted / share:.2f} % {per} is predicted from the " \
               f"pipe's volume, the vent's flow and {product}{unread}."

    def _causes(
        self, values: dict[str, float | int | str | None],
    ) -> tuple[list[str], tuple[str, ...]]:
        """Return the first sentence and the causes, those that the readings show first."""
        s = self.state
        causes = list(self.about.causes)
        air = sum(r[3] for r in s.curve_series) + s.air_ms
        feed = self.context.inputs.points.get(self._feed)
        said = []
        if air > 0:
            hours = air / HOUR
            values["air_fill_hours"] = round(hours, 2)
            said.append(
                f"The supply was in air-fill for {self.words.duration(int(air))} of the time "
                "looked at: the pipe got air, which by itself explains a slow purge."
            )
            causes = [
                "the generator's air-fill: settle that first, the purge follows by itself",
                *causes[1:],
            ]
        else:
            causes = causes[1:]
        if feed is not None and feed.value is not None and feed.value >= self._target:
            values["product_oxygen_percent"] = round(feed.value, 2)
            said.append(
                f"The product itself reads {self.words.percent(feed.value)} oxygen: it cannot "
                "bring the pipe to the target."
            )
        return said, tuple(causes)
