"""Truth of a recording: faults, alarms that are right, and the true flows of gas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulators.family.running import History
from simulators.family.specs import AIR, Allowed, DrawnPlant, Fault, FaultPlan, scf
from simulators.family.stepping import Floats

__all__ = ["QUANTITIES", "Truth", "truth_of"]

QUANTITIES = ("nitrogen-demand", "compressor-delivery", "compressor-duty", "leak-rate",
              "vent-flow")
"""What :meth:`Truth.mean` knows; scfh, and the duty in percent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """The true history. Instants are ms since 1970 UTC, by a clock that is never set.

    ``faults`` are those that took effect within the recording; ``allowed`` names what else may
    rightly be raised, and when.
    """

    plant: DrawnPlant
    history: History
    faults: tuple[Fault, ...]
    allowed: tuple[Allowed, ...]

    def mean(self, quantity: str, asset: str, t0: int, t1: int) -> float | None:
        """Return the true mean from ``t0`` to ``t1``, at the site's standard conditions.

        ``nitrogen-demand`` of a generator is all that leaves its tank, leaks of the tank too, while
        it is not in air-fill and none of its pipes is filled as declared;
        ``compressor-delivery`` what it makes in nitrogen mode while it runs (``None`` where it did
        not run); ``leak-rate`` of a riser what leaves its pipe other than by its vent or an
        opened drain (a relief valve's loss is in it), of a generator the sum of its risers;
        ``vent-flow`` is that of a vent, open or not. ``None`` outside the recording. Raises
        ``ValueError`` for another quantity or asset.
        """
        generators = {u.id: k for k, u in enumerate(self.plant.generators)}
        risers = {r.id: k for k, r in enumerate(self.plant.risers)}
        vents = {r.vent.id: k for k, r in enumerate(self.plant.risers) if r.vent is not None}
        gen, ris = self.history.generator_totals, self.history.riser_totals
        hours = (t1 - t0) / 3.6e6
        if quantity == "nitrogen-demand" and asset in generators:
            k = generators[asset]
            drawn = gen[:, k, 4] + gen[:, k, 5]
            gas, time = self._grown(drawn, t0, t1), hours
            for begin, end in self._fills(k, t0, t1):
                gas = None if gas is None else gas - (self._grown(drawn, begin, end) or 0.0)
                time -= (end - begin) / 3.6e6
        elif quantity == "compressor-delivery" and asset in generators:
            k = generators[asset]
            gas, ran = self._grown(gen[:, k, 0], t0, t1), self._grown(gen[:, k, 2], t0, t1)
            time = 0.0 if ran is None else ran / 3600.0
        elif quantity == "compressor-duty" and asset in generators:
            ran = self._grown(gen[:, generators[asset], 3], t0, t1)
            return None if ran is None else ran / 36.0 / hours
        elif quantity == "leak-rate" and asset in generators:
            fed = [k for k, r in enumerate(self.plant.risers) if r.fed_by == generators[asset]]
            gas, time = self._grown(ris[:, fed, 2].sum(axis=1), t0, t1), hours
        elif quantity == "leak-rate" and asset in risers:
            gas, time = self._grown(ris[:, risers[asset], 2], t0, t1), hours
        elif quantity == "vent-flow" and asset in vents:
            gas, time = self._grown(ris[:, vents[asset], 4], t0, t1), hours
        else:
            raise ValueError(f"no true {quantity} of {asset}")
        if gas is None or time <= 0.0:
            return None
        return scf(gas, self.plant.standard_temperature + 273.15) / time

    def _fills(self, generator: int, t0: int, t1: int) -> list[tuple[int, int]]:
        """Return the times within ``t0`` to ``t1`` of air-fill or of a declared fill, merged."""
        plant, grid = self.plant, self.history.grid * 1000
        pipes = {r.id for r in plant.risers if r.fed_by == generator}
        times = [(_instant(plant, a["time"]), _instant(plant, a["until"]))
                 for a in plant.happenings.actions
                 if a["kind"] == "declare-fill" and a["asset"] in pipes]
        air = np.flatnonzero(np.diff((self.history.generators[:, generator, 2] > 0.5).astype(
            np.int8), prepend=0, append=0)).reshape(-1, 2)
        times += [(plant.start + int(a) * grid, plant.start + int(b) * grid) for a, b in air]
        out: list[tuple[int, int]] = []
        for begin, end in sorted((max(a, t0), min(b, t1)) for a, b in times if a < t1 and b > t0):
            if out and begin <= out[-1][1]:
                out[-1] = out[-1][0], max(end, out[-1][1])
            else:
                out.append((begin, end))
        return out

    def _minute(self, instant: float) -> float:
        return (instant - self.plant.start) / 60000.0

    def _grown(self, total: Floats, t0: float, t1: float) -> float | None:
        """Return by how much a running total grew; ``None`` outside the recording."""
        low, high = self._minute(t0), self._minute(t1)
        if low < 0.0 or high > total.size - 1 or high <= low:
            return None
        ends = np.interp([low, high], np.arange(total.size), total)
        return float(ends[1] - ends[0])

    def _vent_end(self, vent: str) -> tuple[Floats, float]:
        for k, riser in enumerate(self.plant.risers):
            if riser.vent is not None and riser.vent.id == vent:
                end: Floats = self.history.riser_totals[:, k, 7]
                return end, riser.vent.target
        raise ValueError(f"there is no vent {vent}")

    def vent_oxygen(self, vent: str, instant: int) -> float:
        """Return the true oxygen (percent) of the pipe's gas at the vent's end."""
        end, _ = self._vent_end(vent)
        return float(100.0 * np.interp(self._minute(instant), np.arange(end.size), end))

    def purge_fraction(self, vent: str, instant: int) -> float:
        """Return the share of the oxygen to be purged that is gone at the vent's end: 0 is air."""
        _, target = self._vent_end(vent)
        return (AIR - self.vent_oxygen(vent, instant) / 100.0) / (AIR - target)

    def purge_done(self, vent: str) -> int | None:
        """Return the first instant at which a vent's sensor, with its offset, reads the target.

        The controller ends the purge then. ``None`` where the recording ends before that, or the
        sensor read the target from the start.
        """
        end, target = self._vent_end(vent)
        offset = next(r.vent.offset for r in self.plant.risers
                      if r.vent is not None and r.vent.id == vent)
        reached = np.flatnonzero(end + offset <= target)
        if not reached.size or reached[0] == 0:
            return None
        return self.plant.start + 60000 * int(reached[0])

    def shut_by_power(self, vent: str, t0: int, t1: int) -> bool:
        """Whether a vent that no timer moves was shut for half an hour between ``t0`` and ``t1``.

        Before its purge is done only a lost supply shuts it.
        """
        for k, riser in enumerate(self.plant.risers):
            if riser.vent is not None and riser.vent.id == vent:
                flowed = self.history.riser_totals[:, k, 4]
                low, high = int(self._minute(t0)), int(self._minute(t1))
                still = np.diff(flowed[max(low, 0):high + 1]) <= 0.0
                return riser.vent.kind != "timer" and int(still.sum()) > 30
        raise ValueError(f"there is no vent {vent}")


