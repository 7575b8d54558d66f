"""From many stretches to one rate with an interval that means what it says.

References
----------
[1] DerSimonian, Laird: Meta-analysis in clinical trials. Controlled Clinical Trials 7 (1986)
    177-188 (the spread between stretches; from memory).
[2] Hartung, Knapp: A refined method for the meta-analysis of controlled clinical trials with
    binary outcome. Statistics in Medicine 20 (2001) 3875-3889 (the interval; from memory).

"""

from __future__ import annotations

import math
from collections.abc import Sequence

from collector.physics.estimate import Estimate
from collector.rules.leakdata import Stretch

__all__ = ["averaged", "combined", "held_flat"]


def averaged(stretches: Sequence[Stretch]) -> Estimate | None:
    """Return the mean rate of stretches, each by its length alone; for gas drawn in gulps.

    A stretch without a gulp fits its line best and says least: there the fit must not count.
    """
    total = math.fsum(s.span for s in stretches)
    if len(stretches) < 3:
        return None
    mean = math.fsum(s.span * s.rate for s in stretches) / total
    spread = math.fsum((s.span * (s.rate - mean)) ** 2 for s in stretches) / total**2
    count = len(stretches)
    return Estimate(
        value=mean, deviation=math.sqrt(spread * count / (count - 1)), freedom=count - 1.0,
    )


def combined(stretches: Sequence[Stretch]) -> Estimate | None:
    """Return the mean rate of stretches, by random effects [1] with the interval of [2].

    What a single line does not know of its own error (a gas that lags its sensor, a rounding that
    stands still) shows as scatter between the lines, and that is what the interval is made of.
    """
    if not stretches:
        return None
    if len(stretches) == 1:
        only = stretches[0]
        return Estimate(value=only.rate, deviation=only.deviation, freedom=4.0)
    rates = [s.rate for s in stretches]
    plain = [1.0 / s.deviation**2 for s in stretches]
    total = math.fsum(plain)
    mean = math.fsum(w * r for w, r in zip(plain, rates, strict=True)) / total
    scatter = math.fsum(w * (r - mean) ** 2 for w, r in zip(plain, rates, strict=True))
    spare = total - math.fsum(w * w for w in plain) / total
    between = max(0.0, (scatter - (len(rates) - 1)) / spare) if spare > 0 else 0.0
    weights = [1.0 / (s.deviation**2 + between) for s in stretches]
    total = math.fsum(weights)
    mean = math.fsum(w * r for w, r in zip(weights, rates, strict=True)) / total
    seen = math.fsum(w * (r - mean) ** 2 for w, r in zip(weights, rates, strict=True))
    variance = seen / (len(rates) - 1) / total
    # Few stretches may agree by chance; they do not know more than their lines do.
    least = 1.0 / total if len(rates) < 6 else 0.25 / total
    return Estimate(
        value=mean, deviation=math.sqrt(max(variance, least)), freedom=float(len(rates) - 1),
    )


def held_flat(stretches: Sequence[Stretch], *, compensated: bool) -> bool:
    """Whether something brings gas while the pipe seems closed: it does not fall, or even gains.

    A closed pipe loses gas in every stretch. A tight pipe looks flat as well; then what the
    generator brings tells the two apart.
    """
    total = math.fsum(s.span for s in stretches)
    if total <= 0:
        return False
    if not compensated:
        mean = math.fsum(s.span * s.rate for s in stretches) / total
        return mean <= 0 or not any(s.topped for s in stretches)
    lost = math.fsum(s.span for s in stretches if s.falls)
    gained = math.fsum(s.span for s in stretches if s.rate < -3.0 * s.deviation)
    return lost < 0.6 * total or gained > 0.1 * total
