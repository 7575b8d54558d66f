"""Leaks of risers that are above their limit, or that grow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from collector.domain.evaluations import flow_unit
from collector.domain.units import DAY, HOUR, PSI
from collector.physics.estimate import Refusal
from collector.physics.tightness import IN_SERVICE, allowed_psi_per_day
from collector.rules.base import Context, RawEvaluation, Rule, State, Values, number
from collector.rules.leakestimates import build_estimators, days_of
from collector.rules.leakgrowth import grown
from collector.rules.leakrate import DECAY, Figure, leaks_of
from collector.rules.rates import flow_factor

__all__ = ["LeakGrowing", "LeakHigh", "build_estimators"]

_EVERY = 1_800_000
_MINUTES = 1440.0
_STALE = 36 * HOUR


def _limit(context: Context, asset: str, gauge: float) -> float:
    """Return the leak limit (psi a day) of a riser or generator at ``gauge`` psi."""
    given = number(context.settings.for_("leak-high", asset), "limit")
    if given is not None:
        return given * _MINUTES
    ambient = leaks_of(context).ambient
    return allowed_psi_per_day(IN_SERVICE, max(gauge, 1.0) * PSI, ambient * PSI)


class _LeakRule(Rule):
    """A rule that checks the leak estimates every half hour; it takes no samples itself."""

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, inputs=(), needs=())
        self._leaks = leaks_of(context)
        self._ambient = self._leaks.ambient

    @classmethod
    def applies(cls, context: Context, asset: str) -> bool:
        leaks, risers = leaks_of(context), context.plant.risers
        return asset in risers or sum(leaks.feeds(r) == asset for r in risers) > 1

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        leaks = leaks_of(context)
        if asset in context.plant.risers:
            read = context.is_configured(f"{asset}.pressure") or leaks.tank_read(leaks.feeds(asset))
            return "" if read else (
                f"no supervisory pressure at {asset}, and no tank to read its leak from")
        if leaks.tank_read(asset):
            return ""
        configured = context.is_configured(f"{asset}.tank_pressure")
        return f"{'no tank_volume is set for' if configured else 'no tank pressure at'} {asset}"

    def next_evaluation_at(self, now: int) -> int | None:
        return now - now % _EVERY + _EVERY

    def _lost(self, psi: float) -> str:
        return f"{self.words.pressure(psi)} a day"


@dataclass(slots=True, kw_only=True)
class _HighState(State):
    looked_at: int | None = None
    high: bool = False
    since_at: int | None = None
    because: str = ""
    away: bool = False
    psi: float = 0.0
    low: float = 0.0
    upper: float = 0.0
    limit: float = 0.0
    flow: float | None = None
    way: str = ""
    compensated: bool = True
    window: int = 0
    shared: str = ""


class LeakHigh(_LeakRule):
    """The leak, corrected for temperature, is above its limit by more than its uncertainty.

    Raised when the whole 90 % interval lies above the limit, returned when the figure itself has
    come below it by the deadband. A riser of which only a sum with others is known is left to its
    generator, and the other way round.
    """

    condition = "leak-high"
    state: _HighState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._window = int(number(self.settings, "window") or DAY // 2)
        self._deadband = (number(self.settings, "deadband") or 0.0) / 100.0
        self.state = _HighState()

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.looked_at is None or now // _EVERY != s.looked_at // _EVERY:
            s.looked_at = now
            self._look(now)
        if s.away:
            return RawEvaluation.inactive()
        if s.because:
            return RawEvaluation.unknown(s.because)
        if not s.high:
            return RawEvaluation.inactive(s.since_at)
        looked = now if s.looked_at is None else s.looked_at
        return RawEvaluation.active(s.since_at, rests_on=looked - s.window)

    def _look(self, now: int) -> None:
        s = self.state
        found = self._leaks.figure(self.asset, now, self._window)
        if isinstance(found, Refusal) and found.code in ("too-short", "held") and (
                self._window < DAY):
            # Without a temperature, or with little of it seen, a whole day may still do.
            found = self._leaks.figure(self.asset, now, DAY)
        s.away = isinstance(found, Refusal) and found.code in ("shared", "told-apart")
        if isinstance(found, Refusal):
            s.because = found.reason
            s.high = s.high and not s.away
        elif found.psi is None:
            s.because = "the volume of a pipe is not set"
        else:
            s.because = ""
            self._compare(found, now)

    def _compare(self, found: Figure, now: int) -> None:
        s = self.state
        assert found.psi is not None  # noqa: S101 - the caller has looked
        s.psi, s.flow = found.psi.value, found.flow.value if found.flow is not None else None
        s.low, s.upper = found.psi.interval()
        s.limit = _limit(self.context, self.asset, found.level - self._ambient)
        s.way, s.compensated = found.way, found.compensated
        s.window = found.window[1] - found.window[0]
        s.shared = ", ".join(self.words.name(r) for r in found.shared)
        high = s.psi > s.limit * (1 - self._deadband) if s.high else s.low > s.limit
        if high != s.high:
            s.high, s.since_at = high, now

    def describe(self, now: int) -> tuple[Values, str]:
        s = self.state
        values: dict[str, float | int | str | None] = {
            "leak_psi_per_day": round(s.psi, 2), "low_psi_per_day": round(s.low, 2),
            "high_psi_per_day": round(s.upper, 2), "limit_psi_per_day": round(s.limit, 2),
            "seen_in": "pipe" if s.way == DECAY else "tank",
        }
        numbers = f"It loses {self._lost(s.psi)}"
        if s.flow is not None:
            unit = flow_unit(self.context.plant)
            amount = s.flow * flow_factor(self.context.plant)
            values["leak_" + unit.replace("/", "_per_").lower()] = round(amount, 2)
            numbers += f", {amount:.2f} {unit}"
        own = number(self.settings, "limit") is not None
        source = "as set for this site" if own else (
            "NFPA 25's in-service test, 3 psi in 2 h at 40 psi, brought to this pressure"
        )
        numbers += (
            f" (between {self._lost(s.low)} and {self._lost(s.upper)}, nine times in ten); the "
            f"limit is {self._lost(s.limit)}: {source}. {self._how()}"
        )
        first = ("which riser it is: close the supply of each in turn, by the procedure, and watch "
                 "its pressure",) if "," in s.shared else ()
        return values, self.words.message(
            self.about, self.asset, since=s.since_at, numbers=numbers, first=first,
        )

    def _how(self) -> str:
        s = self.state
        over = self.words.duration(s.window)
        if s.way == DECAY and s.compensated:
            return f"Seen in its pressure over {over}, between top-ups, temperature taken out."
        if s.way == DECAY:
            return (f"Seen in its pressure over {over}, between top-ups. No pipe temperature is "
                    "read, hence the wide margin.")
        of = f" It is the sum of {s.shared}." if "," in s.shared else ""
        return (f"Seen over {over} in what the generator had to bring, since the pressure of the "
                f"pipe does not show it.{of} A leak of the tank or of the header counts in.")


@dataclass(slots=True, kw_only=True)
class _GrowingState(State):
    row_at: int | None = None
    present: bool = False
    since_at: int | None = None
    first: float = 0.0
    last: float = 0.0
    step: bool = False
    found_at: int | None = None


class LeakGrowing(_LeakRule):
    """The leak of whole days grows, by a trend or in a jump that stands out from its own scatter.

    Days are compared as the share of the gas that is lost in 24 h, each with its own interval, and
    only days that were seen in the same way.
    """

    condition = "leak-growing"
    state: _GrowingState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._days = days_of(context, asset)
        get = self.settings
        self._share = (number(get, "share") or 0.0) / 100.0
        self._step = (number(get, "step") or 0.0) / 100.0
        self._least = (number(get, "least") or 0.0) / 100.0
        self.state = _GrowingState()

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        rows = self._days.alike()
        if not rows:
            return RawEvaluation.unknown("no day's leak is known yet")
        if s.row_at != rows[-1][0]:
            s.row_at = int(rows[-1][0])
            self._look(rows)
        if now - int(rows[-1][0]) > _STALE:
            return RawEvaluation.unknown("no leak is known of the last day")
        return RawEvaluation.active(s.since_at) if s.present else RawEvaluation.inactive()

    def _look(self, rows: list[list[Any]]) -> None:
        s = self.state
        level = rows[-1][3] / rows[-1][1] if rows[-1][1] else 0.0
        limit = _limit(self.context, self.asset, level - self._ambient)
        found = grown(rows, share=self._share, step=self._step, least=self._least * limit)
        at, last = int(rows[-1][0]), float(rows[-1][3])
        # A day that does not show it again does not undo it; three do, or a leak that shrank.
        lasting = s.present and s.found_at is not None and at - s.found_at <= 3 * DAY + DAY // 8
        grew = last >= s.first + 0.5 * (s.last - s.first)
        s.present = found is not None or (lasting and grew)
        if found is not None:
            s.since_at, s.found_at = s.since_at or found.since, at
            s.first, s.last, s.step = found.first, found.last, found.step
        elif not s.present:
            s.since_at = s.found_at = None

    def describe(self, now: int) -> tuple[Values, str]:
        s = self.state
        growth = s.last - s.first
        values: Values = {
            "from_psi_per_day": round(s.first, 2), "to_psi_per_day": round(s.last, 2),
            "growth_percent": round(100 * growth / s.first, 1) if s.first > 0 else None,
            "kind": "jump" if s.step else "trend",
        }
        much = f", {100 * growth / s.first:.0f} % more" if s.first > 0 else ""
        how = "from one day to the next" if s.step else "day by day"
        numbers = (
            f"The leak has grown {how} from {self._lost(s.first)} to {self._lost(s.last)}{much}, "
            "more than its own ups and downs; temperature is taken out where it is read."
        )
        return values, self.words.message(
            self.about, self.asset, since=s.since_at, numbers=numbers,
        )
