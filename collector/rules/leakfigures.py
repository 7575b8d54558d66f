"""What a riser or a generator loses, how that was seen, and how well it is known."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from collector.physics.estimate import Estimate, Refusal
from collector.rules.base import Context
from collector.rules.leakdata import Stretch
from collector.rules.leakmeans import averaged, combined, held_flat
from collector.rules.leaktrack import Leaks, RiserTrack, TankTrack, leaks_of

__all__ = ["DECAY", "SUM", "Figure", "Figures"]

DECAY, SUM = "decay", "sum"
"""How a leak was seen: in the pipe's own falls, or in what the generator had to bring."""

_FLOOR = 0.05
"""psi a day: a weather that moves the outside pressure, and a sensor that drifts, do as much."""
_NO_HEAT = 3.0
"""K that two days differ by, where no pipe temperature says so; common practice for a roof void."""
_TANK_HEAT = 1.0
_TANK_DOUBT = 0.03
"""Of a tank's fall, for the heat of the run before that is still in it."""
_GULP_DOUBT = 0.10
"""The same where risers draw in gulps that are not seen."""
_LEAST_SEEN = 2 * 3600.0
_LEAST_TANK = 450.0
_LEAST_BLIND = 16 * 3600.0
"""s of falls wanted without a pipe temperature: the day's swing must be in it whole."""
_RECENT = 6 * 3_600_000
_DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A leak over ``window`` (ms).

    ``psi`` is psi a day at 15 degC, ``flow`` mol/s (``None`` where the volume is not known),
    ``level`` the mean absolute pressure (psi). ``shared`` names the risers whose sum it is.
    """

    psi: Estimate | None
    flow: Estimate | None
    way: str
    window: tuple[int, int]
    level: float
    shared: tuple[str, ...] = ()
    compensated: bool = True


class Figures:
    """The leaks of a site, decided riser by riser."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._leaks: Leaks = leaks_of(context)
        self._at: int | None = None
        self._known: dict[tuple[str, int], Figure | Refusal] = {}

    def __repr__(self) -> str:
        return f"Figures({self._leaks!r})"

    def _remembered(
        self, key: str, now: int, window: int, make: Callable[[], Figure | Refusal],
    ) -> Figure | Refusal:
        """Return what was made of these stretches at this very instant, or make it."""
        if now != self._at:
            self._at, self._known = now, {}
        found = self._known.get((key, window))
        if found is None:
            found = self._known[key, window] = make()
        return found

    def fed_by(self, riser: str) -> str | None:
        """Return the generator of a riser whose tank can be read, or ``None``."""
        generator = self._leaks.feeds(riser)
        return generator if self._leaks.tank_read(generator) else None

    def riser(self, riser: str, now: int, window: int) -> Figure | Refusal:
        """Return a riser's own leak over the last ``window`` ms, or why there is none.

        The code ``shared`` says that only the sum of several risers is known.
        """
        own = self._own(riser, now, window)
        if isinstance(own, Figure) or own.code not in ("held", "no-pressure"):
            return own
        generator = self.fed_by(riser)
        if generator is None:
            return own
        total = self.generator(generator, now, window)
        if isinstance(total, Refusal):
            return Refusal(code=own.code, reason=f"{own.reason}; {total.reason}")
        if total.shared != (riser,):
            called = ", ".join(self._context.words.name(r) for r in total.shared)
            return Refusal(code="shared", reason=(
                f"{own.reason}, as with others: only the sum of {called} is known"
            ))
        return total

    def generator(self, generator: str, now: int, window: int) -> Figure | Refusal:
        """Return what the risers of ``generator`` lose that cannot be told apart, as one sum."""
        return self._remembered(
            generator, now, window, lambda: self._sum_of(generator, now, window),
        )

    def _sum_of(self, generator: str, now: int, window: int) -> Figure | Refusal:
        track = self._leaks.tank(generator)
        whole, window = window, self._since_open(track, now, window)
        drawn = self._drawn(track, now, window)
        if isinstance(drawn, Refusal):
            return drawn
        flow, shared = drawn, []
        for riser in track.risers:
            own = self._own(riser, now, whole)
            if isinstance(own, Figure) and own.flow is not None:
                flow = flow.minus(own.flow)
            elif isinstance(own, Figure) or own.code in ("held", "no-pressure"):
                shared.append(riser)
            else:
                return Refusal(code=own.code, reason=(
                    f"{self._context.words.name(riser)} is not clear: {own.reason}"
                ))
        if not shared:
            return Refusal(code="told-apart", reason="every riser is seen by itself")
        return self._as_riser(flow, tuple(shared), (now - window, now))

    def _since_open(self, track: TankTrack, now: int, window: int) -> int:
        """Return the part of the window since the last riser's device stopped closing."""
        opened = [self._leaks.riser(r).decays.open_since(now) for r in track.risers]
        latest = max((t for t in opened if t is not None), default=now - window)
        return min(window, max(now - latest, int(_LEAST_SEEN * 1000)))

    def _as_riser(
        self, flow: Estimate, shared: tuple[str, ...], window: tuple[int, int],
    ) -> Figure:
        scales = [self._leaks.riser(r).mol_per_psi() for r in shared]
        known = [s for s in scales if s is not None]
        whole = math.fsum(known) if len(known) == len(scales) else 0.0
        levels = [self._level(r) for r in shared]
        return Figure(
            psi=flow.scaled(86_400.0 / whole) if whole else None, flow=flow, way=SUM,
            window=window, level=math.fsum(levels) / len(levels), shared=shared,
        )

    def _level(self, riser: str) -> float:
        track = self._leaks.riser(riser)
        last = track.decays.state.last
        if last is not None:
            return last
        set_to = self._context.plant.risers[riser].supervisory_pressure
        return track.ambient + (0.0 if set_to is None else set_to)

    def _drawn(self, track: TankTrack, now: int, window: int) -> Estimate | Refusal:
        """Return what left the tank (and, as one vessel with it, the pipes), mol/s."""
        scale = track.mol_per_psi()
        found = track.decays.stretches(now - window, now)
        seen = math.fsum(s.span for s in found)
        name = self._context.words.name(track.asset)
        if track.purging(now) and seen < _LEAST_SEEN:
            return Refusal(code="purging", reason=(
                "a purge vent is open: its flow would pass for a leak"
            ))
        if scale is None or seen < _LEAST_TANK or len(found) < 3:
            return Refusal(code="too-short", reason=(
                f"the tank of {name} was not seen falling for long enough"
            ))
        mean = combined(found) if track.whole else averaged(found)
        if mean is None:
            return Refusal(code="too-short", reason=f"the tank of {name} fell too few times")
        level = math.fsum(s.level * s.span for s in found) / seen
        heat = level / 291.0 * _TANK_HEAT / max(1.0, window / _DAY_MS)
        part = _TANK_DOUBT if track.whole else _GULP_DOUBT
        doubt = math.hypot(heat, part * mean.value)
        return _widened(mean, doubt).scaled(scale / 86_400.0)

    def _own(self, riser: str, now: int, window: int) -> Figure | Refusal:
        """Return the leak in a riser's own falls."""
        return self._remembered(riser, now, window, lambda: self._in_falls(riser, now, window))

    def _in_falls(self, riser: str, now: int, window: int) -> Figure | Refusal:
        track = self._leaks.riser(riser)
        point = self._context.inputs.point(track.pressure)
        if point.at is None or now - point.at > window:
            return Refusal(code="no-pressure", reason="no supervisory pressure is read")
        if track.unseen_vent():
            return Refusal(code="vent", reason=(
                "nobody reads whether its vent is open, and a purge would pass for a leak"
            ))
        found = track.decays.stretches(now - window, now)
        seen = math.fsum(s.span for s in found)
        compensated = track.decays.compensated
        if seen < _LEAST_SEEN or (not compensated and seen < _LEAST_BLIND):
            return self._too_little(track, now, seen)
        recent = [s for s in found if s.at > now - _RECENT]
        held = track.decays.open_since(now) is not None or any(
            held_flat(part, compensated=compensated) for part in (found, recent)
            if math.fsum(s.span for s in part) >= 0.5 * _LEAST_SEEN
        )
        if held:
            return Refusal(code="held", reason=(
                "its pressure is held so even that its leak does not show in it"
            ))
        return self._figure(track, found, seen, (now - window, now))

    def _too_little(self, track: RiserTrack, now: int, seen: float) -> Refusal:
        if track.purging(now):
            return Refusal(code="purging", reason=(
                "a purge vent is open: its flow would pass for a leak"
            ))
        if track.decays.compensated or seen < _LEAST_SEEN:
            return Refusal(code="too-short", reason="the pipe was not seen closed for long enough")
        return Refusal(code="too-short", reason=(
            "without a pipe temperature most of a day is needed, and less was seen"
        ))

    def _figure(
        self, track: RiserTrack, found: list[Stretch], seen: float, window: tuple[int, int],
    ) -> Figure:
        mean = combined(found)
        assert mean is not None  # noqa: S101 - there are stretches
        level = math.fsum(s.level * s.span for s in found) / seen
        compensated = track.decays.compensated
        days = (window[1] - window[0]) / _DAY_MS
        heat = 0.0 if compensated else level / 288.0 * _NO_HEAT / max(1.0, days)
        psi = _widened(mean, math.hypot(_FLOOR, heat))
        scale = track.mol_per_psi()
        return Figure(
            psi=psi, flow=None if scale is None else psi.scaled(scale / 86_400.0), way=DECAY,
            window=window, level=level, compensated=compensated,
        )


def _widened(mean: Estimate, by: float) -> Estimate:
    return mean.plus(Estimate(value=0.0, deviation=by)) if by > 0 else mean
