"""How a tank's pressure settles after a run, learned from the falls themselves.

A compressor warms what it pumps. When it stops, the pressure falls a little though no gas is lost,
over minutes to an hour: the tank, its wall and the room come to one temperature. To first order
the excess follows the gas that was pumped and dies away with one time constant,

    p(t) = a + b t + k h exp(-t / tau),    h' = (rate of rise) - h / tau,

so that ``a + b t`` is what the gas alone would show. ``k`` and ``tau`` belong to the tank and its
room: they are learned from all falls together, since a single one says little about them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.rules.base import State

__all__ = ["TAUS", "FallFit", "Heat", "add_sample", "empty_sums", "fit_fall"]

TAUS = (300.0, 380.0, 480.0, 610.0, 770.0, 975.0, 1230.0, 1560.0, 1970.0)
"""Time constants (s) that are tried, each about 1.26 times the one before."""

_HEAD = 6
_MEMORY = 0.98
"""Weight of a fall after one more: about fifty falls are remembered."""
_SHARE, _SHARE_DOUBT = 0.05, 0.03
"""Share of a rise that is heat before anything is learned, and its deviation: adiabatic filling of
a bare tank gives 0.4, of which steel takes nearly all within the run (setting)."""
_USUAL, _USUAL_DOUBT = 4, 2.0
"""Which time constant is likely before anything is learned, a quarter of an hour or so, and how
many places of :data:`TAUS` that may be off."""
_ENOUGH = 3
_UNLIKELY = 1e-6
_ODD = 16.0
"""How much rougher (as a variance) than the others a fall is that teaches nothing."""


def _left(tau: float, seconds: float) -> float:
    return tau / seconds * (1 - math.exp(-seconds / tau)) if seconds > 0 else 0.0


def empty_sums() -> list[float]:
    """Return the sums of no samples: n, t, tt, y, ty, yy, then e, te, ee, ey per time constant."""
    return [0.0] * (_HEAD + 4 * len(TAUS))


def add_sample(sums: list[float], t: float, y: float) -> None:
    """Take a pressure ``y`` (psi, from any origin) ``t`` seconds after the stop."""
    sums[0] += 1.0
    sums[1] += t
    sums[2] += t * t
    sums[3] += y
    sums[4] += t * y
    sums[5] += y * y
    i = _HEAD
    for tau in TAUS:
        e = math.exp(-t / tau)
        sums[i] += e
        sums[i + 1] += t * e
        sums[i + 2] += e * e
        sums[i + 3] += e * y
        i += 4


@dataclass(frozen=True, slots=True)
class FallFit:
    """The settled line: its value at the stop (psi) and its slope (psi/s)."""

    level: float
    slope: float
    doubt: float = 0.0
    """Deviation of the level, by how far the samples stray from their line."""

    def at(self, t: float) -> float:
        """Return the line ``t`` seconds after the stop."""
        return self.level + self.slope * t


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One way the heat may be: its share of a rise and its place among the time constants."""

    place: int
    weight: float
    """How likely it is; all of them together are certain."""
    share: float
    doubt: float

    def risen(self, seconds: float) -> float:
        """Return how much of a run's heat is still there at its end."""
        return _left(TAUS[self.place], seconds)


