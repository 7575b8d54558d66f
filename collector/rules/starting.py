"""A compressor that should start and does not."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.readings import MODES
from collector.rules.base import (
    Band,
    Context,
    Level,
    RawEvaluation,
    Rule,
    State,
    Values,
    contact_band,
    number,
)
from collector.rules.runs import Stretch

__all__ = ["CompressorNotStarting"]

_COMMON_CUT_IN = 60.0


@dataclass(slots=True, kw_only=True)
class _NotStartingState(State):
    off: Stretch = field(default_factory=Stretch)
    low: Level = field(default_factory=Level)
    deep: Level = field(default_factory=Level)
    power: Stretch = field(default_factory=Stretch)
    waits: bool = False
    """Whether it holds by one poll alone, and the next must say so too."""


class CompressorNotStarting(Rule):
    """The tank is at or below cut-in and the compressor stays off.

    Gauge and pressure switch never agree wholly: clearly below cut-in it must start at once, close
    to it within ``near_limit``, both counted anew when the power comes back. A loss of power that
    its own contact reports is the explanation, and nothing is raised again; where no condition
    reports it, the message says what is known of the power.
    """

    condition = "compressor-not-starting"
    requires = {"tank_pressure": "tank pressure", "compressor_running": "compressor running"}
    state: _NotStartingState

    def __init__(self, context: Context, asset: str) -> None:
        self._tank, self._running = f"{asset}.tank_pressure", f"{asset}.compressor_running"
        self._power, self._trouble = f"{asset}.power", f"{asset}.trouble"
        extra = [self._power] if context.wired(self._power) else []
        super().__init__(
            context, asset, inputs=[self._tank, self._running, *extra],
            needs=[self._tank, self._running],
        )
        given = number(self.settings, "cut_in")
        own = context.plant.generators[asset].cut_in
        self._cut_in = given if given is not None else own if own is not None else _COMMON_CUT_IN
        self._margin = number(self.settings, "margin") or 0.0
        self._deadband = number(self.settings, "deadband") or 0.0
        self._gauge = number(self.settings, "gauge") or 0.0
        self._near = int(number(self.settings, "near_limit") or 0)
        self.state = _NotStartingState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Take a sample of tank, compressor or power."""
        s = self.state
        if point == self._power:
            return s.power.sample(at, value >= 0.5, before_at, self.gap(point))
        if point == self._running:
            return s.off.sample(at, value < 0.5, before_at, self.gap(point)) or s.waits
        low = s.low.compare(at, value, self._low, self._deadband, above=False)
        deep = s.deep.compare(at, value, self._deep, self._deadband, above=False)
        return low or deep or s.waits

    @property
    def _low(self) -> float:
        # A tight tank may rest for hours where the gauge already says cut-in and the switch does
        # not: what the two may differ by is no fault.
        return self._cut_in - self._gauge + 1e-6

    @property
    def _deep(self) -> float:
        return self._cut_in - self._margin + 1e-6

    def _power_off(self, now: int) -> bool:
        point = self.context.inputs.point(self._power)
        return point.fresh(now, self.gap(self._power)) and (point.value or 0.0) < 0.5

    def _began(self, level: Level, now: int) -> int:
        s = self.state
        times = (level.since_at, s.off.start_at, s.power.start_at if s.power.on else None)
        return max((t for t in times if t is not None), default=now)

    def evaluate(self, now: int) -> RawEvaluation:
        """Return whether it should have started."""
        s = self.state
        s.waits = False
        if not s.off.on or not s.low.beyond:
            times = (s.off.end_at if not s.off.on else None, s.low.since_at)
            return RawEvaluation.absent(max((t for t in times if t is not None), default=None))
        since = self._began(s.low, now)
        held = self._began(s.deep, now) if s.deep.beyond else since + self._near
        if now < held:
            return RawEvaluation.absent()
        s.waits = self._seen_until() <= (held if s.deep.beyond else since)
        return RawEvaluation.absent() if s.waits else RawEvaluation.present(since, held=held)

    def _seen_until(self) -> int:
        """Return until when both tank and compressor were read."""
        inputs = self.context.inputs
        return min(inputs.point(p).at or 0 for p in (self._running, self._tank))

    def due(self, now: int) -> int | None:
        """Return when it has been close to cut-in for too long."""
        s = self.state
        if not s.off.on or not s.low.beyond:
            return None
        over = self._began(s.low, now) + self._near
        return over if over > now else None

    def describe(self, now: int) -> tuple[Values, str]:
        """Return tank, cut-in, how long it has been off, and what is known of the power."""
        s, inputs = self.state, self.context.inputs
        since = self._began(s.low, now)
        psi = inputs.point(self._tank).value or 0.0
        start = s.off.start_at if s.off.start_at is not None else now
        least = "" if s.off.known else "at least "
        said, first, power = self._supply(now)
        numbers = (
            f"Tank pressure is {self.words.pressure(psi)}, at or below the cut-in of "
            f"{self.words.pressure(self._cut_in)}, and the compressor has been off for "
            f"{least}{self.words.duration(now - start)}. {said}"
        )
        values: Values = {
            "tank_pressure_psi": round(psi, 2), "cut_in_psi": round(self._cut_in, 2),
            "off_minutes": round((now - start) / 60_000, 1), "power": power,
        }
        return values, self.words.message(
            self.about, self.asset, since=since, numbers=numbers, first=first,
        )

    def _supply(self, now: int) -> tuple[str, list[str], str]:
        """Return what the readings say of the power, causes to check first, and one word."""
        inputs = self.context.inputs
        power = inputs.point(self._power)
        off = "the power: switched off at the disconnect, a breaker or a fuse"
        mode = inputs.mode(self.asset, now)
        trouble = inputs.points.get(f"{self.asset}.trouble")
        first = []
        if trouble is not None and trouble.fresh(now) and (trouble.value or 0) >= 0.5:
            first = ["the unit's own trouble contact is on: read its display"]
        if power.at is not None and power.fresh(now, self.gap(self._power)):
            if self._power_off(now):
                return "Its power contact says the power is off.", [off, *first], "off"
            return "Its power contact says the power is on.", first, "on"
        if mode == MODES[0]:
            return (
                "Its mode reads off: the unit is switched off or has no power.",
                [off, "the unit's own switch", *first], "not read",
            )
        return "Whether it has power is not read.", [*first, off], "not read"

    def no_change_band(self, point: str) -> Band | None:
        """Return the band of each point in which a sample in time changes nothing."""
        s = self.state
        if s.waits and point != self._power:
            return None
        if point == self._tank:
            low = s.low.band(self._low, self._deadband, above=False)
            deep = s.deep.band(self._deep, self._deadband, above=False)
            if low is None or deep is None:
                return None
            return Band(max(low.low, deep.low), min(low.high, deep.high))
        if point == self._power:
            return s.power.no_change_band()
        if s.off.on is None:
            return None
        return contact_band(not s.off.on)._replace(own=False)
