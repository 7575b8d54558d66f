"""Compressor duty: share of the day that it runs."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.units import DAY, HOUR, MINUTE
from collector.rules.base import (
    Band,
    Context,
    Level,
    RawEvaluation,
    Rule,
    State,
    Values,
    contact_band,
    number,
)
from collector.rules.running import OnTime, Span

_PART = 600_000
FROZEN = 30 * MINUTE
"""ms without any change, while its compressor runs, after which a device counts as frozen."""


@dataclass(slots=True, kw_only=True)
class _DutyState(State):
    time: OnTime = field(default_factory=OnTime)
    part_series: list[list[int]] = field(default_factory=list)
    """Start of each ten minutes, ms on and ms known in it."""
    on_ms: int = 0
    known_ms: int = 0
    level: Level = field(default_factory=Level)

    def add(self, span: Span) -> None:
        """Take a span that does not begin before any earlier one."""
        start, end, on = span
        while start < end:
            part = start // _PART * _PART
            if not self.part_series or self.part_series[-1][0] < part:
                self.part_series.append([part, 0, 0])
            passed = min(end, part + _PART) - start
            row = self.part_series[-1]
            row[2] += passed
            row[1] += passed if on else 0
            self.known_ms += passed
            self.on_ms += passed if on else 0
            start += passed

    def forget(self, before: int) -> None:
        """Drop what ended by ``before`` (ms)."""
        while self.part_series and self.part_series[0][0] + _PART <= before:
            _, on, known = self.part_series.pop(0)
            self.on_ms -= on
            self.known_ms -= known


class CompressorOverduty(Rule):
    """The compressor runs for too large a share of a rolling day.

    Only time that was seen counts, by a device that is alive: see :class:`OnTime`. With too little
    of it the result is unknown, unless the rest could not change it.
    """

    condition = "compressor-overduty"
    requires = {"compressor_running": "compressor running"}
    state: _DutyState

    def __init__(self, context: Context, asset: str) -> None:
        self._running = f"{asset}.compressor_running"
        super().__init__(context, asset, inputs=[self._running], needs=[self._running])
        self._point = context.inputs.point(self._running)
        self._limit = number(self.settings, "limit") or 0.0
        self._deadband = number(self.settings, "deadband") or 0.0
        self._coverage = (number(self.settings, "coverage") or 0.0) / 100
        self._frozen = int(number(self.settings, "frozen_after") or FROZEN)
        self.state = _DutyState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        for span in s.time.sample(at, value >= 0.5, before_at, self.gap(point))[0]:
            s.add(span)
        return False

    def _seen(self, now: int) -> tuple[int, int]:
        """Return how long (ms) it ran in the last day, and for how long that is known."""
        s = self.state
        for span in s.time.look(self._point, self._frozen):
            s.add(span)
        s.forget(now - DAY)
        on, known = s.on_ms, s.known_ms
        rest = s.time.pending(self._point.at)
        if rest is not None:
            passed = rest[1] - max(rest[0], now - DAY)
            known += passed
            on += passed if rest[2] else 0
        return min(on, DAY), min(known, DAY)

    def evaluate(self, now: int) -> RawEvaluation:
        on, known = self._seen(now)
        least = 100 * on / DAY
        most = 100 * (on + DAY - known) / DAY
        s = self.state
        if known >= self._coverage * DAY and known:
            share = 100 * on / known
        elif least > self._limit:
            share = least
        elif most <= self._limit - self._deadband:
            share = most
        else:
            needed = self.words.duration(round(self._coverage * DAY))
            still = s.time.doubt
            return RawEvaluation.unknown(
                f"less than {needed} of the last 24 h were seen"
                + (", and what comes now never changes" if still else "")
            )
        s.level.compare(now, share, self._limit, self._deadband, above=True)
        return s.level.evaluation()

    def next_evaluation_at(self, now: int) -> int | None:
        return now // _PART * _PART + _PART

    def describe(self, now: int) -> tuple[Values, str]:
        on, known = self._seen(now)
        share = 100 * on / known if known else 0.0
        numbers = (
            f"In the last 24 h the compressor ran for {on / HOUR:.1f} h of the "
            f"{known / HOUR:.1f} h that were seen, a duty of {self.words.percent(share)}; the "
            f"limit is {self.words.percent(self._limit)}."
        )
        if known < 0.98 * DAY:
            numbers += (
                f" {(DAY - known) / HOUR:.1f} h do not count: no readings, or readings that "
                "stood still."
            )
        values: Values = {
            "duty_percent": round(share, 1), "limit_percent": round(self._limit, 1),
            "on_hours": round(on / HOUR, 2), "seen_hours": round(known / HOUR, 2),
        }
        return values, self.words.message(
            self.about, self.asset, since=self.state.level.since_at, numbers=numbers,
        )

    def no_change_band(self, point: str) -> Band | None:
        return contact_band(self.state.time.on)
