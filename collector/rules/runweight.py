"""What one run of the compressor brought, from the falls before and after it."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

from collector.rules.cyclestate import CycleState, Run, Weighed
from collector.rules.tankheat import FallFit, Heat, empty_sums, fit_fall

__all__ = ["ENDS", "RunWeight", "fall_began", "fall_ended", "heard_again", "weigh",
           "weigh_so_far"]

ENDS = 8
"""Blocks of 10 min at each end of a fall that are used: long enough to tell a line from what dies
away within half an hour, short against the day, which warms and cools the room."""
_LEAST = 6
_ALIKE_WHOLE, _ALIKE_TANK = 1.5, 20.0
"""Neighbouring samples that say the same thing; with gulps in the tank, many do."""
_BLUNT = 0.05
"""Share of a run that may be unseen about its edges before its own slope tells its length."""
_SPAN = 0.4
"""Share of a run that its first and last sample must span for that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunWeight:
    """What a run brought (psi of the tank), its deviation, the s it took, psi/s drawn meanwhile."""

    gas: float
    doubt: float
    seconds: float
    drawn: float


def fall_began(state: CycleState) -> FallFit | None:
    """Return the line on which the fall under way began, where it is long enough and clean."""
    fall = state.fall
    early = _merged(fall.blocks[:ENDS])
    if not fall.clean or fall.flat or early[0] < _LEAST:
        return None
    _tell_heat(state, early)
    return fit_fall(early, state.heat, _alike(state))


def heard_again(state: CycleState) -> None:
    """Let the heat learn from a fall that :func:`fall_began` found good, once it is over."""
    fall = state.fall
    if fall.blocks[0][0] == 0.0:
        state.heat.learn(_merged(fall.blocks[:ENDS]), _alike(state))


def fall_ended(state: CycleState, edge: int) -> Run:
    """Return the run that begins at ``edge`` (ms), with the level the fall before it came to."""
    fall, seconds = state.fall, (edge - state.fall.stop_at) / 1000
    ended = fit_fall(_merged(fall.blocks[-ENDS:]), state.heat, _alike(state), seconds)
    if ended is None:
        return Run(start_at=edge)
    return Run(start_at=edge, clean=True, whole=fall.whole, slope=ended.slope, doubt=ended.doubt,
               level=ended.at(seconds) + fall.origin)


def weigh(state: CycleState, begun: FallFit) -> RunWeight | None:
    """Return what the last run brought, by the line on which the fall after it began."""
    run = state.run
    if not run.clean or run.whole is not state.fall.whole or not state.heat.known:
        return None
    seconds = (run.stop_at - run.start_at) / 1000
    drawn = -(begun.slope + run.slope) / 2
    risen = begun.level + state.fall.origin - run.level
    seconds = _length(run, state.heat, risen, seconds, drawn)
    return RunWeight(gas=risen + drawn * seconds, doubt=hypot(begun.doubt, run.doubt),
                     seconds=seconds, drawn=drawn)


def weigh_so_far(state: CycleState, standing: float, seconds: float, warm: float) -> Weighed | None:
    """Return what the last run brought until now, by one sample and the fall before it.

    ``standing`` is the tank's pressure, with the risers where that fall had them, ``seconds`` after
    the run began; ``warm`` psi of it are heat. ``ms`` is left to the caller.
    """
    run = state.run
    if not run.clean or not state.heat.known:
        return None
    gas = standing - warm - run.level - run.slope * seconds
    return Weighed(gas=gas, variance=run.doubt**2 + state.heat.roughness() ** 2)


def _tell_heat(state: CycleState, early: list[float]) -> None:
    """Tell the heat how much the last run brought: its own samples hardly show its two ends."""
    run, begun = state.run, fit_fall(early, state.heat)
    if begun is not None and run.clean and run.whole is state.fall.whole and state.heat.known:
        risen = begun.level + state.fall.origin - run.level
        state.heat.raised(max(0.0, risen) + max(0.0, -run.slope) * state.heat.lasted)


def _length(run: Run, heat: Heat, risen: float, seconds: float, drawn: float) -> float:
    """Return how long a run took, by its own slope where its edges were hardly seen."""
    unseen = run.unseen / 1000
    if len(run.inner_series) < 2 or unseen < _BLUNT * seconds:
        return seconds
    (began_at, low), (ended_at, high) = run.inner_series
    first, last = (run.stop_at - began_at) / 1000, (run.stop_at - ended_at) / 1000
    if first - last < _SPAN * seconds:
        return seconds
    warm = heat.gained(risen / seconds + max(0.0, drawn), first, last)
    rate = (high - low - warm) / (first - last)
    by_slope = risen / rate if rate > 0 else seconds
    return min(max(by_slope, seconds - unseen / 2), seconds + unseen / 2)


def _alike(state: CycleState) -> float:
    return _ALIKE_WHOLE if state.fall.whole else _ALIKE_TANK


def _merged(blocks: list[list[float]]) -> list[float]:
    total = empty_sums()
    for block in blocks:
        total = [a + b for a, b in zip(total, block[1:], strict=True)]
    return total