def truth_of(plant: DrawnPlant, history: History) -> Truth:
    """Return the truth: the fault's onset and latest alarm found in the history."""
    plan = plant.plan
    faults: tuple[Fault, ...] = ()
    if plan is not None:
        began, due = _found(plan, history, plant)
        if began < plant.days * 86400.0:
            faults = (Fault(
                condition=plan.condition, asset=plan.asset, cause=plan.cause, hard=plan.hard,
                onset=_instant(plant, began), by=_instant(plant, due + plan.grace),
                end=None if plan.end is None else _instant(plant, plan.end)),)
    allowed = (*plant.happenings.allowed, *_by_definition(plant, history))
    return Truth(plant=plant, history=history, faults=faults, allowed=tuple(
        # Half a minute early: the collector's clock may have been set by seconds.
        Allowed(condition=a.condition, asset=a.asset, start=_instant(plant, a.start - 30.0),
                end=_instant(plant, a.end)) for a in allowed))


def _by_definition(plant: DrawnPlant, history: History) -> list[Allowed]:
    """Return the times at which a condition is true by its definition, whatever the cause."""
    out: list[Allowed] = []

    def stretches(true: NDArray[np.bool_], spacing: float, before: float, after: float,
                  condition: str, asset: str) -> None:
        at = np.flatnonzero(np.diff(true.astype(np.int8), prepend=0, append=0))
        out.extend(Allowed(condition=condition, asset=asset, start=a * spacing - before,
                           end=b * spacing + after) for a, b in at.reshape(-1, 2).tolist())

    for k, riser in enumerate(plant.risers):
        pressure = history.riser_totals[:, k, 8]
        stretches(pressure < riser.low + 0.5, 60.0, 60.0, 1800.0, "pressure-low", riser.id)
        stretches(pressure < riser.low + 0.5, 60.0, 60.0, 1800.0, "low-air-contact", riser.id)
        stretches(pressure > riser.high - 0.5, 60.0, 60.0, 1800.0, "pressure-high", riser.id)
    day = 86400 // history.grid
    for k, unit in enumerate(plant.generators):
        air = history.generators[:, k, 2] > 0.5
        fallbacks = np.cumsum(np.diff(air.astype(np.int8), prepend=air[:1].astype(np.int8)) > 0)
        past = np.concatenate([np.zeros(min(day, air.size), dtype=fallbacks.dtype),
                               fallbacks[:-day]])[:air.size]
        stretches(fallbacks - past > 3, history.grid, 60.0, 3600.0, "air-fill-frequent", unit.id)
    return out


