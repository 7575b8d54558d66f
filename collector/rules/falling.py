"""Supervisory pressure that goes faster than leak, vent and weather could take it.

A fall is followed from mark to mark. A pipe that empties goes down in several marks, a curve; a
dropped decimal or a dead sensor gets there in one. One mark down that comes back is nothing, and no
fall begins at a peak of one reading. One mark down to zero that stays is most likely a sensor,
unless something else that is read (the low-air switch, the tank) says that gas went. It is left to
``pressure-low``, which then names the sensor first. Where that is not watched, or polls are too
slow for a fall to be seen between two of them, it is raised here, as what it most likely is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.verdicts import NotWatched
from collector.physics.gas import R
from collector.rules.base import Context, Finding, Rule, State, Values, number

__all__ = [
    "CONDITIONS", "SENSOR_FIRST", "PressureFallingFast", "explained_rate", "fell_at_once",
]

SENSOR_FIRST = "the pressure sensor, its wire or its line: read a gauge at the riser"

_PSI = 6894.757293168
_STEP = 0.25  # psi between marks, well above the noise of a common sensor
_ZERO = 1.0  # psi: what an empty pipe or a dead sensor reads
_LEAST = 0.5  # psi/min
_MARGIN = 3.0
_TANK_FELL = 2.0  # psi
_TANK_FALLS = 1.0  # psi/min; what risers draw day by day takes less from a tank
_MINUTE = 60_000
_SEEN = 10_000
"""Longest ms between two readings that no pipe empties in, however it was opened."""


def explained_rate(context: Context, riser: str) -> float:
    """Return the fall (psi/min) beyond which leak, vents and weather explain nothing.

    Weather moves a pipe by hundredths of a psi in a minute, a leak at the limit of an in-service
    test by a fiftieth; an open vent on a small pipe can do more and sets the figure.
    """
    thing = context.plant.risers[riser]
    if thing.volume is None:
        return _LEAST
    flow = sum(v.flow or 0.0 for v in context.plant.vents.values() if v.riser == riser)
    vented = flow * R * 293.15 / thing.volume / _PSI * 60.0
    return max(_LEAST, _MARGIN * vented)


@dataclass(slots=True, kw_only=True)
class _FallState(State):
    mark_at: int | None = None
    mark: float = 0.0
    steady: bool = False
    """Nothing has moved by a step for a while: the mark need not follow every sample."""
    rest_at: int | None = None
    rest: float = 0.0
    """Where a steady stretch ended, and what it stood at."""
    peak: float | None = None
    """What the mark was before the last reading put it up by a step or more."""
    start_at: int | None = None
    start: float = 0.0
    steps: int = 0
    zeros: int = 0
    low: float = 0.0
    falling: bool = False
    jumped: bool = False
    apart: int = 0
    """ms between the readings before and after the first mark down."""
    gone: str = ""
    """What said that gas went, once anything has: a tank that is empty falls no more."""
    since_at: int | None = None
    ended_at: int | None = None
    tank: float | None = None


class PressureFallingFast(Rule):
    """The riser loses pressure faster than anything but an opening could explain.

    It stands until half of what was lost is back, or the pressure has held above its low limit
    for half an hour.
    """

    condition = "pressure-falling-fast"

    def __init__(self, context: Context, asset: str) -> None:
        self._pressure = f"{asset}.pressure"
        super().__init__(context, asset, inputs=[self._pressure], needs=[self._pressure])
        context.shared[_key(asset)] = self
        given = number(self.settings, "limit")
        self._limit = explained_rate(context, asset) if given is None else given
        self._drop = number(self.settings, "drop") or _STEP
        self._patience = int(_STEP / self._limit * _MINUTE)
        riser = context.plant.risers[asset]
        self._lowest = riser.low_pressure
        low = context.settings.for_("pressure-low", asset)
        self._told_low = low.get("enabled") is not False and (
            self._lowest is not None or number(low, "limit") is not None)
        self._fed_by = riser.fed_by
        self.state = _FallState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Follow the pressure; return whether the finding may have changed."""
        s = self.state
        if s.mark_at is None:
            s.mark_at, s.mark = at, value
            return True
        if s.steady:
            if abs(value - s.mark) < _STEP / 2:
                return False
            # The samples between lay within the band; the last of them is where it may have begun.
            s.steady, s.mark_at = False, before_at if before_at is not None else s.mark_at
            s.rest_at, s.rest = s.mark_at, s.mark
            s.mark += _STEP / 2 if value > s.mark else -_STEP / 2
        was = s.falling
        self._follow(at, value, at if before_at is None else before_at)
        if s.falling:
            self._recover(at, value)
        return was or s.falling

    def _follow(self, at: int, value: float, before_at: int) -> None:
        s = self.state
        assert s.mark_at is not None  # noqa: S101 - observe() set it
        if s.peak is not None and s.mark - value >= _STEP:
            s.mark = s.peak
        s.peak = s.mark if value - s.mark >= _STEP else None
        fall, passed = s.mark - value, at - s.mark_at
        if s.steps == 1 and s.start > 3 * _ZERO and value <= _ZERO and s.mark <= _ZERO:
            s.zeros += 1
        if fall >= _STEP and fall * _MINUTE > self._limit * passed:
            self._step_down(at, value, before_at)
        elif fall >= _STEP or value > s.mark or passed > self._patience:
            over = value - s.mark >= _STEP or passed > self._patience or fall >= _STEP
            s.steady = passed > self._patience and abs(fall) < _STEP
            s.mark_at, s.mark = at, value
            if over and not (s.zeros and value <= _ZERO):
                s.steps, s.start_at, s.zeros = 0, None, 0
        if s.falling or s.start_at is None:
            return
        if s.steps >= 2 and s.start - value >= self._drop:
            self._found(at, value, jumped=False)
        elif s.zeros:
            self._found(at, value, jumped=True)

    def _step_down(self, at: int, value: float, before_at: int) -> None:
        s = self.state
        if not s.steps:
            s.apart = at - before_at
            s.start_at, s.start = s.mark_at, s.rest if s.rest_at == s.mark_at else s.mark
            s.tank = self._tank(at)
        s.steps += 1
        s.mark_at, s.mark = at, value
        if s.falling and s.steps >= 2:
            s.jumped = False

    def _found(self, at: int, value: float, *, jumped: bool) -> None:
        s = self.state
        s.falling, s.jumped, s.low, s.gone = True, jumped, value, ""
        s.since_at, s.ended_at = s.start_at, None

    def _recover(self, at: int, value: float) -> None:
        s = self.state
        s.low = min(s.low, value)
        back = value - s.low >= 0.5 * (s.start - s.low) and s.start > s.low
        above = self._lowest is None or value > self._lowest
        held = s.mark_at is not None and s.steady and above and at - s.mark_at >= 30 * _MINUTE
        if back or held:
            s.falling, s.ended_at = False, at
            s.steps, s.start_at, s.zeros = 0, None, 0

    def judge(self, now: int) -> Finding:
        """Return whether it falls, or fell and is not back."""
        s = self.state
        if s.mark_at is None:
            return Finding.unknown("no reading yet")
        if s.falling and s.jumped and not s.gone:
            s.gone = self._gas_went(now)
        if not s.falling or self.at_once(now):
            return Finding.absent(s.ended_at)
        return Finding.present(s.since_at)

    def due(self, now: int) -> int | None:
        """Return when to look again whether anything else says that gas went."""
        return now // _SEEN * _SEEN + _SEEN if self.at_once(now) else None

    def at_once(self, now: int) -> bool:
        """Whether the reading went to zero with no fall between, and ``pressure-low`` tells it."""
        s = self.state
        return (
            s.falling and s.jumped and s.apart <= _SEEN and self._told_low
            and not (s.gone or self._gas_went(now))
        )

    def quiet(self, point: str) -> tuple[float, float] | None:
        """Return the band about a steady mark."""
        s = self.state
        if not s.steady or s.falling:
            return None
        return (s.mark - _STEP / 2 + 1e-9, s.mark + _STEP / 2 - 1e-9)

    # -- what else is read -----------------------------------------------------------------------

    def _tank(self, now: int) -> float | None:
        if self._fed_by is None:
            return None
        point = self.context.inputs.point(f"{self._fed_by}.tank_pressure")
        return point.value if point.fresh(now) else None

    def _gas_went(self, now: int) -> str:
        """Return what besides the sensor says that gas went; empty where nothing does."""
        s = self.state
        switch = self.context.inputs.point(f"{self.asset}.low_air")
        if switch.value is not None and switch.fresh(now) and switch.value >= 0.5:
            return "the low-air switch says so too"
        tank = self._tank(now)
        if tank is not None and s.tank is not None and s.since_at is not None:
            enough = max(_TANK_FELL, _TANK_FALLS * (now - s.since_at) / _MINUTE)
            if s.tank - tank >= enough:
                return "the tank has fallen since"
        if self._fed_by and self.context.inputs.mode(self._fed_by, now) == "air-fill":
            return "the generator has gone to air-fill"
        return ""

    def describe(self, now: int) -> tuple[Values, str]:
        """Return how much went how fast, and whether it looks like gas or like a sensor."""
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
        elif gone:
            numbers += f" No fall was seen between two readings, but {gone}: take it for real."
        return values, words.message(
            self.about, self.asset, since=s.since_at, numbers=numbers, first=first,
            causes=self.about.causes[:-1] if first else None,
        )

    def dump(self) -> dict[str, Any]:
        """Return the state."""
        return self.state.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.state.take(state)


def _key(riser: str) -> str:
    return f"falling {riser}"


def fell_at_once(context: Context, riser: str, now: int) -> float | None:
    """Return the pressure (psi) from which a reading fell to zero at once, as sensors do."""
    rule = context.shared.get(_key(riser))
    if not isinstance(rule, PressureFallingFast) or not rule.at_once(now):
        return None
    return rule.state.start


def _falling(context: Context, asset: str) -> Rule | NotWatched:
    if not context.wired(f"{asset}.pressure"):
        return NotWatched(condition=PressureFallingFast.condition, asset=asset,
                          reason=f"no supervisory pressure at {asset}")
    return PressureFallingFast(context, asset)


CONDITIONS: Mapping[str, Callable[[Context, str], Rule | NotWatched | None]] = {
    PressureFallingFast.condition: _falling,
}
"""Condition id to what builds its rule for one asset."""
