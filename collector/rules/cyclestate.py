"""What is kept of a compressor's cycle under way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from collector.rules.base import State
from collector.rules.tankheat import TAUS, Heat
from collector.rules.vessel import ROOM

__all__ = ["CycleState", "Fall", "Run", "Weighed"]


@dataclass(slots=True, kw_only=True)
class Fall(State):
    """The tank while the compressor stands."""

    stop_at: int = 0
    clean: bool = False
    whole: bool = False
    """Whether the risers are booked with the tank."""
    origin: float = 0.0
    blocks: list[list[float]] = field(default_factory=list)
    flat: bool = True


@dataclass(slots=True, kw_only=True)
class Run(State):
    """A run that ended, waiting for the fall after it; and what the fall before it led to."""

    start_at: int = 0
    stop_at: int = 0
    clean: bool = False
    whole: bool = False
    level: float = 0.0
    doubt: float = 0.0
    """Deviation (psi) of the level."""
    slope: float = 0.0
    unseen: int = 0
    """ms between the samples about its start and about its stop."""
    on_ms: int = 0
    """What was counted of its time."""
    told: bool = False
    """Whether all of it was told of already, by the gas it brought or by its time alone."""
    told_gas: float = 0.0
    """What was told of it at the end of a window, while it was not weighed yet: psi, and of how
    many ms."""
    told_ms: int = 0
    inner_series: list[list[float]] = field(default_factory=list)
    """Its first and its last sample of tank and risers together: instant, psi of the tank."""


@dataclass(slots=True, kw_only=True)
class Weighed(State):
    """The runs of a window whose gas was told by the falls about them, however long they took."""

    gas: float = 0.0
    """psi of the tank."""
    variance: float = 0.0
    ms: int = 0
    """Of ``on_ms``, what these runs are."""

    def add(self, gas: float, variance: float, ms: int) -> None:
        """Take a run, or what was not told of it before."""
        self.gas += gas
        self.variance += variance
        self.ms += ms


@dataclass(slots=True, kw_only=True)
class CycleState(State):
    """The state of :class:`collector.rules.cycles.Cycles`."""

    on: bool | None = None
    clean: bool = False
    """Whether everything since the last edge was seen and in nitrogen mode."""
    next_at: int = 0
    waits_at: int | None = None
    """A sample of the tank that waits for the risers of the same poll."""
    fall: Fall = field(default_factory=Fall)
    run: Run = field(default_factory=Run)
    foot: float | None = None
    heat: Heat = field(default_factory=Heat)
    runs_series: list[list[float]] = field(default_factory=list)
    marked_at: int | None = None
    begin: float | None = None
    last: float | None = None
    seen_ms: int = 0
    on_ms: int = 0
    blunt: float = 0.0
    """Variance (ms2) of what ``on_ms`` is beside ``weighed.ms``: where between two polls the
    compressor started and stopped."""
    weighed: Weighed = field(default_factory=Weighed)
    gain: float = 0.0
    spoiled: dict[str, int] = field(default_factory=dict)
    celsius: float = ROOM
    warmths: int = 0

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state; what was learned with other time constants is learned anew."""
        heat = state.get("heat")
        if isinstance(heat, Mapping) and len(heat.get("held", ())) != len(TAUS):
            state = {k: v for k, v in state.items() if k not in ("heat", "fall", "run")}
        State.restore(self, state)
