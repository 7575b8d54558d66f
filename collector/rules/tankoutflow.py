"""What leaves a generator's tank and pipes over a window, by the runs that made up for it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from collector.physics.estimate import Estimate, Refusal
from collector.rules.base import Context
from collector.rules.gasbalance import balance_of
from collector.rules.rates import moles_per_psi

__all__ = ["outflow_of"]

_SHARED = 0.03
"""Share of the outflow that heat in the tank and its own temperature leave in doubt."""


def outflow_of(
    context: Context, generator: str, start: int, end: int, disturbed: Sequence[Sequence[int]],
) -> Estimate | Refusal:
    """Return the mean outflow, mol/s, of runs about which nothing was ``disturbed`` (ms).

    A run's own falls tell it where the risers are booked with the tank; else what each brought
    over the time from the run before.
    """
    balance, name = balance_of(context, generator), context.words.name(generator)
    rows = balance.booked.runs_series
    pairs = [(a, b) for a, b in zip(rows, rows[1:], strict=False) if start < b[0] <= end]
    clear = [(a, b) for a, b in pairs
             if not any(a[0] < begin + lasted and begin < b[0] for begin, lasted in disturbed)]
    if len(clear) < 2 or not balance.volume:
        return Refusal(code="too-short", reason=f"the tank of {name} was not seen falling for long "
                       "enough")
    spans = [(b[0] - a[0]) / 1000.0 for a, b in clear]
    rates = [b[3] if balance.whole else b[1] / t for (_, b), t in zip(clear, spans, strict=True)]
    total, k = math.fsum(spans), len(clear)
    mean = math.fsum(t * r for t, r in zip(spans, rates, strict=True)) / total
    among = math.fsum((t * (r - mean)) ** 2 for t, r in zip(spans, rates, strict=True)) / total**2
    found = Estimate(value=mean, deviation=math.sqrt(among * k / (k - 1)), freedom=k - 1.0)
    return found.plus(Estimate(value=0.0, deviation=_SHARED * abs(mean))).scaled(
        moles_per_psi(balance.volume, balance.state.celsius))
