"""Deciding as soon as the samples allow: Wald's sequential probability ratio test.

References
----------
[1] Wald: Sequential Analysis. Wiley, New York 1947.
[2] NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.3.2, sequential sampling plans (figures
    from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from collector.physics._checks import finite, positive

__all__ = ["Decision", "Sprt", "bernoulli_step", "normal_step"]


class Decision(Enum):
    """What the samples so far allow."""

    GO_ON = "go-on"
    HEALTHY = "healthy"
    FAULTY = "faulty"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sprt:
    r"""Wald's test between "healthy" and "faulty" [1].

    The log likelihood ratio is summed sample by sample; the test ends below ln B or above ln A:

    .. math:: A = \frac{1-\beta}{\alpha}, \qquad B = \frac{\beta}{1-\alpha}

    Parameters
    ----------
    false_alarm : alpha, probability of calling a healthy plant faulty.
    missed : beta, probability of calling a faulty plant healthy.

    Raises
    ------
    ValueError
        Probabilities not above zero, or together not below 1.

    Examples
    --------
    [1], alpha = 0.05, beta = 0.10: A = 18 and B = 0.105.

    >>> test = Sprt(false_alarm=0.05, missed=0.10)
    >>> round(math.exp(test.upper), 6), round(math.exp(test.lower), 3)
    (18.0, 0.105)
    """

    false_alarm: float
    missed: float

    def __post_init__(self) -> None:
        positive("false_alarm", self.false_alarm)
        positive("missed", self.missed)
        if self.false_alarm + self.missed >= 1:
            raise ValueError(
                f"false_alarm and missed must add to less than 1, given {self.false_alarm!r} "
                f"and {self.missed!r}"
            )

    @property
    def upper(self) -> float:
        """Log likelihood ratio above which it is faulty: ln A."""
        return math.log((1.0 - self.missed) / self.false_alarm)

    @property
    def lower(self) -> float:
        """Log likelihood ratio below which it is healthy: ln B."""
        return math.log(self.missed / (1.0 - self.false_alarm))

    def decide(self, log_ratio: float) -> Decision:
        """Decide on the sum of the steps so far."""
        if log_ratio >= self.upper:
            return Decision.FAULTY
        return Decision.HEALTHY if log_ratio <= self.lower else Decision.GO_ON


def normal_step(value: float, healthy: float, faulty: float, deviation: float) -> float:
    r"""Log likelihood ratio of one normal sample, its deviation known [1].

    .. math:: \frac{\mu_1 - \mu_0}{\sigma^2}\left(x - \frac{\mu_0 + \mu_1}{2}\right)

    Parameters
    ----------
    value : the sample.
    healthy, faulty : means under the two assumptions, same unit.
    deviation : standard deviation of a sample, same unit.

    Raises
    ------
    ValueError
        A deviation that is not above zero, or a value that is not finite.

    Examples
    --------
    A sample half way says nothing; one at the faulty mean, one deviation off, says 1/2.

    >>> normal_step(0.5, 0, 1, 1), normal_step(1, 0, 1, 1)
    (0.0, 0.5)
    """
    finite("value", value)
    positive("deviation", deviation)
    return (faulty - healthy) / deviation**2 * (value - 0.5 * (healthy + faulty))


def bernoulli_step(happened: bool, healthy: float, faulty: float) -> float:
    r"""Log likelihood ratio of one yes-or-no sample [1].

    .. math:: \ln\frac{p_1}{p_0} \text{ when it happened, else } \ln\frac{1-p_1}{1-p_0}

    Parameters
    ----------
    happened : the sample.
    healthy, faulty : probabilities under the two assumptions.

    Raises
    ------
    ValueError
        Probabilities that are not strictly between 0 and 1.

    Examples
    --------
    [2], p0 = 0.01, p1 = 0.10, alpha = 0.05, beta = 0.10: the reject line begins at 1.205 and
    rises 0.0397 a sample (from memory; the exact slope is 0.03975).

    >>> yes, no = bernoulli_step(True, 0.01, 0.10), bernoulli_step(False, 0.01, 0.10)
    >>> test = Sprt(false_alarm=0.05, missed=0.10)
    >>> round(test.upper / (yes - no), 3), round(-no / (yes - no), 4)
    (1.205, 0.0397)
    """
    for name, p in (("healthy", healthy), ("faulty", faulty)):
        if not 0 < p < 1:
            raise ValueError(f"{name} must lie strictly between 0 and 1, given {p!r}")
    return math.log(faulty / healthy) if happened else math.log((1 - faulty) / (1 - healthy))
