"""A tank that loses gas while nothing draws from it.

It has to be shown that nothing draws from it. A riser's air maintenance device lets gas in by
gulps: the pressure sags until it opens, rises while it passes, and sags again once it is shut.
Between two gulps, above the pressure at which the last one began, the riser draws nothing, and if
that holds of every riser at once the tank should stand still. A riser whose pressure is merely
steady shows nothing: a regulator that passes just what the pipe loses keeps it so.

Where gauges are too coarse for that, the balance of a day shows it: what tank and pipes lose
together, less what each pipe is seen to lose by itself between its gulps, is the tank's own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.domain.evaluations import flow_unit
from collector.domain.units import DAY, HOUR, MINUTE
from collector.physics.estimate import Estimate, Refusal
from collector.physics.sums import LineSums
from collector.rules.base import (
    ALL,
    Band,
    Context,
    RawEvaluation,
    Rule,
    State,
    Values,
    contact_band,
    number,
)
from collector.rules.delivery import missing
from collector.rules.gasbalance import balance_of
from collector.rules.gauge import GaugeNoise
from collector.rules.leakrate import leaks_of
from collector.rules.rates import flow_factor, moles_per_psi

_GULP = 0.1
"""psi of rise within three minutes that is a gulp; weather does a tenth of that."""
_STEPS, _SCATTERS = 2.5, 6.0
"""Steps of the gauge and scatters of its minutes beyond which a rise is a gulp: the fall after it
must show as well."""
_GULPS = 3
_LONGEST = 36 * HOUR
"""ms between two gulps; top-ups after a weekly draining come no oftener."""
_LIFTED = 10 * MINUTE
"""ms after a run in which a device that feeds all the time still passes more."""
_ABOVE = 0.05
"""psi above the start of the last gulp at which the device is surely shut."""
_SURE = 1.0
"""psi above the written setting at which it is: setting and gauge are never the same."""
_SAG = 3.5
"""psi below its setting, or below where the last gulp began, at which a rise is no gulp: those of
0.5 to 3 psi are common practice."""
_SURE_SCATTERS = 2.0
_CALM = 3
_LEAST = 6
_HOUR = 3600.0
_OLD = 14 * DAY
_EVERY = 3 * HOUR
"""ms between two computations of the day's balance."""
_SURELY = 0.998
"""Confidence of an interval that is checked eight times a day."""


@dataclass(slots=True, kw_only=True)
class _Riser(State):
    """State of one riser: the last minutes, and its last draw from the tank."""

    gauge: GaugeNoise = field(default_factory=GaugeNoise)
    means: GaugeNoise = field(default_factory=GaugeNoise)
    """Noise of the minute means."""
    minutes: list[float] = field(default_factory=list)
    total: float = 0.0
    count: int = 0
    top: float = 0.0
    """psi that the last gulp reached."""
    lifted: list[bool] = field(default_factory=list)
    """Of each of the last minutes, whether a run had lifted the tank's pressure."""
    gulps_series: list[list[float]] = field(default_factory=list)
    """The last gulps: instant, psi at which it began, whether a run had lifted the tank then."""
    rising: bool = False

    def add(self, values: Sequence[float]) -> None:
        """Add samples to the minute under way."""
        for value in values:
            self.gauge.learn(value)
            self.total += value
        self.count += len(values)

    def close(self, at: int, setting: float | None, *, lifted: bool) -> bool:
        """End a minute; return whether it has a sample of the riser."""
        if not self.count:
            self.minutes, self.lifted, self.rising = [], [], False
            return False
        mean = self.total / self.count
        self.total, self.count = 0.0, 0
        self.means.learn(mean)
        low = min(self.minutes, default=mean)
        if mean - low > self._least():
            if not self.rising:
                # A riser that had run low (its supply shut, a trip) is refilled, not topped up:
                # where its device opens is not known from that.
                rows = self.gulps_series
                usual = setting if setting is not None else rows[-1][1] if rows else low
                began = [at, low, float(self.lifted[self.minutes.index(low)])]
                self.gulps_series = [] if low < usual - _SAG else [*rows[-(_GULPS - 1):], began]
            self.rising, self.top = True, mean
        else:
            self.rising = False
        self.minutes = [*self.minutes[-(_CALM - 1):], mean]
        self.lifted = [*self.lifted[-(_CALM - 1):], lifted]
        return True

    def _least(self) -> float:
        return max(_GULP, _STEPS * self.gauge.step, _SCATTERS * self.means.scatter)

    def satisfied(self, at: int, setting: float | None) -> bool:
        """Whether the riser draws nothing, by the minute just closed."""
        if self.rising or len(self.minutes) < _CALM:
            return False
        level, rows = self.minutes[-1], self.gulps_series
        margin = max(_ABOVE, _SURE_SCATTERS * self.means.scatter, 0.5 * self.gauge.step)
        if setting is not None and level > setting + _SURE + margin:
            return True
        if len(rows) < _GULPS:
            return False
        # A device that feeds all the time passes more after each run: the pressure ripples with the
        # tank's. A gulp comes when it will; many a run is its work.
        if all(r[2] for r in rows):
            return False
        beats = [b[0] - a[0] for a, b in zip(rows, rows[1:], strict=False)]
        # One that misses its beat has ceased to gulp: it may draw all the time.
        if max(beats) > _LONGEST or at - rows[-1][0] > 2 * beats[-1]:
            return False
        # A device that is shut lets the pipe fall; one that feeds all the time keeps it up.
        past, began = (at - rows[-1][0]) / beats[-1], rows[-1][1]
        fallen = self.top - 0.5 * min(past, 1.0) * (self.top - began)
        return began + margin < level < fallen + margin