@dataclass(slots=True, kw_only=True)
class Heat(State):
    """The learned settling, and the heat in the tank as each time constant would have it."""

    held: list[float] = field(default_factory=lambda: [0.0] * len(TAUS))
    """psi of rise still warm, at the last stop."""
    kept: list[float] = field(default_factory=lambda: [0.0] * len(TAUS))
    """Of that, what was left of the runs before the last."""
    lasted: float = 0.0
    """s of the last run."""
    curve: list[float] = field(default_factory=lambda: [0.0] * (2 * len(TAUS)))
    rest: float = 0.0
    count: float = 0.0
    """Samples that say something of their own, and (``weight``) all samples."""
    weight: float = 0.0
    falls: int = 0

    def rest_for(self, seconds: float) -> None:
        """Let the tank cool with the compressor off."""
        self.held = [h * math.exp(-seconds / tau) for h, tau in zip(self.held, TAUS, strict=True)]

    def run_for(self, seconds: float, rise: float) -> None:
        """Let a run of so many seconds raise the pressure by ``rise`` psi, evenly."""
        self.kept = [h * math.exp(-seconds / tau) for h, tau in zip(self.held, TAUS, strict=True)]
        self.lasted = seconds
        self.raised(rise)

    def raised(self, rise: float) -> None:
        """Take it that the last run raised the pressure by ``rise`` psi, now that it is known."""
        self.held = [k + rise * _left(tau, self.lasted)
                     for k, tau in zip(self.kept, TAUS, strict=True)]

    def gained(self, rate: float, first: float, last: float) -> float:
        """Return the heat (psi) that a run of ``rate`` psi/s gained between two instants of it.

        Both are told in seconds before its stop, at which :attr:`held` must stand.
        """
        total = 0.0
        for s in self.shapes():
            tau = TAUS[s.place]
            grown = math.exp(last / tau) - math.exp(first / tau)
            total += s.weight * s.share * (self.held[s.place] - rate * tau) * grown
        return total

    def learn(self, sums: list[float], alike: float) -> None:
        """Take the curvature of one fall: what is left of it beside a straight line.

        ``alike`` is how many neighbouring samples say the same thing.
        """
        n, st, stt, sy, sty, syy = sums[:_HEAD]
        spread = stt - st * st / n
        if n < 4 or spread <= 0:
            return
        ty = sty - st * sy / n
        left = max(0.0, syy - sy * sy / n - ty * ty / spread)
        if self.falls >= _ENOUGH and left > _ODD * n * self.rest / self.weight + 1e-9:
            return  # a fall with a kink: something opened or shut in the middle of it
        self.rest = self.rest * _MEMORY + left
        curve = []
        for j, h in enumerate(self.held):
            se, ste, see, sey = sums[_HEAD + 4 * j:_HEAD + 4 * j + 4]
            te = ste - st * se / n
            ee = see - se * se / n - te * te / spread
            ey = sey - se * sy / n - te * ty / spread
            curve += [self.curve[2 * j] * _MEMORY + h * h * max(0.0, ee),
                      self.curve[2 * j + 1] * _MEMORY + h * ey]
        self.curve = curve
        self.count = self.count * _MEMORY + n / alike
        self.weight = self.weight * _MEMORY + n
        self.falls += 1

    @property
    def known(self) -> bool:
        """Whether enough falls were seen to tell settling from loss."""
        return self.falls >= _ENOUGH

    def shapes(self) -> list[Shape]:
        """Return what the heat may be like: every time constant, with how likely it is.

        What the falls show is weighed against what is likely; falls that are all steps, because
        risers draw in gulps, show little. A time constant is never chosen: between two that fit
        alike, the choice would turn with the noise and take the level of every fall with it.
        """
        noise = self.rest / self.count + 1e-12 if self.count > 0 else math.inf
        prior = 1 / _SHARE_DOUBT**2
        found, fits = [], []
        for j in range(len(TAUS)):
            ee, ey = (x / noise for x in self.curve[2 * j:2 * j + 2])
            k = max(0.0, (ey + _SHARE * prior) / (ee + prior))
            found.append((k, 1 / math.sqrt(ee + prior)))
            # The evidence: how well it fits, how near it is to what is usual, how much it had to
            # be told.
            fits.append(k * k * ee - 2 * k * ey + (k - _SHARE) ** 2 * prior
                        + ((j - _USUAL) / _USUAL_DOUBT) ** 2 + math.log((ee + prior) / prior))
        least = min(fits)
        weights = [math.exp(-(f - least) / 2) for f in fits]
        total = math.fsum(weights)
        return [Shape(place=j, weight=w / total, share=k, doubt=d)
                for j, (w, (k, d)) in enumerate(zip(weights, found, strict=True)) if w > _UNLIKELY]

    def warmth(self, seconds: float, risen: float = 0.0) -> float:
        """Return the psi that the tank stands too high, so many seconds after the last edge.

        ``risen`` is what a run under way has raised it by since then.
        """
        return math.fsum(
            s.weight * s.share * (self.held[s.place] * math.exp(-max(seconds, 0.0) / TAUS[s.place])
                                  + risen * s.risen(seconds)) for s in self.shapes())

    def warm_share(self, seconds: float) -> float:
        """Return how much more than the gas alone the pressure rises in a run from cold."""
        return math.fsum(s.weight * s.share * s.risen(seconds) for s in self.shapes())

    def warm_doubt(self, seconds: float) -> float:
        """Return the deviation that the heat leaves in a rate, as a share of it."""
        shapes = self.shapes()
        mean = math.fsum(s.weight * s.share * s.risen(seconds) for s in shapes)
        return math.sqrt(math.fsum(
            s.weight * ((s.share * s.risen(seconds) - mean) ** 2
                        + (s.doubt * s.risen(seconds)) ** 2) for s in shapes))

    def roughness(self) -> float:
        """Return how far (psi) falls stray from their line: noise, and the gulps of risers."""
        return math.sqrt(self.rest / self.weight) if self.weight > 0 else 0.0


def fit_fall(
    sums: list[float], heat: Heat, alike: float = 1.0, at: float = 0.0,
) -> FallFit | None:
    """Return the line of a fall with the settling taken off; ``None`` without two instants.

    ``alike`` is how many neighbouring samples say the same thing; the deviation is that of the
    line ``at`` so many seconds after the stop.
    """
    n, st, stt, sy, sty, _ = sums[:_HEAD]
    spread = n * stt - st * st
    if n < 2 or spread <= 0:
        return None
    y, ty = sy, sty
    for s in heat.shapes():
        warm = s.weight * s.share * heat.held[s.place]
        se, ste = sums[_HEAD + 4 * s.place:_HEAD + 4 * s.place + 2]
        y, ty = y - warm * se, ty - warm * ste
    slope = (n * ty - st * y) / spread
    lever = 1 / n + (at - st / n) ** 2 * n / spread
    return FallFit((y - slope * st) / n, slope, heat.roughness() * math.sqrt(alike * lever))
