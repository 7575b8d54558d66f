"""What a vent's sensor really saw, the pipe's gas or the room's, and what feeds the pipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.readings import MODES
from collector.rules.base import Band, Context, State, contact_band, number

__all__ = ["AIR_FILL", "FeedGas", "PipeOxygen", "declared_fill", "generator_of",
           "mode_of", "target_of"]

AIR_FILL = float(MODES.index("air-fill"))
"""The mode's value in air-fill."""

_HOUR = 3_600_000
_COMMON_TARGET = 2.0  # %, 98 % nitrogen by common practice
_COMMON_FEED = 0.5  # %, where no analyser is read: cleaner than the 98 % it must reach
_SETTLE = 15 * 60_000
"""ms after a vent moved in which its sensor still shows what was in its chamber before."""
_ROOM_AIR = 0.3
"""% by which a reading falls on opening when the chamber had held room air: three steps of 0.1."""
_LOWEST, _HIGHEST = -0.5, 25.0
_HELD = Band(_LOWEST, _HIGHEST, counted=True)
_MEMORY = 3 * _HOUR
_LOOK = 5 * 60_000
"""ms between looks at the analyser: many of them in its memory, few of them to pay for."""


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
    return point if generator_of(context, vent) and context.wired(point) else ""


def declared_fill(context: Context, vent: str, now: int) -> int | None:
    """Return until when a fill of this vent's riser or its generator is declared, if it is on."""
    things = (context.plant.vents[vent].riser, generator_of(context, vent))
    ends = [context.inputs.fills[t] for t in things if t is not None and t in context.inputs.fills]
    return max((e for e in ends if now < e), default=None)


@dataclass(slots=True, kw_only=True)
class FeedGas(State):
    """Oxygen of the gas that feeds a riser: the analyser's, over the last hours of nitrogen.

    Readings in air-fill are left out: what the pipe got then is named by itself.
    """

    percent: float | None = None
    read_at: int | None = None
    next_at: int = 0
    """When to look again."""

    def look(self, context: Context, generator: str | None, now: int) -> None:
        """Look at the analyser where it is time to; cheap enough for every sample."""
        if now < self.next_at:
            return
        self.next_at = now + _LOOK
        point = context.inputs.points.get(f"{generator}.product_oxygen")
        if point is None or point.value is None or point.at is None or point.at == self.read_at:
            return
        if generator is None or context.inputs.mode(generator, now) == "air-fill":
            return
        passed = _MEMORY if self.read_at is None else max(point.at - self.read_at, 0)
        share = 1.0 if self.percent is None else min(passed / _MEMORY, 1.0)
        before = self.percent or 0.0
        self.percent = before + share * (max(point.value, 0.0) - before)
        self.read_at = point.at

    def level(self, context: Context, vent: str, now: int) -> tuple[float, bool]:
        """Return the feed's oxygen (%) and whether it was measured within a day.

        Without an analyser: 0.5 %, and at most half the target and half the product's limit; a
        plant that works makes better gas than its limit allows.
        """
        if self.percent is not None and self.read_at is not None \
                and now - self.read_at <= 24 * _HOUR:
            return self.percent, True
        generator = context.plant.generators.get(generator_of(context, vent) or "")
        limit = generator.product_oxygen_limit if generator is not None else None
        halves = [h / 2 for h in (target_of(context, vent), limit) if h is not None]
        return min(_COMMON_FEED, *halves), False


@dataclass(slots=True, kw_only=True)
class PipeOxygen(State):
    """Tells which samples of a vent's sensor are of the pipe.

    Some vents let room air into the sensor's chamber while they are shut. Such a reading falls at
    once when the vent opens; it was never the pipe's. ``breathes`` is what was learned of it.
    """

    open: bool | None = None
    moved_at: int | None = None
    shut: float | None = None
    """The last reading before the vent opened."""
    breathes: bool | None = None

    def position(self, at: int, value: float) -> bool:
        """Take a reading of the vent's position; return whether it moved."""
        is_open = value >= 0.5
        if is_open is self.open:
            return False
        if self.open is not None:
            self.moved_at = at
        if not is_open:
            self.shut = None
        self.open = is_open
        return True

    def no_change_band(self) -> Band | None:
        """Return the readings of the position that change nothing."""
        return contact_band(self.open)

    def held_band(self, at: int) -> tuple[Band, bool] | None:
        """Return the oxygen that may be taken later, all at once, and whether it is the pipe's.

        ``None`` while the vent moved lately, or before the first reading after it opened.
        """
        if self.settling(at) or (self.open and self.shut is not None):
            return None
        return _HELD, self.open is not False or not self.breathes

    def of_pipe_many(self, values: Sequence[float]) -> None:
        """Take readings within the band of :meth:`holds`."""
        if self.open is False:
            self.shut = values[-1]

    def settling(self, at: int) -> bool:
        """Whether the vent moved so lately that the chamber still holds what it held before."""
        return self.moved_at is not None and at - self.moved_at < _SETTLE

    def of_pipe(self, at: int, value: float) -> bool:
        """Take a reading of oxygen; return whether it is of the pipe's gas."""
        if not _LOWEST <= value <= _HIGHEST:
            return False
        if self.open is None:
            return True
        if not self.open:
            self.shut = value
            return not self.breathes and not self.settling(at)
        if self.settling(at):
            return False
        if self.shut is not None:
            if self.shut - value > _ROOM_AIR:
                self.breathes = True
            elif self.breathes is None:
                self.breathes = False
            self.shut = None
        return True
