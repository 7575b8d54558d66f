"""The gas balance of one generator from its readings: gas of each run, gas drawn.

Tank and pipes are treated as one vessel where the pressure and the volume of every riser fed by the
generator are known: what a regulator lets through, by gulps or in proportion, then cancels. A run
lies between two rests; the readings of the rests, in blocks, give its gas
(:mod:`collector.physics.rungain`). Readings of the run itself, which are warm and bent, are left
out; only where polls are far apart, their slope gives the length of the run better than
a contact that changed somewhere between two polls.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median
from typing import Any

from collector.physics.rungain import TAUS, Block
from collector.rules.base import Context
from collector.rules.gasstate import TANK, WHOLE, BalanceState, Passed, Rest, Run
from collector.rules.runaccount import RunAccount, empty_account
from collector.rules.vessel import Vessel

__all__ = ["ABNORMAL", "GasBalance", "Passed", "balance_of"]

_FILL, _OTHER_MODE, _GAP = "a declared fill", "in air-fill mode", "a gap in the samples"
ABNORMAL = frozenset({_FILL, _OTHER_MODE})
"""Reasons for which a day is not used as a baseline."""

_THIN = 19_000
"""ms between samples that are used: closer ones add nothing."""
_BLOCK = 120.0
_FINE, _COARSE = 5, 5
"""Blocks next to a run that are kept single, and the number of others that are joined into one."""
_TELLING = 10
"""Blocks of a continuing rest needed to compute the run before it: twenty minutes."""
_REACH = 60
"""Blocks at each end of a rest that are used: two hours."""
_INNER = 60
"""Readings of a run that are kept beside its first: twenty minutes."""
_STEP, _ROUNDING, _TWO_STEPS = 1.0, 1e-3, 0.41
"""psi that a gauge steps by until it shows less, as coarse as they are by common practice; psi that
is rounding of the arithmetic; deviation of the difference of two readings, in steps: 1/sqrt(6)."""
_RISE = 1.0  # psi
_WARMTHS = 4320
_EVENLY = 12
"""An edge anywhere in the u ms between two samples has a variance of u^2/12."""
_SETTLING = 600.0
"""s in which pipes come to a regulator's new pressure: as unknown as a tank's cooling, and like it.
"""
_SUPPLY = 0.01
"""psi by which a regulated pressure follows one psi of supply (common practice: 0.5 to 2 %)."""
_LEARNED, _SMOOTHER, _SMOOTH, _ROUGH = 4, 4.0, 0.03, 0.1
"""Runs before the tank alone may be chosen, how much smoother (as a variance) its rests must be,
how smooth against the gas of a run, and how rough tank and pipes (settings, from trials)."""


class GasBalance:
    """Gas balance of one generator, fed by its estimator and read by its rules."""

    def __init__(self, context: Context, asset: str) -> None:
        self.asset = asset
        self.tank, self.running = f"{asset}.tank_pressure", f"{asset}.compressor_running"
        self.mode = f"{asset}.mode" if context.is_configured(f"{asset}.mode") else ""
        self._inputs = context.inputs
        self._tank = context.inputs.point(self.tank)
        self._running = context.inputs.point(self.running)
        self.vessel = Vessel(context, asset)
        self.volume = self.vessel.volume
        self.vents = tuple(
            f"{v.id}.open" for v in context.plant.vents.values()
            if context.is_configured(f"{v.id}.open") and _fed_by(context, v.riser, asset))
        width = len(TAUS) + len(self.vents)
        self.state = BalanceState(
            whole=empty_account(width), alone=empty_account(width),
            by_tank=not self.vessel.known, seen=self.vessel.pressures(),
            steps=[_STEP for _ in self.vessel.shares],
            vents={name: {"open": False, "since_at": 0, "total": 0.0} for name in self.vents})

    def __repr__(self) -> str:
        return f"GasBalance({self.asset}, {len(self.account.runs_series)} runs)"

    # -- samples ---------------------------------------------------------------------------------

    def observe_vent(self, point: str, at: int, is_open: bool) -> bool:
        vent = self.state.vents[point]
        if is_open is vent["open"]:
            return False
        vent.update(total=_opened(vent, at), open=is_open, since_at=at)
        return True

    def observe_running(self, at: int, on: bool, before_at: int | None) -> None:
        s = self.state
        if before_at is None or at - before_at > self._running.max_gap():
            self.spoil(_GAP)
            if on is s.on:
                return
            # When it changed is not known: the run that began or ended then does not count.
            self._warm_to(at)
            s.on, s.run = on, Run(start_at=at)
            s.rest = Rest(stop_at=at, clean=not on, heat=list(s.heat))
            return
        if on is s.on:
            return
        # It changed somewhere between the two samples; the middle is right on average.
        edge = (at + before_at) // 2
        self._mark(edge)
        self._settle_waiting(at)
        self._warm_to(edge)
        s.gap = at - before_at
        s.blunt += s.gap**2 / _EVENLY
        if on:
            self.weigh(learn=True)
            s.before = [[b[0] - edge / 1000, *b[1:]] for b in self._blocks(s.rest, ahead=False)]
            s.before_whole = s.rest.whole
            s.run = Run(start_at=edge, clean=bool(s.rest.clean and s.before), unseen=at - before_at)
            s.foot = s.last if s.last is not None else 0.0
        else:
            run = s.run
            run.stop_at, run.unseen = edge, run.unseen + at - before_at
            rise = 0.0 if s.last is None else s.last - s.foot
            run.clean = run.clean and rise >= _RISE and edge > run.start_at
            s.rest = Rest(stop_at=edge, clean=True, heat=list(s.heat))
        s.on = on

    def _warm_to(self, edge: int) -> None:
        s = self.state
        s.heat = self._heat(edge)
        s.edge_at = edge

    def _heat(self, at: int) -> list[float]:
        """Return the heat left at an instant after the last start or stop, per time constant."""
        s, goal = self.state, 1.0 if self.state.on else 0.0
        passed = max(at - s.edge_at, 0) / 1000
        return [goal + (h - goal) * math.exp(-passed / tau)
                for h, tau in zip(s.heat, TAUS, strict=True)]

    def _settle_waiting(self, at: int) -> None:
        """Assign a tank sample that waited for the risers to before or after a start or stop.

        The poll that shows the change belongs to what begins there; a run has few samples, and
        needs its first and its last.
        """
        s = self.state
        if s.waits_at is None or s.waits_at == at:
            return
        if s.on and self.vessel.read_at(s.waits_at):
            self._sample(s.waits_at, s.last)
        s.waits_at = None

    def observe_tank(self, at: int, value: float, before_at: int | None) -> None:
        s = self.state
        if before_at is None or at - before_at > self._tank.max_gap():
            self.spoil(_GAP)
        elif s.waits_at is not None:
            self._sample(s.waits_at, s.last, s.waiting_series)
        if at < s.next_at:
            return
        s.next_at = at + _THIN
        if s.on is None or not self._normal(at):
            return
        self._mark(at)
        # The mean of about a day: at any hour of it, the room is off by its daily swing.
        s.warmths = min(s.warmths + 1, _WARMTHS)
        s.celsius += (self.vessel.temperature(at) - s.celsius) / s.warmths
        if s.last is not None and s.last != value:
            s.rest.flat = False
        s.last = value
        if s.begin is None:
            s.begin = value - self._warmth(at)
        # What is read after the tank in the same poll is only known by its next sample.
        if self.vessel.read_at(at) and (not s.on or self._running.at == at):
            self._sample(at, value)
        else:
            s.waits_at, s.waiting_series = at, self.vessel.readings()

    def _sample(self, at: int, value: float | None,
                before: Sequence[Sequence[float]] = ()) -> None:
        s = self.state
        s.waits_at = None
        if value is None or not (s.run.clean if s.on else s.rest.clean):
            return
        whole = self.vessel.whole(value, at, before)
        if whole is not None:
            self._note_steps()
        if s.on:
            if whole is None and self.vessel.known:
                return  # the tank alone is no measure of tank and risers
            heat = [h * (value + self.vessel.ambient) for h in self._heat(at)]
            row = [at, value if whole is None else whole, value, *heat]
            s.run.inner_series.append(row)
            del s.run.inner_series[1:-_INNER]
            return
        rest = s.rest
        if not rest.blocks:
            rest.whole = whole is not None
        if whole is None:
            if rest.whole:
                return
            whole = value
        t = max(at - rest.stop_at, 0) / 1000
        number = float(t // _BLOCK)
        if not rest.blocks or rest.blocks[-1][0] != number:
            rest.blocks.append([number] + [0.0] * (4 + len(self.vents)))
            if len(rest.blocks) > 2 * _REACH:
                del rest.blocks[_REACH]
        row = rest.blocks[-1]
        opened = [_opened(s.vents[v], at) for v in self.vents]
        for k, x in enumerate([1.0, t, whole, value, *opened], 1):
            row[k] += x

    def _note_steps(self) -> None:
        s, read = self.state, self.vessel.pressures()
        for k, (new, old) in enumerate(zip(read, s.seen, strict=True)):
            if old and _ROUNDING < abs(new - old) < s.steps[k]:
                s.steps[k] = abs(new - old)
        s.seen = read

    def _normal(self, at: int) -> bool:
        """Whether the plant works normally; if not, the run does not count."""
        if self._inputs.filling(self.asset, at):
            self.spoil(_FILL)
        elif self.mode and self._inputs.mode(self.asset, at) == "air-fill":
            # A run's mode is what it reads in the run: many controllers say `off` between runs.
            self.spoil(_OTHER_MODE)
        else:
            return True
        return False

    def spoil(self, why: str) -> None:
        """Discard the run under way, and the time until both inputs are good again."""
        s = self.state
        if s.marked_at is not None or s.run.clean or s.rest.clean:
            s.spoiled[why] = s.spoiled.get(why, 0) + 1
        if s.on is False:  # readings until now belong to the run before, later ones to the next
            self.weigh(learn=len(s.rest.blocks) >= _TELLING)
            s.rest = Rest(stop_at=s.rest.stop_at, clean=True, heat=s.rest.heat)
        s.run.clean = False
        s.waits_at = None
        self._close()

    # -- totals of a window ----------------------------------------------------------------------

    def _mark(self, at: int) -> None:
        """Add the time since the last call to the state that the plant was in."""
        s = self.state
        if s.marked_at is not None:
            passed = max(0, at - s.marked_at)
            s.seen_ms += passed
            s.on_ms += passed if s.on else 0
            s.marked_at = max(at, s.marked_at)
        elif s.on is not None:
            s.marked_at = at

    def _warmth(self, at: int) -> float:
        """Return the part (psi) of the last tank pressure that is due to heat of compression."""
        s = self.state
        if s.last is None:
            return 0.0
        heats = self.account.values[:len(TAUS)]
        return (s.last + self.vessel.ambient) * math.fsum(
            h * x for h, x in zip(heats, self._heat(at), strict=True))

    def _close(self) -> None:
        s = self.state
        if s.begin is not None and s.last is not None and s.marked_at is not None:
            s.gain += s.last - self._warmth(s.marked_at) - s.begin
        s.begin = s.marked_at = None

    def take_time(self) -> Passed:
        """Return what passed since the last call, and start again from zero."""
        s = self.state
        marked = s.marked_at
        self._close()
        found = Passed(seen=s.seen_ms, on=s.on_ms, gain=s.gain, blunt=s.blunt)
        s.seen_ms = s.on_ms = 0
        s.blunt = s.gain = 0.0
        if marked is not None and s.last is not None:
            s.begin, s.marked_at = s.last - self._warmth(marked), marked
        return found

    # -- runs ------------------------------------------------------------------------------------

    def _blocks(self, rest: Rest, ahead: bool) -> list[tuple[float, ...]]:
        """Return the blocks of a rest nearest to its run: s, whole, tank, count, columns of each.

        With ``ahead`` it is the rest before the run, else the one after it. The nearest blocks stay
        apart.
        """
        if not rest.blocks:
            return []
        full = rest.blocks[0][4] / rest.blocks[0][1] + self.vessel.ambient
        rows = rest.blocks[:_REACH] if ahead else rest.blocks[-_REACH:][::-1]
        groups = [[r] for r in rows[:_FINE]] + [
            rows[k:k + _COARSE] for k in range(_FINE, len(rows), _COARSE)]
        found = []
        for group in groups:
            count = math.fsum(r[1] for r in group)
            at, whole, tank = (math.fsum(r[k] for r in group) / count for k in (2, 3, 4))
            heat = [full * h / count * math.fsum(
                r[1] * math.exp(-r[2] / r[1] / tau) for r in group)
                for h, tau in zip(rest.heat, TAUS, strict=True)]
            opened = [-math.fsum(r[5 + k] for r in group) / count for k in range(len(self.vents))]
            found.append((rest.stop_at / 1000 + at, whole, tank, count, *heat, *opened))
        return found if ahead else found[::-1]

    def weigh(self, *, learn: bool) -> None:
        """Add the last run to the accounts, by the rests before and after it."""
        s, run = self.state, self.state.run
        if not (run.clean and s.rest.clean and run.stop_at == s.rest.stop_at) or s.rest.flat:
            return
        if not learn and len(s.rest.blocks) < _TELLING:
            return
        start = run.start_at / 1000
        before = [(row[0] + start, *row[1:]) for row in s.before]
        after = self._blocks(s.rest, ahead=True)
        s.alone.settles = self._settles()
        for place, account in ((TANK, s.alone), (WHOLE, s.whole)):
            if account is s.alone or (s.before_whole and s.rest.whole):
                account.add(run, *(
                    [Block(b[0], b[place], b[3], b[4:]) for b in side] for side in (before, after)),
                    place=place, learn=learn)
        self._choose()

    def _settles(self) -> float:
        """Return what regulators may pass more while the tank falls back, as heat is stated.

        Through an unchanged opening they pass gas as the tank's absolute pressure (choked flow),
        until the pipes' pressure, which a higher supply raises a little, has closed it again.
        """
        rows = self.state.alone.runs_series[-20:]
        if not rows or not self.vessel.shares or self.state.last is None:
            return 0.0
        drawn, seconds = (max(median(r[k] for r in rows), 0.0) for k in (3, 2))
        full = self.state.last + self.vessel.ambient
        lift = max(self.state.alone.typical() - drawn * seconds, 0.0)
        passed = min(drawn * lift / full * _SETTLING, _SUPPLY * lift * sum(self.vessel.shares))
        return passed / (full * (1.0 - math.exp(-seconds / _SETTLING)))

    def _choose(self) -> None:
        """Choose between the tank alone and tank and pipes.

        Gauges of large pipes are rough in psi of a small tank. Only where they hide much of a run,
        and the rests of the tank alone are far smoother, is the tank used alone: regulators
        feed evenly then. Gulps would show as rough rests.
        """
        s = self.state
        if not self.whole or s.alone.learned < _LEARNED:
            s.by_tank = not self.whole
            return
        gas = s.alone.typical()
        factor = 2.0 if s.by_tank else 1.0
        s.by_tank = (s.alone.noise * _SMOOTHER < factor * s.whole.noise
                     and math.sqrt(s.alone.noise) < _SMOOTH * factor * gas
                     and math.sqrt(s.whole.noise) * factor > _ROUGH * gas)

    # -- answers ---------------------------------------------------------------------------------

    @property
    def account(self) -> RunAccount:
        """The account in use: with the risers, or of the tank alone."""
        return self.state.alone if self.state.by_tank else self.state.whole

    @property
    def whole(self) -> bool:
        return self.vessel.known and bool(self.state.whole.runs_series)

    @property
    def booked(self) -> RunAccount:
        """The account with the risers in it, where they are known and read."""
        return self.state.whole if self.whole else self.state.alone

    @property
    def coarse(self) -> float:
        """Deviation (psi of the tank) that the steps of the risers' gauges leave in a gain."""
        return _TWO_STEPS * math.hypot(*(
            step * share for step, share in zip(self.state.steps, self.vessel.shares, strict=True)))

    def warm(self, seconds: float) -> float:
        """Return the heat after a run of so many s from cold, as a share of the pressure."""
        heats = self.account.values[:len(TAUS)]
        return math.fsum(h * (1 - math.exp(-seconds / tau))
                         for h, tau in zip(heats, TAUS, strict=True))


def _opened(vent: Mapping[str, Any], at: int) -> float:
    now = (at - vent["since_at"]) / 1000 if vent["open"] else 0.0
    return float(vent["total"] + now)


def _fed_by(context: Context, riser: str, generator: str) -> bool:
    found = context.plant.risers.get(riser)
    return found is not None and found.fed_by in (generator, None)


def balance_of(context: Context, asset: str) -> GasBalance:
    found = context.shared.get(f"balance.{asset}")
    if not isinstance(found, GasBalance):
        found = context.shared[f"balance.{asset}"] = GasBalance(context, asset)
    return found
