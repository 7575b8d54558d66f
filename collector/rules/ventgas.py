"""Whether a vent's sensor reads the pipe's gas or room air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.readings import mode_code
from collector.domain.units import HOUR, MINUTE
from collector.rules.base import Band, Context, State, contact_band, number

AIR_FILL = mode_code("air-fill")
"""The mode's value in air-fill."""

_COMMON_TARGET = 2.0  # %, 98 % nitrogen by common practice
_SETTLE = 15 * MINUTE
"""ms after a vent moved in which its sensor still shows the earlier gas in its chamber."""
_LEAST_SETTLE = 3 * MINUTE
"""ms; the lag of a slow sensor, twice."""
_LONG_SHUT = 2 * HOUR
_TIMES_LONGER = 2
"""Times as long as a chamber was seen to keep room air out that it is trusted to: 0.3 % that went
unnoticed meanwhile can be 0.6 % by then, which is short of any line that is drawn."""
_ROOM_AIR = 0.3
"""% by which a reading falls on opening when the chamber had held room air: three steps of 0.1."""
_COMMON_BAND = 1.0  # %; controllers let 0.2 to 0.8 % come back by common practice, and noise
_WIDEST_BAND = 2.0  # %; what opens later opens for another reason
_CLOCK, _CLOCK_SHARE = 90_000, 0.02
"""Difference of two pauses (ms, or share of one) that polls make; oxygen comes back less evenly."""
_STEPS = 0.2  # %, two steps of a common sensor
_LOWEST, _HIGHEST = -0.5, 25.0
_HELD = Band(_LOWEST, _HIGHEST, counted=True)


def target_of(context: Context, vent: str) -> float:
    """Return the oxygen (%) at which this vent's purge is done.

    A target set for ``oxygen-not-falling`` holds for every condition and quantity of the vent.
    """
    given = number(context.settings.for_("oxygen-not-falling", vent), "target")
    own = context.plant.vents[vent].target_oxygen
    return given if given is not None else own if own is not None else _COMMON_TARGET


def generator_of(context: Context, vent: str) -> str | None:
    """Return the generator that feeds this vent's riser, where the site file says."""
    riser = context.plant.risers.get(context.plant.vents[vent].riser)
    return riser.fed_by if riser is not None else None


def mode_of(context: Context, vent: str) -> str:
    """Return the point of the mode of this vent's generator; empty where it cannot be read."""
    point = f"{generator_of(context, vent)}.mode"
    return point if generator_of(context, vent) and context.is_configured(point) else ""


def declared_fill(context: Context, vent: str, now: int) -> int | None:
    """Return the end of a declared fill of this vent's riser or generator, ``None`` without one."""
    things = (context.plant.vents[vent].riser, generator_of(context, vent))
    ends = [context.inputs.fills[t] for t in things if t is not None and t in context.inputs.fills]
    return max((e for e in ends if now < e), default=None)


@dataclass(slots=True, kw_only=True)
class PipeOxygen(State):
    """Distinguishes samples of the pipe's gas from those of room air at a vent's sensor.

    Some vents let room air into the sensor's chamber while they are shut. Such a reading falls at
    once when the vent opens; it was never the pipe's. ``breathes`` says whether this vent does,
    once learned.
    """

    open: bool | None = None
    moved_at: int | None = None
    settle_ms: int = _SETTLE
    """For how long after that the chamber still holds what it held before."""
    shut_at: int | None = None
    """Since when it is seen to be shut, or was before it opened."""
    sealed_ms: int = 0
    """Longest time shut after which an opening showed that no room air had come in."""
    shut: float | None = None
    """The last reading before the vent opened."""
    flushing: float | None = None
    """The last reading since it opened, until it shows whether the chamber held room air."""
    opened: float | None = None
    """Highest oxygen (%) at which it was seen to open above its target, other than by the clock."""
    pause_ms: int = 0
    """How long it was shut before it opened last."""
    breathes: bool | None = None

    def position(self, at: int, value: float, target: float | None = None) -> bool:
        """Apply a reading of the vent's position; return whether it moved."""
        is_open = value >= 0.5
        if is_open is self.open:
            return False
        before = self.moved_at or at
        if self.open is not None:
            # Of room air little comes into a chamber that was shut for less than an hour or two.
            shut = at - self.moved_at if self.moved_at is not None and is_open else _LONG_SHUT
            self.settle_ms = max(_LEAST_SETTLE, _SETTLE * min(shut, _LONG_SHUT) // _LONG_SHUT)
            self.moved_at = at
        if not is_open:
            if self.moved_at is not None and at - before >= _LEAST_SETTLE:
                self._flushed(before)
            self.shut, self.shut_at = None, at
        elif target is not None:
            self._opens(at, target)
        self.open, self.flushing = is_open, None
        return True

    def band(self, target: float) -> float:
        """Return how far (%) above the target this vent's controller lets the oxygen rise.

        As learned from its openings; else as common controllers do.
        """
        return _COMMON_BAND if self.opened is None else self.opened - target + _STEPS

    def _opens(self, at: int, target: float) -> None:
        """Learn the oxygen at which the vent opens by itself; a timer opens after equal pauses."""
        pause = 0 if self.shut_at is None else at - self.shut_at
        before, self.pause_ms = self.pause_ms, pause
        if abs(pause - before) <= max(_CLOCK, _CLOCK_SHARE * pause):
            return
        if self.shut is not None and target < self.shut <= target + _WIDEST_BAND:
            self.opened = max(self.shut, self.opened or 0.0)

    def no_change_band(self) -> Band | None:
        return contact_band(self.open)

    def held_band(self, at: int) -> tuple[Band, bool] | None:
        """Return the oxygen that may be taken later, all at once, and whether it is the pipe's.

        ``None`` while the vent moved lately, or before the first reading after it opened.
        """
        if self.settling(at) or (self.open and self.shut is not None):
            return None
        return _HELD, self.open is not False or not self.breathes

    def of_pipe_many(self, values: Sequence[float]) -> None:
        """Apply readings within the band of :meth:`held_band`."""
        if self.open is False:
            self.shut = values[-1]

    def settling(self, at: int) -> bool:
        """Whether the vent moved so recently that the chamber still holds the earlier gas."""
        return self.moved_at is not None and at - self.moved_at < self.settle_ms

    def of_pipe(self, at: int, value: float) -> bool:
        """Apply a reading of oxygen; return whether it is of the pipe's gas."""
        if not _LOWEST <= value <= _HIGHEST:
            return False
        if self.open is None:
            return True
        if not self.open:
            self.shut = value
            return not self.breathes and not self.settling(at)
        if self.shut is not None:
            self.flushing = value
        if self.settling(at):
            return False
        self._flushed(self.moved_at or at)
        return True

    def _flushed(self, opened_at: int) -> None:
        """Compare what the chamber held when it was shut with what the opening brought."""
        if self.shut is None or self.flushing is None:
            return
        if self.shut - self.flushing > _ROOM_AIR:
            self.breathes = True
        else:
            self.breathes = bool(self.breathes)
            if self.shut_at is not None:
                self.sealed_ms = max(self.sealed_ms, opened_at - self.shut_at)
        self.shut = self.flushing = None

    def sealed(self, at: int) -> bool:
        """Whether the chamber, shut for as long as now, is known to hold the pipe's gas alone."""
        return self.breathes is False and self.shut_at is not None \
            and at - self.shut_at <= _TIMES_LONGER * self.sealed_ms
