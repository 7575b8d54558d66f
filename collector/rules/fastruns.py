"""Detection of air by the speed of runs: a tank fills faster than nitrogen can be made."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.readings import mode_code
from collector.rules.base import Context, State
from collector.rules.gasbalance import balance_of

_LAST, _KEPT, _KNOWN = 3, 20, 5
_FAST, _USUAL = 2.0, 1.5
"""Multiples of the rate on nitrogen from which a run counts as air, and below which not: without
the separator a compressor brings three to five times as much (common practice)."""
_HIGH = 0.9
_RECENT = 4
_AIR_FILL = mode_code("air-fill")


@dataclass(slots=True, kw_only=True)
class FastState(State):
    """The last runs (stop in ms, psi, s), and the rates (psi/s) of those before them."""

    on: bool | None = None
    start_at: int | None = None
    foot: float = 0.0
    air: bool = False
    """Whether air-fill was read in the run."""
    last_series: list[list[float]] = field(default_factory=list)
    usual_series: list[list[float]] = field(default_factory=list)
    fast: bool = False
    since_at: int | None = None
    rate: float = 0.0
    reference: float = 0.0


class FastRuns:
    """The speed of one generator's runs. Runs in which air-fill was read do not count."""

    def __init__(self, context: Context, asset: str) -> None:
        self._tank = context.inputs.point(f"{asset}.tank_pressure")
        self._running = context.inputs.point(f"{asset}.compressor_running")
        self._balance = balance_of(context, asset)
        self.state = FastState()

    def __repr__(self) -> str:
        return f"FastRuns({len(self.state.usual_series)} usual, fast={self.state.fast})"

    def observe_mode(self, value: float) -> None:
        """Take a sample of the mode."""
        self.state.air = self.state.air or value == _AIR_FILL

    def observe_running(self, at: int, on: bool, before_at: int | None, mode: float | None) -> bool:
        """Apply a sample of the compressor; return whether the result changed."""
        s = self.state
        if on is s.on:
            return False
        unbroken = before_at is not None and at - before_at <= self._running.max_gap()
        edge = at if before_at is None else (at + before_at) // 2
        was, s.on = s.on, on
        value = self._tank.value if self._tank.fresh(at) else None
        if on:
            known = unbroken and was is False and value is not None
            s.start_at, s.foot = (edge if known else None), value or 0.0
            s.air = mode == _AIR_FILL
            return False
        if not unbroken or s.start_at is None or s.air or value is None:
            return False
        rise, seconds = value - s.foot, (edge - s.start_at) / 1000
        return self._evaluate(edge, rise, seconds) if rise > 1.0 and seconds > 0 else False

    def _evaluate(self, stop: int, rise: float, seconds: float) -> bool:
        s = self.state
        s.last_series = [*s.last_series, [stop, rise, seconds]]
        if len(s.last_series) > _LAST:
            old = s.last_series.pop(0)
            if not s.fast:
                s.usual_series = [*s.usual_series[-_KEPT + 1:], [old[0], old[1] / old[2]]]
        if len(s.usual_series) < _KNOWN:
            return False
        usual = sorted(r[1] for r in s.usual_series)
        # By gas too, what is drawn in it: when a purge ends the tank fills faster than it did.
        rows = sorted(r[1] / r[2] for r in self._balance.booked.runs_series[:-_RECENT][-_KEPT:])
        if not s.fast:
            s.reference = max(usual[int(_HIGH * len(usual))], rows[len(rows) // 2] if rows else 0.0)
        s.rate = math.fsum(r[1] for r in s.last_series) / math.fsum(r[2] for r in s.last_series)
        was = s.fast
        s.fast = s.rate >= (_USUAL if was else _FAST) * s.reference
        if s.fast is was:
            return False
        s.since_at = int(s.last_series[0][0]) if s.fast else stop
        return True
