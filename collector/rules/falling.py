"""Supervisory pressure falling faster than leak, vent and weather explain.

A fall is held against the gauge's own step and scatter, and against what a technician drains from
low points. Two readings must agree on either side, so that neither a peak nor a dropped decimal of
one reading counts. A pipe that empties goes on falling; a sensor gets there in one reading and
stays. A fall to zero in one reading is left to ``pressure-low``, which names the sensor first,
until something else that is read says that gas went. Where that limit is not monitored, or polls
are too slow for a fall to be seen between two of them, it is raised here, as what it most likely
is.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.units import MINUTE, PSI
from collector.physics.gas import R
from collector.rules.base import Band, Context, RawEvaluation, Rule, State, Values, number
from collector.rules.gauge import GaugeNoise

SENSOR_FIRST = "the pressure sensor, its wire or its line: read a gauge at the riser"

_ZERO = 1.0  # psi: what an empty pipe or a dead sensor reads
_LEAST = 0.5  # psi/min
_MARGIN = 3.0
_TANK_FELL = 2.0  # psi
_TANK_FALLS = 1.0  # psi/min; what risers draw day by day takes less from a tank
_SEEN = 10_000
"""Longest ms between two readings that no pipe empties in, however it was opened."""
_SCATTERS = 3.0
_PARTS = 32
"""Parts of the window, one level kept in each."""
_HELD = 30 * MINUTE
_DRAINED = 2.0
"""Multiple of the needed fall that draining a low point may also reach."""


def explained_rate(context: Context, riser: str) -> float:
    """Return the fall (psi/min) beyond which leak, vents and weather explain nothing.

    Weather moves a pipe by hundredths of a psi in a minute, a leak at the limit of an in-service
    test by a fiftieth; an open vent on a small pipe can do more and sets the figure.
    """
    thing = context.plant.risers[riser]
    if thing.volume is None:
        return _LEAST
    flow = sum(v.flow or 0.0 for v in context.plant.vents.values() if v.riser == riser)
    vented = flow * R * 293.15 / thing.volume / PSI * 60.0
    return max(_LEAST, _MARGIN * vented)


@dataclass(slots=True, kw_only=True)
class _FallState(State):
    gauge: GaugeNoise = field(default_factory=GaugeNoise)
    last_at: int | None = None
    last: float = 0.0
    high_series: list[list[float]] = field(default_factory=list)
    """Levels that two readings agree on, the highest first, each lower and later than the one
    before."""
    jumped_to: float | None = None
    """Level that the reading reached in one step, without a fall before."""
    apart: int = 0
    """ms between the readings before and after that step."""
    tank: float | None = None
    """Tank pressure at that time."""
    start_at: int | None = None
    start: float = 0.0
    low: float = 0.0
    falling: bool = False
    jumped: bool = False
    gone: str = ""
    """The evidence that gas was lost, once there is any."""
    held_at: int | None = None
    ended_at: int | None = None


class PressureFallingFast(Rule):
    """The riser loses pressure faster than anything but an opening could explain.

    It is active until half of what was lost is back, or the pressure has held above its low limit
    for half an hour.
    """

    condition = "pressure-falling-fast"
    requires = {"pressure": "supervisory pressure"}
    state: _FallState

    def __init__(self, context: Context, asset: str) -> None:
        self._pressure = f"{asset}.pressure"
        super().__init__(context, asset, inputs=[self._pressure], needs=[self._pressure])
        context.shared[_key(asset)] = self
        given = number(self.settings, "limit")
        self._limit = explained_rate(context, asset) if given is None else given
        self._drop = number(self.settings, "drop") or 2.0
        riser = context.plant.risers[asset]
        self._lowest = riser.low_pressure
        low = context.settings.for_("pressure-low", asset)
        self._has_low_alarm = low.get("enabled") is not False and (
            self._lowest is not None or number(low, "limit") is not None)
        self._fed_by = riser.fed_by
        self.state = _FallState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s, was = self.state, self.state.falling
        first = s.last_at is None
        apart, last = at - (at if s.last_at is None else s.last_at), s.last
        s.gauge.learn(value)
        s.last_at, s.last = at, value
        if first:
            return True
        need = self._need()
        back = int(need / self._limit * MINUTE)
        self._step_seen(at, value, last, apart, need)
        self._keep_high(at, min(value, last), max(back, 2 * apart))
        if s.falling:
            self._recover(at, value)
        elif s.high_series[0][1] - max(value, last) >= need:
            self._fell(value)
        return was or s.falling

    def _need(self) -> float:
        """Return the fall (psi) that neither the gauge nor a drained low point explains."""
        gauge = self.state.gauge
        return self._drop + gauge.step + _SCATTERS * gauge.scatter

    def _step_seen(self, at: int, value: float, last: float, apart: int, need: float) -> None:
        """Store a reading that fell far in one step, and the tank pressure before it."""
        s = self.state
        highest = s.high_series[0][1] if s.high_series else last
        if highest - value < need:
            s.jumped_to = None
        if highest - last >= 0.5 * need:
            return
        if last - value >= need:
            s.jumped_to, s.apart, s.tank = value, apart, self._tank(at)

    def _keep_high(self, at: int, level: float, back: int) -> None:
        rows = self.state.high_series
        while rows and rows[-1][1] <= level:
            rows.pop()
        if not rows or at - rows[-1][0] >= back / _PARTS:
            rows.append([at, level])
        while at - rows[0][0] > back and len(rows) > 1:
            rows.pop(0)

    def _fell(self, value: float) -> None:
        """Apply a fall that is deep enough; a jump counts when it goes on, or ends at zero."""
        s = self.state
        jumped = s.jumped_to is not None
        if s.jumped_to is not None:
            more = max(0.5 * self._drop, s.gauge.step + 1e-9, _SCATTERS * s.gauge.scatter)
            if s.jumped_to - value >= more:
                jumped = False
            elif value > _ZERO:
                return
        near = s.high_series[0][1] - s.gauge.step - _SCATTERS * s.gauge.scatter
        s.start_at = int(next(row[0] for row in reversed(s.high_series) if row[1] >= near))
        s.start = s.high_series[0][1]
        s.falling, s.jumped, s.low, s.gone = True, jumped, value, ""
        s.held_at, s.ended_at = None, None

    def _recover(self, at: int, value: float) -> None:
        s = self.state
        if value < s.low - s.gauge.step - s.gauge.scatter or s.held_at is None:
            s.held_at = at
        s.jumped = s.jumped and value >= s.low - _ZERO
        s.low = min(s.low, value)
        back = value - s.low >= 0.5 * (s.start - s.low) and s.start > s.low
        above = value > (0.5 * s.start if self._lowest is None else self._lowest)
        if back or (above and at - s.held_at >= _HELD):
            s.falling, s.ended_at = False, at
            s.start_at, s.jumped_to, s.high_series = None, None, [[at, value]]

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.last_at is None:
            return RawEvaluation.unknown("no reading yet")
        if s.falling and s.jumped and not s.gone:
            s.gone = self._gas_went(now)
        if not s.falling or self.at_once(now):
            return RawEvaluation.inactive(s.ended_at)
        return RawEvaluation.active(s.start_at)

    def next_evaluation_at(self, now: int) -> int | None:
        return now // _SEEN * _SEEN + _SEEN if self.at_once(now) else None

    def at_once(self, now: int) -> bool:
        """Whether the reading went to zero without a fall, which ``pressure-low`` reports."""
        s = self.state
        return (
            s.falling and s.jumped and s.apart <= _SEEN and self._has_low_alarm
            and not (s.gone or self._gas_went(now))
        )

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if s.falling or s.jumped_to is not None or not s.high_series:
            return None
        top = max(s.high_series[0][1], s.last)
        return Band(top - 0.4 * self._drop, top + 0.4 * self._drop, counted=True)

    # -- what else is read -----------------------------------------------------------------------

    def _tank(self, now: int) -> float | None:
        if self._fed_by is None:
            return None
        point = self.context.inputs.point(f"{self._fed_by}.tank_pressure")
        return point.value if point.fresh(now) else None

    def _gas_went(self, now: int) -> str:
        """Return the evidence besides the sensor that gas was lost; empty without any."""
        s = self.state
        switch = self.context.inputs.point(f"{self.asset}.low_air")
        if switch.value is not None and switch.fresh(now) and switch.value >= 0.5:
            return "the low-air switch says so too"
        tank = self._tank(now)
        if tank is not None and s.tank is not None and s.start_at is not None:
            enough = max(_TANK_FELL, _TANK_FALLS * (now - s.start_at) / MINUTE)
            if s.tank - tank >= enough:
                return "the tank has fallen since"
        if self._fed_by and self.context.inputs.mode(self._fed_by, now) == "air-fill":
            return "the generator has gone to air-fill"
        return ""

    def describe(self, now: int) -> tuple[Values, str]:
        s, words = self.state, self.words
        known = self.context.inputs.point(self._pressure).value
        last = s.low if known is None else known
        gone = (s.gone or self._gas_went(now)) if s.jumped else ""
        cause = "sensor" if s.jumped and not gone else "pressure"
        values: Values = {
            "pressure_psi": round(last, 2), "from_psi": round(s.start, 2),
            "limit_psi_per_minute": round(self._limit, 2), "cause": cause,
        }
        numbers = (
            f"It went from {words.pressure(s.start)} to {words.pressure(s.low)} and is at "
            f"{words.pressure(last)}; leak, vent and weather together explain no more than "
            f"{words.pressure(self._limit)} a minute."
        )
        first: tuple[str, ...] = ()
        if cause == "sensor":
            numbers += (
                " It was there from one reading to the next, with no fall in between, and nothing "
                "else says that gas went: likely the sensor. Take it for real until somebody has "
                "looked."
            )
            first = (SENSOR_FIRST,)
        elif s.start - s.low < _DRAINED * self._need() and not gone:
            numbers += (
                " A low point that is being drained looks so at first: the fall then stops by "
                "itself, and this returns once half is back or the pressure has held for half an "
                "hour."
            )
        elif gone:
            numbers += f" No fall was seen between two readings, but {gone}: take it for real."
        return values, words.message(
            self.about, self.asset, since=s.start_at, numbers=numbers, first=first,
            causes=self.about.causes[:-1] if first else None,
        )


def _key(riser: str) -> str:
    return f"falling {riser}"


def fell_at_once(context: Context, riser: str, now: int) -> float | None:
    """Return the pressure (psi) from which a reading fell to zero at once, as sensors do."""
    rule = context.shared.get(_key(riser))
    if not isinstance(rule, PressureFallingFast) or not rule.at_once(now):
        return None
    return rule.state.start