def _instant(plant: DrawnPlant, seconds: float) -> int:
    return plant.start + round(seconds * 1000.0)


def _first(true: NDArray[np.bool_], spacing: float, start: float) -> float | None:
    """Return the first instant (s) from ``start`` at which ``true`` holds."""
    skip = int(start / spacing)
    at = np.flatnonzero(true[skip:])
    return float((skip + int(at[0])) * spacing) if at.size else None


def _found(plan: FaultPlan, history: History, plant: DrawnPlant) -> tuple[float, float]:
    """Return when a fault's effect began, and from when its time to be raised counts (s)."""
    never = plant.days * 86400.0 * 2.0 + 1e6
    minutes, k = 60.0, plan.where
    if plan.rule == "at-once":
        return plan.onset, plan.onset
    if plan.rule in ("pressure-below", "pressure-above"):
        pressure = history.riser_totals[:, k, 8]
        low = plan.rule == "pressure-below"
        limit = plant.risers[k].low if low else plant.risers[k].high
        # Half a psi early: a gauge is off by as much, and a slow fall takes long to pass it.
        began = _first(pressure < limit + 0.5 if low else pressure > limit - 0.5, minutes,
                       plan.onset)
        due = _first(pressure < plan.level if low else pressure > plan.level, minutes, plan.onset)
    elif plan.rule == "tank-below":
        tank = history.generator_totals[:, k, 8]
        unit = plant.generators[k]  # a switch that works has closed there
        closed = unit.cut_in + unit.switch_offset
        began = _first(tank < closed, minutes, plan.onset)
        due = _first(tank < plan.level, minutes, plan.onset)
    elif plan.rule == "hours":
        due = _first(history.generators[:, k, 4] >= plan.level, history.grid, 0.0)
        began = _first(history.generators[:, k, 4] >= plan.level, history.grid, 0.0)
    elif plan.rule in ("end-oxygen-above", "end-oxygen-below"):
        end = history.riser_totals[:, k, 7]
        above = plan.rule == "end-oxygen-above"
        due = _first(end > plan.level if above else end < plan.level, minutes, plan.onset)
        began = plan.onset if due is not None else None
        if plan.condition == "oxygen-not-falling" and due is not None:
            # A purge that reaches its target all the same was none that does not fall.
            vent = plant.risers[k].vent
            until = round((due + plan.grace) / minutes)
            reads = end[int(due / minutes):until] + (0.0 if vent is None else vent.offset)
            if vent is not None and (reads <= vent.target).any():
                return never, never
    else:
        began, due = plan.onset, _counted(plan, history)
    end_of_it = plan.end if plan.end is not None else never
    if began is None or began > end_of_it:
        return never, never
    return began, never if due is None or due > end_of_it else due


def _counted(plan: FaultPlan, history: History) -> float | None:
    """Return the instant after the stated number of runs or fallbacks, or length of a run."""
    column = 2 if plan.rule == "fallbacks" else 1
    state = history.generators[:, plan.where, column] > 0.5
    skip = int(plan.onset / history.grid)
    state = state[skip:]
    edges = np.diff(state.astype(np.int8), prepend=state[0])
    if plan.rule == "run-longer":
        starts = np.flatnonzero(edges == 1)
        starts = np.concatenate([[0], starts]) if state.size and state[0] else starts
        for start in starts.tolist():
            rest = np.flatnonzero(~state[start:])
            length = (int(rest[0]) if rest.size else state.size - start) * history.grid
            if length > plan.level:
                return float((skip + start) * history.grid + plan.level)
        return None
    ends = np.flatnonzero(edges == (-1 if plan.rule == "runs" else 1))
    if plan.rule in ("fallbacks", "starts"):  # so many within a day, or an hour
        day = (86400.0 if plan.rule == "fallbacks" else 3600.0) / history.grid
        full = ends[plan.count - 1:][ends[plan.count - 1:] - ends[:1 - plan.count or None] <= day]
        return float((skip + int(full[0])) * history.grid) if full.size else None
    return float((skip + int(ends[plan.count - 1])) * history.grid) \
        if ends.size >= plan.count else None
