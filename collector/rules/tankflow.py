"""A vent's flow by its generator's tank: the draw now against the draw before."""

from __future__ import annotations

from collector.rules.base import Context
from collector.rules.gasbalance import balance_of
from collector.rules.rates import moles_per_psi

_MISSING = 0.3
"""Share of the vent's flow that may be missing."""


class TankFlow:
    """The flow of one vent (``flow``, mol/s) by its generator's runs.

    It needs tank and risers treated as one vessel, in which what a riser still holds of the last
    refill is no demand; without them it says nothing.
    """

    def __init__(self, context: Context, generator: str | None, flow: float) -> None:
        self._balance = None if generator is None else balance_of(context, generator)
        self._flow = flow

    def __repr__(self) -> str:
        return f"TankFlow({self._balance!r}, {self._flow})"

    def drawn(self, since: int) -> float | None:
        """Return the draw (mol/s) at the last run that ended after ``since`` (ms)."""
        balance = self._balance
        if balance is None or not balance.whole or not balance.volume:
            return None
        rows = balance.booked.runs_series
        if not rows or rows[-1][0] <= since:
            return None
        return rows[-1][3] * moles_per_psi(balance.volume, balance.state.celsius)

    def flows(self, since: int, shown: float | None) -> bool:
        """Whether the draw since then is as large as ``shown`` (mol/s), when the vent flowed."""
        now = self.drawn(since)
        return now is not None and shown is not None and now >= shown - _MISSING * self._flow