@dataclass(slots=True, kw_only=True)
class _LeakState(State):
    minute_at: int | None = None
    off_at: int | None = None
    tank: float = 0.0
    count: int = 0
    line: dict[str, Any] = field(default_factory=dict)
    begun_at: int | None = None
    risers: dict[str, dict[str, Any]] = field(default_factory=dict)
    falls_series: list[list[float]] = field(default_factory=list)
    leaks: bool | None = None
    since_at: int | None = None
    looked_at: int | None = None
    balance_series: list[list[float]] = field(default_factory=list)
    """The last balance of a day: instant, psi/h beyond what the risers lose, its interval."""


class TankLeak(Rule):
    """The tank falls although the compressor is stopped, every vent shut, and no riser draws."""

    condition = "tank-leak"
    state: _LeakState

    def __init__(self, context: Context, asset: str) -> None:
        plant, risers = context.plant, _fed_by(context, asset)
        self._tank, self._running = f"{asset}.tank_pressure", f"{asset}.compressor_running"
        self._pressures = {f"{r}.pressure": r for r in risers}
        self._vents = [
            context.inputs.point(f"{v.id}.open") for v in plant.vents.values()
            if v.riser in risers and context.is_configured(f"{v.id}.open")
        ]
        needs = [self._tank, self._running, *self._pressures]
        super().__init__(context, asset, inputs=needs, needs=needs)
        self._settings_of = {r: plant.risers[r].supervisory_pressure for r in risers}
        self.state = _LeakState()
        self._risers = {r: _Riser() for r in risers}
        self._line = LineSums()
        self._limit = (number(self.settings, "limit") or 0.05) * 60  # psi/h
        self._deadband = (number(self.settings, "deadband") or 0.0) / 100
        self._settle = int(number(self.settings, "settle") or 0)
        self._stretch = int(number(self.settings, "stretch") or 10 * MINUTE)
        self._volume = plant.generators[asset].tank_volume

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        changed = False
        if s.minute_at is None or at >= s.minute_at + MINUTE:
            changed = self._close(at)
        if before_at is None or at - before_at > max(self.gap(point), MINUTE):
            self._break()
            if point == self._running:
                s.off_at = None
        if point == self._tank:
            s.tank += value
            s.count += 1
        elif point == self._running:
            self._run(at, value >= 0.5)
        else:
            self._risers[self._pressures[point]].add((value,))
        return changed

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if s.minute_at is None:
            return None
        low, high, *_ = contact_band(s.off_at is None) if point == self._running else ALL
        return Band(low, high, s.minute_at + MINUTE, True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s = self.state
        if point == self._tank:
            for value in values:
                s.tank += value
            s.count += len(values)
        elif point != self._running:
            self._risers[self._pressures[point]].add(values)

    def _run(self, at: int, on: bool) -> None:
        s = self.state
        if on:
            if s.off_at is not None:
                self._break()
            s.off_at = None
        elif s.off_at is None:
            s.off_at = at

    def _close(self, at: int) -> bool:
        """End the minute under way; return whether a fall was detected."""
        s = self.state
        minute, s.minute_at = s.minute_at, at // MINUTE * MINUTE
        total, count = s.tank, s.count
        s.tank, s.count = 0.0, 0
        lifted = s.off_at is None or at < s.off_at + _LIFTED
        heard = [r.close(minute or at, self._settings_of[name], lifted=lifted)
                 for name, r in self._risers.items()]
        if minute is None or not count or not all(heard) or not self._quiet_plant(minute):
            self._break()
            return False
        if s.begun_at is None:
            s.begun_at, self._line = minute, LineSums()
        self._line.add((minute - s.begun_at) / 1000, total / count)
        if minute + MINUTE - s.begun_at < self._stretch or self._line.count < _LEAST:
            return False
        line = self._line.line()
        self._break()
        if line is None:
            return False
        self._fell(minute + MINUTE, line.slope.scaled(-_HOUR))
        return True

    def _quiet_plant(self, minute: int) -> bool:
        s, inputs = self.state, self.context.inputs
        if s.off_at is None or minute < s.off_at + self._settle:
            return False
        if any(v.value is not None and v.value >= 0.5 for v in self._vents):
            return False
        if inputs.filling(self.asset, minute):
            return False
        return all(
            r.satisfied(minute, self._settings_of[name]) for name, r in self._risers.items()
        )

    def _break(self) -> None:
        self.state.begun_at = None

    def _fell(self, at: int, rate: Estimate) -> None:
        """Apply a fall (psi/h) of a tank that nothing drew from."""
        s = self.state
        low, _ = rate.interval()
        s.falls_series = [*s.falls_series[-3:], [at, rate.value, rate.deviation, low]]
        pair = s.falls_series[-2:]
        past = len(pair) == 2 and all(f[3] > self._limit for f in pair)
        within = rate.value < self._limit * (1 - self._deadband)
        if s.leaks is None or (not s.leaks and past) or (s.leaks and within):
            s.leaks = past
            s.since_at = int(pair[0][0]) - self._stretch if past else at

    def next_evaluation_at(self, now: int) -> int | None:
        return now - now % _EVERY + _EVERY

    def _look(self, now: int) -> None:
        """Use the balance of the last day, where that day has no fall."""
        s = self.state
        s.looked_at = now
        if self._volume is None or (s.falls_series and s.falls_series[-1][0] > now - DAY):
            return
        found = leaks_of(self.context).tank_loss(self.asset, now)
        if isinstance(found, Refusal):
            return
        celsius = balance_of(self.context, self.asset).state.celsius
        rate = found.scaled(_HOUR / moles_per_psi(self._volume, celsius))
        low, high = rate.interval(_SURELY)
        s.balance_series = [[now, rate.value, low, high]]
        within = rate.value < self._limit * (1 - self._deadband)
        past = low > self._limit
        if (past and not s.leaks) or (within and s.leaks) or (s.leaks is None and (
                high < self._limit)):
            s.leaks, s.since_at = past, now - DAY if past else now

    def _last_at(self) -> float:
        """Return the time of the last fall or balance."""
        s = self.state
        return max((r[0] for r in (*s.falls_series[-1:], *s.balance_series)), default=0)

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.looked_at is None or now // _EVERY != s.looked_at // _EVERY:
            self._look(now)
        if s.leaks is None or (not s.leaks and self._last_at() < now - _OLD):
            return RawEvaluation.unknown("nothing shows that its risers draw no gas")
        return RawEvaluation.active(s.since_at) if s.leaks else RawEvaluation.inactive(s.since_at)

    def describe(self, now: int) -> tuple[Values, str]:
        s = self.state
        pressure = self.words.pressure
        by_balance = bool(s.balance_series) and s.balance_series[-1][0] == self._last_at()
        if by_balance:
            at, rate, low, high = s.balance_series[-1]
            what = "Beyond what its risers are seen to lose by themselves, the tank loses"
        else:
            at, rate, deviation, low = s.falls_series[-1]
            low, high = rate - 1.645 * deviation, rate + 1.645 * deviation
            what = "With the compressor off and no riser drawing, the tank falls"
        numbers = (
            f"{what} {pressure(rate)} in an hour (between {pressure(max(0.0, low))} and "
            f"{pressure(high)}); the limit is {pressure(self._limit)} in an hour. "
        )
        values: Values = {
            "fall_psi_per_hour": round(rate, 2), "limit_psi_per_hour": round(self._limit, 2),
        }
        if self._volume:
            celsius = balance_of(self.context, self.asset).state.celsius
            flow = rate / _HOUR * moles_per_psi(self._volume, celsius) * flow_factor(
                self.context.plant)
            unit = flow_unit(self.context.plant)
            numbers += f"That is {flow:.1f} {unit} of gas. "
            values = {**values, "flow": round(flow, 2), "unit": unit}
        numbers += f"Last seen so until {self.words.instant(int(at))}."
        return values, self.words.message(
            self.about, self.asset, since=s.since_at, numbers=numbers,
        )

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        if reason := missing(context, asset):
            return reason
        risers = _fed_by(context, asset)
        if not risers:
            return f"no riser is said to be fed by {asset}: whether gas is drawn is not known"
        unread = [r for r in risers if not context.is_configured(f"{r}.pressure")]
        where = ", ".join(unread)
        return f"no supervisory pressure at {where}: it may be drawing" if unread else ""

    def dump(self) -> dict[str, Any]:
        s = self.state
        s.risers = {name: riser.dump() for name, riser in self._risers.items()}
        s.line = self._line.dump()
        return s.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        self.state.restore(state)
        for name, riser in self._risers.items():
            riser.restore(self.state.risers.get(name, {}))
        self._line = LineSums.load(self.state.line) if self.state.line else LineSums()


def _fed_by(context: Context, asset: str) -> list[str]:
    return [
        r.id for r in context.plant.risers.values()
        if r.fed_by == asset or (r.fed_by is None and len(context.plant.generators) == 1)
    ]
