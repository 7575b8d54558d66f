"""Clean cycles of the compressor, taken from the stream: how much gas each run put into the tank.

A run lies between two falls. Each fall, once the heat of the run before it is taken off
(:mod:`collector.rules.tankheat`), is a straight line of gas lost over time. The line before a run
is followed up to its start and the line after it back to its stop; what lies between them is the
gas the run brought, plus what was drawn meanwhile. Samples of the run itself, which are warm and
bent, tell nothing of the gas; but where polls are far apart, how steeply they rise tells how long
it took to bring it, better than a contact that changed somewhere between two polls.

Risers draw in gulps, and the gulp that brings the tank to cut-in is the one that starts the
compressor: counted on the tank alone, every fall would end in half a gulp. Where the pressure and
the volume of every riser fed by the generator are known, tank and risers are therefore booked as
one vessel, for which a gulp is nothing.
"""

from __future__ import annotations

from collector.rules.base import Context
from collector.rules.cyclestate import CycleState, Fall, Run
from collector.rules.gasbooks import EVENLY, Passed, close_books, mark, take_books, tell, warmth
from collector.rules.runweight import (
    ENDS,
    fall_began,
    fall_ended,
    heard_again,
    weigh,
)
from collector.rules.tankheat import FallFit, add_sample, empty_sums
from collector.rules.vessel import Vessel

__all__ = ["ABNORMAL", "Cycles", "Passed", "cycles_of"]

_FILL, _OTHER_MODE = "a declared fill", "in air-fill mode"
ABNORMAL = frozenset({_FILL, _OTHER_MODE})
"""Why a day teaches nothing about the days to come."""

_THIN = 19_000
"""ms between samples that are used: a fall takes many minutes, and neighbours say the same."""
_SKIP = 120.0
"""s after a stop that are left out: the gas itself, not the wall, settles first."""
_BLOCK = 600.0
_RISE = 1.0  # psi
_KEPT = 400
_WARMTHS = 4320


