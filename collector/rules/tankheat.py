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

TAUS = (300.0, 480.0, 770.0, 1230.0, 1970.0)
"""Time constants (s) that are tried, each 1.6 times the one before."""

_HEAD = 6
_MEMORY = 0.98
"""Weight of a fall after one more: about fifty falls are remembered."""
_SHARE, _SHARE_DOUBT = 0.05, 0.03
"""Share of a rise that is heat before anything is learned, and its deviation: adiabatic filling of
a bare tank gives 0.4, of which steel takes nearly all within the run (setting)."""
_USUAL = 2
"""Which time constant is likely before anything is learned: a quarter of an hour or so."""
_ENOUGH = 3
_ODD = 16.0
"""How much rougher (as a variance) than the others a fall is that teaches nothing."""


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

    def at(self, t: float) -> float:
        """Return the line ``t`` seconds after the stop."""
        return self.level + self.slope * t


@dataclass(slots=True, kw_only=True)
class Heat(State):
    """The learned settling, and the heat in the tank as each time constant would have it."""

    held: list[float] = field(default_factory=lambda: [0.0] * len(TAUS))
    """psi of rise still warm, at the last stop."""
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
        self.held = [
            h * math.exp(-seconds / tau)
            + rise * tau / seconds * (1 - math.exp(-seconds / tau))
            for h, tau in zip(self.held, TAUS, strict=True)
        ]

    def gained(self, rate: float, first: float, last: float) -> float:
        """Return the heat (psi) that a run of ``rate`` psi/s gained between two instants of it.

        Both are told in seconds before its stop, at which :attr:`held` must stand.
        """
        share, j, _ = self.shape()
        most, tau = rate * TAUS[j], TAUS[j]
        return share * (self.held[j] - most) * (math.exp(last / tau) - math.exp(first / tau))

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

    def shape(self) -> tuple[float, int, float]:
        """Return the share of a rise that is heat, which time constant it has, and its deviation.

        What the falls show is weighed against what is likely; falls that are all steps, because
        risers draw in gulps, show little.
        """
        best = (_SHARE, _USUAL, _SHARE_DOUBT)
        if self.count <= 0:
            return best
        noise = self.rest / self.count + 1e-12
        prior = 1 / _SHARE_DOUBT**2
        least = math.inf
        for j in range(len(TAUS)):
            ee, ey = self.curve[2 * j:2 * j + 2]
            k = max(0.0, (ey / noise + _SHARE * prior) / (ee / noise + prior))
            left = (k * k * ee - 2 * k * ey) / noise + (k - _SHARE) ** 2 * prior + (j - _USUAL) ** 2
            if left < least:
                best, least = (k, j, 1 / math.sqrt(ee / noise + prior)), left
        return best

    def warm_share(self, seconds: float) -> float:
        """Return how much more than the gas alone the pressure rises in a run from cold."""
        share, j, _ = self.shape()
        tau = TAUS[j]
        return share * tau / seconds * (1 - math.exp(-seconds / tau)) if seconds > 0 else 0.0

    def warm_doubt(self, seconds: float) -> float:
        """Return the deviation that the heat leaves in a rate, as a share of it."""
        _, j, doubt = self.shape()
        tau = TAUS[j]
        return doubt * tau / seconds * (1 - math.exp(-seconds / tau)) if seconds > 0 else 0.0

    def roughness(self) -> float:
        """Return how far (psi) falls stray from their line: noise, and the gulps of risers."""
        return math.sqrt(self.rest / self.weight) if self.weight > 0 else 0.0


def fit_fall(sums: list[float], heat: Heat) -> FallFit | None:
    """Return the line of a fall with the settling taken off; ``None`` without two instants."""
    share, j, _ = heat.shape()
    warm = share * heat.held[j]
    n, st, stt, sy, sty, _ = sums[:_HEAD]
    se, ste = sums[_HEAD + 4 * j:_HEAD + 4 * j + 2]
    spread = n * stt - st * st
    if n < 2 or spread <= 0:
        return None
    y, ty = sy - warm * se, sty - warm * ste
    slope = (n * ty - st * y) / spread
    return FallFit((y - slope * st) / n, slope)
