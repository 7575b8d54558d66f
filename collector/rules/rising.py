"""Oxygen rising again after the target was reached."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.units import HOUR, MINUTE
from collector.rules.base import Band, Context, RawEvaluation, Rule, State, Values, number
from collector.rules.ventgas import (
    AIR_FILL,
    PipeOxygen,
    declared_fill,
    generator_of,
    mode_of,
    target_of,
)

_PARTS = 6
_LEAST_SAMPLES = 3
_RISE = 0.5  # %, several steps of a 0.1 % sensor
_FACTOR = 2.0
"""Standard errors by which the mean of every part must clear the line: one part by chance in 44
(normal), all six of them never."""

_OPENS_WITHIN = 25 * HOUR
"""A vent that works by a timer opens once a day at least (common practice)."""
_BY_LEAKS = 0.5
"""% per hour that a shut pipe can gain: a leak at the limit in service (3 psi in 2 h at 40 psi,
NFPA 25), made up for with air and not with nitrogen, is 2.7 % of the gas an hour."""


@dataclass(slots=True, kw_only=True)
class _RisingState(State):
    pipe: PipeOxygen = field(default_factory=PipeOxygen)
    mode: float | None = None
    reached_at: int | None = None
    lowest: float | None = None
    """Lowest mean of a part since the target was reached."""
    part_at: int | None = None
    count: int = 0
    total: float = 0.0
    squares: float = 0.0
    part_series: list[list[float]] = field(default_factory=list)
    """Last parts: end, mean, standard error, ms of air-fill."""
    air_ms: int = 0
    room: bool = False
    """Whether the shut vent's sensor seems to show room air, until the vent opens."""
    high: bool = False
    since_at: int | None = None