class Cycles:
    """Cycles of one generator, fed by its estimator and read by its rules.

    ``runs`` are rows of [stop (ms), gas (psi of the tank), seconds, drawn (psi/s)].
    """

    def __init__(self, context: Context, asset: str) -> None:
        self.asset = asset
        self.tank, self.running = f"{asset}.tank_pressure", f"{asset}.compressor_running"
        self.mode = f"{asset}.mode" if context.wired(f"{asset}.mode") else ""
        self._inputs = context.inputs
        self._tank = context.inputs.point(self.tank)
        self._running = context.inputs.point(self.running)
        self.vessel = Vessel(context, asset)
        self.volume = self.vessel.volume
        self.state = CycleState()

    def __repr__(self) -> str:
        return f"Cycles({self.asset}, {len(self.state.runs_series)} runs)"

    # -- samples ---------------------------------------------------------------------------------

    def observe_running(self, at: int, on: bool, before_at: int | None) -> None:
        """Take a sample of the compressor."""
        s = self.state
        if before_at is None or at - before_at > self._running.max_gap():
            self.spoil("a gap in the samples")
            s.on = on
            return
        if on is s.on:
            return
        # It changed somewhere between the two samples; the middle is right on average.
        edge = (at + before_at) // 2
        mark(self.state, at, edge)
        self._settle_waiting(at)
        if s.on is None:
            s.clean = False
        elif on:
            self._end_fall(edge)
            s.run.unseen = at - before_at
        else:
            s.run.unseen += at - before_at
            s.blunt += s.run.unseen**2 / EVENLY
            self._end_run(edge)
        s.on = on

    def _settle_waiting(self, at: int) -> None:
        """Say on which side of an edge seen ``at`` a sample lies that still waits for the risers.

        Of the poll that shows the edge it belongs to what begins there; a run has few samples, and
        needs its first and its last.
        """
        s = self.state
        if s.waits_at is None or s.waits_at == at:
            return
        if s.on and s.run.clean and self.vessel.read_at(s.waits_at):
            self._sample_run(s.waits_at, s.last)
        s.waits_at = None

    def observe_tank(self, at: int, value: float, before_at: int | None) -> None:
        """Take a sample of the tank's pressure; most are left out."""
        s = self.state
        if before_at is None or at - before_at > self._tank.max_gap():
            self.spoil("a gap in the samples")
        elif s.waits_at is not None:
            self._sample(s.waits_at, s.last)
        elif at < s.next_at:
            return
        if at < s.next_at:
            return
        s.next_at = at + _THIN
        if s.on is None:
            return
        if not self._normal(at):
            return
        mark(self.state, at, at)
        # The mean of about a day: at any hour of it, the room is off by its daily swing.
        s.warmths = min(s.warmths + 1, _WARMTHS)
        s.celsius += (self.vessel.temperature(at) - s.celsius) / s.warmths
        if s.last is not None and s.last != value:
            s.fall.flat = False
        began, s.last = s.begin is None, value
        if began:
            s.begin = value - warmth(s)
        if s.run.clean if s.on else s.fall.clean:
            # What is read after the tank in the same poll is only known by its next sample.
            if self.vessel.read_at(at) and (not s.on or self._running.at == at):
                self._sample(at, value)
            else:
                s.waits_at = at

    def _sample(self, at: int, value: float | None) -> None:
        self.state.waits_at = None
        if self.state.on:
            if self.state.run.clean:
                self._sample_run(at, value)
        else:
            self._sample_fall(at, value)

    def _sample_run(self, at: int, value: float | None) -> None:
        whole = None if value is None else self.vessel.whole(value, at)
        if whole is not None:
            run = self.state.run
            run.inner_series = [*run.inner_series[:1], [at, whole]]

    def _normal(self, at: int) -> bool:
        """Whether the plant does what it does on any day; if not, the cycle does not count."""
        if self._inputs.filling(self.asset, at):
            self.spoil(_FILL)
        elif self.mode and self._inputs.mode(self.asset, at) == "air-fill":
            # A run's mode is what it reads in the run: many controllers say `off` between runs.
            self.spoil(_OTHER_MODE)
        else:
            return True
        return False

    def spoil(self, why: str) -> None:
        """Give up the cycle under way, and the time until both inputs are seen to be good again."""
        s = self.state
        if s.marked_at is not None or s.clean or s.fall.clean:
            s.spoiled[why] = s.spoiled.get(why, 0) + 1
        s.clean = s.fall.clean = s.run.clean = False
        s.waits_at = None
        s.foot = None
        close_books(self.state)

    def disturb(self) -> None:
        """Leave out the cycle under way: what is drawn has changed, as when a vent moves."""
        s = self.state
        s.fall.clean = s.run.clean = False
        s.waits_at = None

    def _sample_fall(self, at: int, value: float | None) -> None:
        fall = self.state.fall
        t = (at - fall.stop_at) / 1000
        if t < _SKIP or value is None or not fall.clean:
            return
        whole = self.vessel.whole(value, at)
        if not fall.blocks:
            fall.whole = whole is not None
            fall.origin = value if whole is None else whole
        elif fall.whole and whole is None:
            return
        y = (whole if fall.whole and whole is not None else value) - fall.origin
        number = float(t // _BLOCK)
        if not fall.blocks or fall.blocks[-1][0] != number:
            fall.blocks.append([number, *empty_sums()])
            if len(fall.blocks) > 2 * ENDS:
                del fall.blocks[ENDS]
        sums = fall.blocks[-1][1:]
        add_sample(sums, t, y)
        fall.blocks[-1][1:] = sums

    # -- edges -----------------------------------------------------------------------------------

    def _end_run(self, edge: int) -> None:
        s = self.state
        rise = (s.last or 0.0) - (s.foot if s.foot is not None else s.last or 0.0)
        seconds = (edge - s.run.start_at) / 1000
        s.run.stop_at = edge
        good = s.clean and s.run.clean and rise >= _RISE and seconds > 0
        if seconds > 0 and rise > 0:
            # All that was pumped was warm, also what was drawn meanwhile.
            s.heat.run_for(seconds, rise + max(0.0, -s.run.slope) * seconds)
        s.run.clean = good
        s.clean = True
        s.fall = Fall(stop_at=edge, clean=True)

    def _end_fall(self, edge: int) -> None:
        s = self.state
        begun = fall_began(s) if s.clean else None
        if begun is not None:
            heard_again(s)
            begun = fall_began(s)
        following = Run(start_at=edge)
        if begun is not None:
            self._book(begun)
            following = fall_ended(s, edge)
        s.heat.rest_for(max(edge - s.fall.stop_at, 0) / 1000)
        s.run, s.foot, s.clean = following, s.last, True

    def _book(self, begun: FallFit) -> None:
        s, weight = self.state, weigh(self.state, begun)
        if weight is None:
            return
        tell(s, weight.gas, weight.doubt**2)
        s.run.told = True
        s.runs_series.append([s.run.stop_at, weight.gas, weight.seconds, weight.drawn])
        del s.runs_series[:-_KEPT]

    # -- answers ---------------------------------------------------------------------------------

    @property
    def whole(self) -> bool:
        """Whether the risers are booked with the tank."""
        return self.vessel.known

    def take_time(self) -> Passed:
        """Return what passed since the last call, and begin anew."""
        return take_books(self.state, self.vessel)


def cycles_of(context: Context, asset: str) -> Cycles:
    """Return the cycles of a generator: one object for all that want them."""
    found = context.shared.get(f"cycles.{asset}")
    if not isinstance(found, Cycles):
        found = context.shared[f"cycles.{asset}"] = Cycles(context, asset)
    return found
