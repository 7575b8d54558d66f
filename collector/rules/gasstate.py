"""The saved state of a generator's gas balance."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from collector.physics.rungain import TAUS
from collector.rules.base import State
from collector.rules.runaccount import Run, RunAccount
from collector.rules.vessel import ROOM

__all__ = ["TANK", "WHOLE", "BalanceState", "Passed", "Rest", "Run", "RunAccount"]


WHOLE, TANK = 1, 2
"""Where a reading has the pressure of tank and risers, and of the tank."""


@dataclass(slots=True, kw_only=True)
class Rest(State):
    """The tank while the compressor is stopped.

    Blocks have number, count, sums of s since the stop, of the whole, of the tank, and of the open
    time of each vent.
    """

    stop_at: int = 0
    clean: bool = False
    whole: bool = False
    """Whether the risers are included."""
    heat: list[float] = field(default_factory=lambda: [0.0] * len(TAUS))
    """Heat at the stop, as a share of that of an endless run."""
    blocks: list[list[float]] = field(default_factory=list)
    flat: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """Totals of a generator since the last call: times in ms, gas in psi of the tank."""

    seen: int
    on: int
    blunt: float
    """Variance (ms2) of ``on``, since starts and stops lie between two polls."""
    gain: float
    """Gas gained by the tank, without the effect of heat."""


@dataclass(slots=True, kw_only=True)
class BalanceState(State):
    """The state of :class:`collector.rules.gasbalance.GasBalance`."""

    on: bool | None = None
    edge_at: int = 0
    heat: list[float] = field(default_factory=lambda: [0.0] * len(TAUS))
    next_at: int = 0
    gap: int = 0
    """ms between the two samples about the last start or stop."""
    waits_at: int | None = None
    """A sample of the tank that waits for the next readings of the risers."""
    waiting_series: list[list[float]] = field(default_factory=list)
    """The readings of the risers before it: instant (ms) and value."""
    before: list[list[float]] = field(default_factory=list)
    """The blocks before the run: s from its start, whole, tank, count, columns."""
    before_whole: bool = False
    rest: Rest = field(default_factory=Rest)
    run: Run = field(default_factory=Run)
    seen: list[float] = field(default_factory=list)
    steps: list[float] = field(default_factory=list)
    """What the risers' gauges read last, and the smallest changes they showed (psi)."""
    vents: dict[str, dict[str, Any]] = field(default_factory=dict)
    """Of each vent: open, since_at, and s it was open before."""
    whole: RunAccount = field(default_factory=RunAccount)
    """By tank and risers."""
    alone: RunAccount = field(default_factory=RunAccount)
    """By the tank alone."""
    by_tank: bool = False
    last: float | None = None
    foot: float = 0.0
    begin: float | None = None
    marked_at: int | None = None
    seen_ms: int = 0
    on_ms: int = 0
    blunt: float = 0.0
    gain: float = 0.0
    spoiled: dict[str, int] = field(default_factory=dict)
    celsius: float = ROOM
    warmths: int = 0

    def restore(self, state: Mapping[str, Any]) -> None:
        """Restore a dumped state; one of other vents, risers or layout is dropped."""
        alone = state.get("alone")
        if isinstance(alone, Mapping) and len(alone.get("right", ())) == len(self.alone.right) \
                and set(state.get("vents", ())) == set(self.vents) \
                and len(state.get("steps", ())) == len(self.steps):
            State.restore(self, state)
