"""Purge path blocked: the vent reads open and no gas flows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.units import DAY, HOUR, MINUTE, PSI
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import amount
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
from collector.rules.decay_segments import DecaySegments
from collector.rules.flicker import Flicker
from collector.rules.oxygen import PIPE_TEMPERATURE, predicted_time_constant
from collector.rules.productgas import FeedGas
from collector.rules.tankflow import TankFlow
from collector.rules.ventgas import (
    AIR_FILL,
    PipeOxygen,
    declared_fill,
    generator_of,
    mode_of,
    target_of,
)

_ENDS = 10 * MINUTE
_LONGEST_FALL = 6 * HOUR
_FALL_SEEN = 3.0  # psi of fall by the vent's flow that a window of pressure must show
_LEAST_SHOWN = 0.5  # share of the vent's own draw that falls must have shown to be trusted later
_AS_MUCH = 0.8  # share of the fall with the vent flowing that a leak alone is not taken for
_FASTER = 2.0  # times what the vents and a leak at the limit draw from a riser
_LEAK = 1.5 / HOUR  # psi/ms; the limit of a leak in service: 3 psi in 2 h at 40 psi (NFPA 25)
_UNDER_WAY = 0.5  # % above the target, several steps of a 0.1 % sensor
_LONGEST_WAIT = 4  # windows of time after which a riser that hardly fell is taken as it is
_WELL_BELOW = 2.0  # psi below supervisory: the pipe is being filled, its falls say nothing
_DUE = 0.6  # %; six steps of a common sensor
_DUE_ALONE = 2.0
_STILL = 0.3  # share of a window in which a sensor that measures must flicker at least once
_AIRED = 0.1  # time constants of air-fill after which the pipe's front is one of air
_SLOWEST = 20 * DAY  # time constant beyond which the oxygen shows nothing within a week


@dataclass(slots=True, kw_only=True)
class _BlockedState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    feed: FeedGas = field(default_factory=FeedGas)
    mode: float | None = None
    open_ms: int = 0
    """Open time of this purge; the front needs half a time constant to reach the vent."""
    anchor_at: int | None = None
    anchor: float = 0.0
    anchor_count: int = 0
    anchor_ms: int = 0
    changed_at: int = 0
    """Time at which the value last changed."""
    flicker: Flicker = field(default_factory=Flicker)
    air_ms: int = 0
    """Time in air-fill since the oxygen last counted."""
    due: float = 0.0
    """% that the oxygen should have fallen since the anchor."""
    end: float = 0.0
    end_count: int = 0
    end_ms: int = 0
    oxygen: str = ""
    """Result by the oxygen: ``flows``, ``none``, or empty before the first."""
    flowed_at: int | None = None
    """Time at which the oxygen last showed that gas flows."""
    drawn: float | None = None
    """mol/s drawn from the generator's tank and risers at that time."""
    oxygen_due: float = 0.0
    oxygen_fell: float = 0.0
    segments: DecaySegments = field(default_factory=DecaySegments)
    shown: float | None = None
    """psi/ms by which the riser fell while gas was known to flow."""
    rate: float | None = None
    demand: str = ""
    none_at: int | None = None
    flows_at: int | None = None


