"""The books of a window: time seen and run, the tank's gain, and the gas of runs weighed so far.

A window may end at any moment, in the middle of a run or of the fall that would weigh it. What is
told of such a run then is taken off what is told of it once its fall has shown all of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from collector.rules.cyclestate import CycleState, Weighed
from collector.rules.runweight import fall_began, weigh, weigh_so_far
from collector.rules.vessel import Vessel

__all__ = ["EVENLY", "Passed", "close_books", "mark", "take_books", "tell", "warmth"]

EVENLY = 24
"""Two edges, each anywhere in half of what was unseen: 2 (u/2)^2/12."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """What passed at a generator since it was last asked: times in ms, gas in psi of the tank."""

    seen: int
    on: int
    """How long the compressor ran of the time that was seen."""
    blunt: float
    """Deviation of that part of ``on`` whose runs are not ``weighed``."""
    gain: float
    """What the tank gained of gas, the heat in it left out."""
    weighed: Weighed


def mark(s: CycleState, at: int, edge: int) -> None:
    """Count the time since the last mark in the state it had."""
    if s.marked_at is not None:
        passed = max(0, edge - s.marked_at)
        s.seen_ms += passed
        if s.on:
            s.on_ms += passed
            s.run.on_ms += passed
        s.marked_at = max(edge, s.marked_at)
    elif s.on is not None:
        s.marked_at = at


def close_books(s: CycleState) -> None:
    """Take what the tank gained since it was first read, and wait for its next sample."""
    if s.begin is not None and s.last is not None:
        s.gain += s.last - warmth(s) - s.begin
    s.begin = s.last = s.marked_at = None


def warmth(s: CycleState) -> float:
    """Return by how much (psi) heat lifts what was last read of the tank."""
    if s.marked_at is None or s.last is None:
        return 0.0
    if not s.on:
        return s.heat.warmth((s.marked_at - s.fall.stop_at) / 1000)
    risen = 0.0 if s.foot is None else max(0.0, s.last - s.foot)
    return s.heat.warmth((s.marked_at - s.run.start_at) / 1000, risen)


def tell(s: CycleState, gas: float, variance: float) -> None:
    """Put what the last run brought into the window's books, unless its time was told."""
    run = s.run
    if run.told:
        return
    s.weighed.add(gas - run.told_gas, variance, run.on_ms - run.told_ms)
    if not s.on and run.on_ms > run.told_ms:
        s.blunt = max(0.0, s.blunt - run.unseen**2 / EVENLY)
    run.told_gas, run.told_ms = gas, run.on_ms


def _tell_so_far(s: CycleState, vessel: Vessel) -> None:
    """Close the window's books on a run that goes on, or whose fall has just begun."""
    run = s.run
    if s.marked_at is None or s.last is None or run.told:
        run.told = True
        return
    begun = fall_began(s) if s.on is False and s.clean else None
    weight = None if begun is None else weigh(s, begun)
    if weight is not None:
        tell(s, weight.gas, weight.doubt**2)
        return
    standing = vessel.whole(s.last, s.marked_at) if run.whole else s.last
    found = None if standing is None else weigh_so_far(
        s, standing, (s.marked_at - run.start_at) / 1000, warmth(s))
    if found is None:
        run.told = True
        s.blunt += run.unseen**2 / (2 * EVENLY) if s.on else 0.0
    else:
        tell(s, found.gas, found.variance)


def take_books(s: CycleState, vessel: Vessel) -> Passed:
    """Return what passed since the last call, and begin anew."""
    _tell_so_far(s, vessel)
    last, marked, warm = s.last, s.marked_at, warmth(s)
    close_books(s)
    found = Passed(seen=s.seen_ms, on=s.on_ms, gain=s.gain, blunt=math.sqrt(s.blunt),
                   weighed=s.weighed)
    s.blunt, s.weighed = 0.0, Weighed()
    s.seen_ms = s.on_ms = 0
    s.gain = 0.0
    s.begin, s.last, s.marked_at = None if last is None else last - warm, last, marked
    return found