class OxygenRising(Rule):
    """After the target was reached, the oxygen stays significantly above it.

    The readings that are of the pipe's gas are averaged over six equal parts of the window. It is
    rising when every part clears the line (target and ``rise``, or the band in which the vent's own
    controller works) by two standard errors and the last is not below the first: a vent that is
    already purging the rise away is doing its work. Readings taken while a chamber still holds room
    air are left out, a declared fill clears all of it.
    """

    condition = "oxygen-rising"
    requires = {"oxygen": "oxygen"}
    state: _RisingState

    def __init__(self, context: Context, asset: str) -> None:
        self._generator = generator_of(context, asset)
        self._oxygen, self._open = f"{asset}.oxygen", f"{asset}.open"
        # A change of mode parts what was read before it from what is read after it.
        self._mode = mode_of(context, asset)
        super().__init__(
            context, asset, needs=[self._oxygen],
            inputs=[self._oxygen, self._open, *([self._mode] if self._mode else [])],
        )
        self.state = _RisingState()
        self._last = context.inputs.point(self._oxygen)
        self._target = target_of(context, asset)
        self._rise = number(self.settings, "rise")
        self._deadband = number(self.settings, "deadband") or 0.0
        self._part = max(int((number(self.settings, "window") or HOUR) / _PARTS), MINUTE)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s = self.state
        if point == self._open:
            if not s.pipe.position(at, value, self._target):
                return False
            if s.pipe.breathes is None:
                self._drop_part()  # what is not known yet may be room air
            was, s.room = s.room, False
            return was
        if point == self._mode:
            s.mode = value
            return False
        if declared_fill(self.context, self.asset, at) is not None:
            return self._forget()
        if not s.pipe.of_pipe(at, value) or s.room:
            return False
        if before_at is not None and at - before_at <= self.gap(point) and self._generator \
                and self.context.inputs.mode(self._generator, at) == "air-fill":
            s.air_ms += at - before_at
        if s.part_at is None or (before_at is not None and at - before_at > self._part):
            self._drop_part()
            s.part_at = at
        s.count += 1
        s.total += value
        s.squares += value * value
        if at - s.part_at < self._part or s.count < _LEAST_SAMPLES:
            return False
        return self._close(at)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._mode:
            return None if s.mode is None else Band(s.mode, s.mode)
        if point == self._open:
            return s.pipe.no_change_band()
        if point != self._oxygen or self.context.inputs.fills or s.mode == AIR_FILL:
            return None
        found = s.pipe.held_band(self._last.at or 0)
        if found is None:
            return None
        band, trusted = found
        if not trusted or s.room:
            return band
        if s.part_at is None:
            return None
        return Band(band.low, band.high, s.part_at + self._part, counted=True)

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        s = self.state
        found = s.pipe.held_band(times[0])
        s.pipe.of_pipe_many(values)
        if found is None or not found[1] or s.room:
            return
        total, squares = s.total, s.squares
        for value in values:
            total += value
            squares += value * value
        s.total, s.squares = total, squares
        s.count += len(values)

    def _drop_part(self) -> None:
        s = self.state
        s.part_at, s.count, s.total, s.squares = None, 0, 0.0, 0.0

    def _forget(self) -> bool:
        """Clear the state: a fill brings air on purpose, and the target has to be reached again."""
        s = self.state
        changed = s.high or s.reached_at is not None
        self.state = _RisingState(pipe=s.pipe, mode=s.mode)
        return changed

    def _close(self, at: int) -> bool:
        s = self.state
        mean = s.total / s.count
        spread = max(s.squares / s.count - mean * mean, 0.0) * s.count / (s.count - 1)
        # Rounding to steps of 0.1 hides a spread below it; a twelfth of a step squared is its own.
        error = math.sqrt((spread + 0.1 * 0.1 / 12) / s.count)
        row = [at, mean, error, s.air_ms]
        self._drop_part()
        s.part_at, s.air_ms = at, 0
        if s.reached_at is None:
            if mean > self._target:
                return False
            s.reached_at = at
        if self._too_fast(row):
            s.room = True
            return True
        s.lowest = mean if s.lowest is None else min(s.lowest, mean)
        s.part_series = [*s.part_series, row][-_PARTS:]
        return self._compare(at)

    def _too_fast(self, row: list[float]) -> bool:
        """Whether the rise at a shut vent exceeds what leaks let in: then it is room air."""
        s = self.state
        if s.pipe.open is not False or s.pipe.sealed(int(row[0])) or not s.part_series:
            return False
        before = s.part_series[-1]
        hours = (row[0] - before[0]) / HOUR
        return row[3] == 0 and row[1] - before[1] > (
            _BY_LEAKS * hours + _FACTOR * math.hypot(row[2], before[2]))

    def line(self) -> float:
        """Return the oxygen (%) above which it is rising: set, or above the vent's own band."""
        pipe = self.state.pipe
        if self._rise is not None:
            return self._target + self._rise
        known = pipe.opened is not None or pipe.open is False
        return self._target + max(_RISE, pipe.band(self._target) if known else 0.0)

    def _compare(self, at: int) -> bool:
        s = self.state
        rows, line = s.part_series, self.line()
        if s.high:
            if rows[-1][1] > line - self._deadband:
                return False
            s.high, s.since_at = False, at
            return True
        if len(rows) < _PARTS or any(r[1] - _FACTOR * r[2] <= line for r in rows):
            return False
        if rows[-1][1] < rows[0][1] - _FACTOR * math.hypot(rows[0][2], rows[-1][2]):
            return False
        if s.pipe.open is False and not s.pipe.sealed(at) and not any(r[3] for r in rows) \
                and at - (s.pipe.shut_at or 0) < _OPENS_WITHIN:
            return False  # an opening will show whether the chamber let room air in
        s.high, s.since_at = True, int(rows[0][0]) - self._part
        return True

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.room:
            return RawEvaluation.unknown(
                "the vent is shut and its oxygen rises faster than what leaks could let in: the "
                "sensor seems to see room air until the vent opens"
            )
        if s.reached_at is None:
            return RawEvaluation.inactive()
        if s.high:
            # The window is delay enough: what it shows has held for all of it.
            return RawEvaluation.active(s.since_at)
        return RawEvaluation.inactive(s.since_at)

    def describe(self, now: int) -> tuple[Values, str]:
        s, words = self.state, self.words
        mean = s.part_series[-1][1] if s.part_series else self._target
        values: dict[str, float | int | str | None] = {
            "oxygen_percent": round(mean, 2), "target_percent": round(self._target, 2),
            "limit_percent": round(self.line(), 2),
        }
        numbers = (
            f"Oxygen at the vent is {words.percent(mean)}; the target of "
            f"{words.percent(self._target)} had been reached"
        )
        if s.lowest is not None:
            values["lowest_percent"] = round(s.lowest, 2)
            numbers += f", and it had been as low as {words.percent(s.lowest)}"
        numbers += f". It is called rising above {words.percent(self.line())}."
        first = []
        air = sum(r[3] for r in s.part_series) + s.air_ms
        if air > 0:
            values["air_fill_hours"] = round(air / HOUR, 2)
            first.append(
                f"the generator's air-fill: it lasted {words.duration(int(air))} of the time "
                "looked at, and the pipe got air"
            )
        if s.pipe.open is False and not s.pipe.sealed(now):
            numbers += (" The vent is shut and has not been seen to open: its sensor may see "
                        "room air.")
            first.append("open the vent for a quarter of an hour and read again")
        return values, words.message(
            self.about, self.asset, since=s.since_at, numbers=numbers, first=first,
        )