class PurgeBlocked(Rule):
    """An open vent through which neither demand nor oxygen says that gas flows.

    Demand: while its supply rests, the riser's pressure falls at what the vent and the leak draw.
    The rate is remembered while the oxygen shows that gas flows; less than half of it later means
    the vent's share is gone. Oxygen: what it falls against what volume and flow predict. Either one
    that shows flow clears the vent. A riser that hardly falls as its supply feeds the vent steadily
    is distinguished from a tight one by the tank, from which as much is drawn as before. Neither
    can tell with a very small vent; then nothing is said but that.
    """

    condition = "purge-blocked"
    state: _BlockedState

    def __init__(self, context: Context, asset: str) -> None:
        vent = context.plant.vents[asset]
        riser = context.plant.risers[vent.riser]
        self._generator = generator_of(context, asset)
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        self._psi = f"{riser.id}.pressure"
        configured = [p for p in (self._oxygen, self._psi) if context.is_configured(p)]
        # A change of mode parts what was read before it from what is read after it.
        self._mode = mode_of(context, asset)
        also = [self._mode] if self._mode else []
        super().__init__(context, asset, inputs=[self._open, *configured, *also],
                         needs=[self._open])
        self.state = _BlockedState()
        self._last = context.inputs.point(self._oxygen)
        self._target = target_of(context, asset)
        self._tau = predicted_time_constant(context, asset) or 0.0
        self._supervisory = riser.supervisory_pressure or 0.0
        absolute = self._supervisory * PSI + pressure_at_altitude(context.plant.site.altitude)
        held = amount(absolute, riser.volume or 0.0, PIPE_TEMPERATURE)
        # psi/ms by which this vent alone lowers the riser while the supply rests
        self._draw = absolute / PSI * (vent.flow or 0.0) / held / 1000
        self._fastest = _FASTER * (absolute / PSI / max(self._tau, 1.0) + _LEAK)
        window = number(self.settings, "window")
        self._window = int(window) if window else max(int(_FALL_SEEN / self._draw), _ENDS)
        self._by_demand = self._psi in configured and self._window <= _LONGEST_FALL
        self._by_oxygen = self._oxygen in configured and self._tau <= _SLOWEST
        self._share = number(self.settings, "share") or 0.5
        self._tank = TankFlow(context, self._generator, vent.flow or 0.0)

    # -- samples ---------------------------------------------------------------------------------

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        passed = 0 if before_at is None or at - before_at > self.gap(point) else at - before_at
        if point == self._open:
            moved = s.pipe.position(at, value)
            if moved:
                last = s.flicker.last
                if last is None or last <= self._target + _UNDER_WAY:
                    self._start_oxygen()
                s.segments.begin(at)
            elif value >= 0.5:
                s.open_ms += passed
            return moved
        if point == self._mode:
            s.mode = value
            return False
        if declared_fill(self.context, self.asset, at) is not None:
            self._start_oxygen()
            s.segments.begin(at)
            s.open_ms = 0
            return False
        if point == self._psi:
            return self._take_pressure(at, value, passed)
        s.feed.look(self.context, self._generator, at)
        if self._fed_with_air(at, passed):
            return False
        if s.pipe.of_pipe(at, value):
            return self._take_oxygen(at, value, passed)
        if s.pipe.open and s.flicker.last is not None:
            self._sweep(at, s.flicker.last, passed)
        return False

    def _fed_with_air(self, at: int, passed: int) -> bool:
        """Whether air feeds the pipe: gas flows, and the oxygen does not fall.

        Nitrogen then needs its time again.
        """
        s = self.state
        if self._generator is None or self.context.inputs.mode(self._generator, at) != "air-fill":
            return False
        self._start_oxygen()
        s.oxygen = ""
        s.air_ms += passed
        if s.air_ms >= _AIRED * self._tau:
            s.air_ms = s.open_ms = 0
        return True

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._mode:
            return None if s.mode is None else Band(s.mode, s.mode)
        if s.pipe.open is not False:
            return None
        if point == self._open:
            return contact_band(on=False)
        if self.context.inputs.fills:
            return None
        if point == self._psi:
            return ALL
        if point != self._oxygen or s.mode == AIR_FILL:
            return None
        # Of the oxygen of a shut vent only the last may ever matter.
        found = s.pipe.held_band(self._last.at or 0)
        return None if found is None else Band(
            found[0].low, found[0].high, s.feed.next_at, counted=True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        self.state.pipe.of_pipe_many(values)

    def _start_oxygen(self) -> None:
        s = self.state
        s.anchor_at = None
        s.anchor = s.end = s.due = 0.0
        s.anchor_count = s.end_count = s.anchor_ms = s.end_ms = 0

    def _take_pressure(self, at: int, value: float, passed: int) -> bool:
        """Add up the falls between refills."""
        s, segments = self.state, self.state.segments
        if not self._by_demand or not s.pipe.open:
            return False
        if not passed or value < self._supervisory - _WELL_BELOW:
            segments.begin(at, value)
            return False
        segments.add(at, value)
        fall, lasted = segments.so_far()
        began = segments.since_at
        if lasted < self._window and at - began < _LONGEST_WAIT * self._window:
            return False
        s.rate = fall / max(lasted, self._window)
        segments.begin(at, segments.low if segments.down else segments.peak)
        s.demand = self._demand_says(s.rate)
        if s.demand == "none" and (self._tank.flows(began, s.drawn) or s.oxygen == "flows" and (
            lasted < self._window or (s.flowed_at or 0) > (began + at) // 2
        )):
            # It did not fall, or so slowly that it was all but held: tight and blocked, or its
            # supply feeds the vent steadily, as the tank or oxygen that fell meanwhile shows.
            s.demand = ""
        return self._settle(at, began)

    def _demand_says(self, rate: float) -> str:
        s = self.state
        if s.shown is not None and _LEAST_SHOWN * self._draw <= s.shown <= self._fastest:
            if rate < self._share * s.shown:
                return "none"
            return "flows" if rate >= _AS_MUCH * s.shown else ""
        # What leaks takes its share as well, and may take more than the vent. What falls faster
        # than all of them could let it is a gauge's flicker.
        return ""

    def _take_oxygen(self, at: int, value: float, passed: int) -> bool:
        s = self.state
        if not self._by_oxygen or not s.pipe.open or s.open_ms < self._tau / 2:
            return False
        if s.anchor_at is None:
            s.anchor_at = at
        if s.flicker.add(value):
            s.changed_at = at
        if s.anchor_ms < _ENDS:
            s.anchor_ms += passed
            s.anchor_count += 1
            s.anchor += (value - s.anchor) / s.anchor_count
            return False
        self._sweep(at, value, passed)
        if s.due < _DUE:
            return False
        s.end_ms += passed if s.end_count else 0
        s.end_count += 1
        s.end += (value - s.end) / s.end_count
        return s.end_ms >= _ENDS and self._close_oxygen(at)

    def _sweep(self, at: int, value: float, passed: int) -> None:
        """Add the fall of oxygen that the sweep should cause, over a timer's openings too."""
        s = self.state
        if s.anchor_ms >= _ENDS:
            feed = s.feed.level(self.context, self.asset, at)[0]
            s.due += max(value - feed, 0.0) * passed / self._tau

    def _close_oxygen(self, at: int) -> bool:
        s = self.state
        fell, due, began = s.anchor - s.end, s.due, s.anchor_at
        assert began is not None  # noqa: S101 - a window has its anchor
        if fell >= 0.3 * due:
            says = "flows"
        elif at - s.changed_at > _STILL * (at - began) and s.flicker.lively:
            says = ""
        elif fell <= 0.05 * due and (due >= _DUE_ALONE or s.demand == "none"):
            says = "none"
        elif due < _DUE_ALONE:
            s.end, s.end_count, s.end_ms = 0.0, 0, 0
            return False
        else:
            says = ""
        s.oxygen, s.oxygen_due, s.oxygen_fell = says, due, fell
        if says == "flows":
            s.flowed_at, s.drawn = at, self._tank.drawn(began)
        self._start_oxygen()
        if says == "flows" and s.rate is not None and s.demand != "none":
            s.shown = s.rate if s.shown is None else s.shown + 0.2 * (s.rate - s.shown)
        return self._settle(at, began)

    def _settle(self, at: int, began: int) -> bool:
        """Combine demand and oxygen: gas flows when the newest result of either says so."""
        s = self.state
        # A falling oxygen needs flow; what it says ages once the demand has changed its mind.
        if s.demand == "none" and s.oxygen == "flows":
            s.oxygen = ""
        if "none" in (s.demand, s.oxygen) and "flows" not in (s.demand, s.oxygen):
            if s.none_at is None:
                # Had gas flowed for longer than half of the stretch, it would have shown.
                s.none_at = (began + at) // 2
                return True
            return False
        if "flows" in (s.demand, s.oxygen) and s.none_at is not None:
            s.none_at, s.flows_at = None, at
            return True
        return False

    # -- the finding -----------------------------------------------------------------------------

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.pipe.open is None:
            return RawEvaluation.unknown("the vent's position is not known yet")
        if not s.pipe.open:
            if s.none_at is not None:
                return RawEvaluation.unknown(
                    "the vent is closed: whether it would flow is not known")
            return RawEvaluation.inactive(s.flows_at)
        if not self._by_demand and not self._by_oxygen:
            return RawEvaluation.unknown(
                "cannot tell: the vent is too small for its flow to show in the riser's pressure "
                "or, within a week, in its oxygen"
            )
        if s.none_at is not None:
            return RawEvaluation.active(s.none_at)
        return RawEvaluation.inactive(s.flows_at)

    def describe(self, now: int) -> tuple[Values, str]:
        s, words = self.state, self.words
        values: dict[str, float | int | str | None] = {
            "demand_says": s.demand or "cannot tell", "oxygen_says": s.oxygen or "cannot tell",
        }
        sentences = ["The vent reads open, yet no gas seems to leave through it."]
        if s.demand == "none" and s.rate is not None and s.shown is not None:
            now_rate, then = (HOUR * r for r in (s.rate, s.shown))
            values |= {"fall_psi_per_hour": round(now_rate, 2),
                       "flowing_psi_per_hour": round(then, 2)}
            sentences.append(
                f"Between refills the riser loses {words.pressure(max(now_rate, 0.0))} an hour; "
                f"with the vent flowing it lost {words.pressure(then)} an hour."
            )
        else:
            sentences.append("The riser's pressure cannot tell how much it draws.")
        if s.oxygen == "none":
            values |= {"fell_percent": round(s.oxygen_fell, 2),
                       "due_percent": round(s.oxygen_due, 2)}
            sentences.append(
                f"Oxygen fell by {max(s.oxygen_fell, 0.0):.1f} % where {s.oxygen_due:.1f} % was "
                "due by the pipe's volume and the vent's flow."
            )
        water = self.context.inputs.points.get(f"{self.asset}.water")
        first = []
        if water is not None and water.value is not None and water.value >= 0.5:
            values["water"] = 1
            sentences.append("The water contact at the vent is closed.")
            first = ["drain the water at the vent"]
        since = now if s.none_at is None else s.none_at
        return values, words.message(
            self.about, self.asset, since=since, numbers=" ".join(sentences), first=first,
        )

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        riser = context.plant.vents[asset].riser
        if not context.is_configured(f"{asset}.open"):
            return f"no open contact at {asset}"
        if not any(context.is_configured(p) for p in (f"{asset}.oxygen", f"{riser}.pressure")):
            return f"neither oxygen at {asset} nor supervisory pressure at {riser}"
        if predicted_time_constant(context, asset) is None:
            return f"no volume and supervisory_pressure of {riser}, or no flow of its vents, is set"
        return ""
