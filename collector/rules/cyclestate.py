"""What is kept of a compressor's cycle under way."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.rules.base import State
from collector.rules.tankheat import Heat
from collector.rules.vessel import ROOM

__all__ = ["CycleState", "Fall", "Run"]


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
    slope: float = 0.0
    unseen: int = 0
    """ms between the samples about its start and about its stop."""
    told: bool = False
    """Whether its time was told of already, so that it is too late to mend it."""
    inner_series: list[list[float]] = field(default_factory=list)
    """Its first and its last sample of tank and risers together: instant, psi of the tank."""


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
    """Variance (ms2) of ``on_ms``: where between two polls the compressor started and stopped."""
    gain: float = 0.0
    spoiled: dict[str, int] = field(default_factory=dict)
    celsius: float = ROOM
    warmths: int = 0
