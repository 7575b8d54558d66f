"""Gas lost by a pipe between top-ups, while the device that feeds it is shut.

The amount, not the pressure: everything is brought to one temperature first. A rise that neither
the gauge's step nor its scatter explains is a top-up; between two of them lies a piece. A piece
shows the leak only where nothing flows in, and no point says whether the device is shut. So it must
show: the gas falls at one rate through all pieces, and top-ups are larger than the gauge's step.
Else the pipe counts as held, and only the gas balance of its generator shows the leak.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from collector.domain.units import HOUR, MINUTE, ZERO_CELSIUS
from collector.physics.estimate import Estimate, Refusal
from collector.rules.base import State
from collector.rules.gauge import GaugeNoise

BUCKET = MINUTE
"""ms over which samples are averaged before anything else."""
REFERENCE = 288.15
"""K to which pressures are brought."""

_DAY = 86_400.0
_KEEP = 74 * HOUR
_LOOK_BACK, _LOOK_BACK_BLIND = 20, 6
"""Averages in which a slow top-up may have begun before it is noticed, with a temperature read and
without: a roof void in the sun warms by 0.3 psi in twenty minutes, and that is no top-up."""
_CHUNK = 3600.0
_FEWEST = 4
_OLD_HEAT = 600_000
_ROUNDING = 0.29
"""Standard deviation of the rounding, as a share of a step: 1/sqrt(12)."""
_RISE, _RISE_BLIND = 0.2, 0.25
"""psi; least top-up, with a temperature read and without (a roof void warms as fast). A device that
feeds all the time lets the pressure ripple with the tank's, by a tenth."""
_DRAINED = 0.25
"""psi within three averages, more than a leak of five times its limit takes."""
_STEPS = 1.6
_SCATTERS = 6.0
_LEAST_STEPS = 2.5
"""Steps of the gauge that a top-up, or the whole fall, must span."""
_LEAST_SEEN, _LEAST_BLIND = 2 * 3600.0, 16 * 3600.0
"""s of pieces that are wanted; without a temperature the day's swing must be in it whole."""
_SURE = 4.0
"""Deviations that a fall must amount to."""
_UNEVEN = 0.15
"""Share of the time that may fall at less than half of the mean rate."""
_RECENT = 6 * HOUR
_FLOOR = 0.05
"""psi a day: effect of barometric pressure and sensor drift."""
_HEAT, _NO_HEAT = 0.2, 2.5
"""K by which the pipe may differ unseen from day to day, with a sensor and without: deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """A line fitted to one piece: its length (s), loss (psi a day) and the loss's deviation."""

    span: float
    rate: float
    deviation: float


@dataclass(slots=True, kw_only=True)
class _LossState(State):
    gauge: GaugeNoise = field(default_factory=GaugeNoise)
    held: GaugeNoise = field(default_factory=GaugeNoise)
    """Noise of the averages, brought to one temperature."""
    warmth: GaugeNoise = field(default_factory=GaugeNoise)
    bucket_at: int | None = None
    total: float = 0.0
    count: int = 0
    heat: float = 0.0
    heat_count: int = 0
    kelvin: float | None = None
    kelvin_at: int | None = None
    blocked_at: int | None = None
    raw_series: list[list[float]] = field(default_factory=list)
    """The last averages; of three the median is used."""
    pending_series: list[list[float]] = field(default_factory=list)
    rising: bool = False
    top: float = 0.0
    piece: int = 0
    sums_series: list[list[float]] = field(default_factory=list)
    """The part under way: start, span, count, mean s and psi, sums of squares and products, K."""
    rows_series: list[list[float]] = field(default_factory=list)
    """Parts of pieces: end, piece, span, count, s from mean to end, mean psi, sums of squares and
    products, mean K."""
    refills_series: list[list[float]] = field(default_factory=list)
    """Top-ups: instant, rise (psi), gauge psi at which it began."""


class PipeLoss:
    """The gas of one pipe, cut into pieces. ``ambient`` is the atmospheric pressure, psi."""

    def __init__(self, ambient: float) -> None:
        self._ambient = ambient
        self.compensated = False
        self.state = _LossState()

    def __repr__(self) -> str:
        s = self.state
        return f"PipeLoss({len(s.rows_series)} parts, {len(s.refills_series)} top-ups)"

    # -- what comes in ---------------------------------------------------------------------------

    def temperatures(self, at: int, celsius: Sequence[float]) -> None:
        """Apply temperatures of the pipe, the last of them at ``at`` (ms)."""
        s = self.state
        if not self.compensated:
            # What went before was another kind of figure.
            self.cut()
            s.rows_series, s.refills_series, s.raw_series = [], [], []
            self.compensated = True
        s.kelvin_at = at
        for value in celsius:
            s.warmth.learn(value)
            s.heat += value + ZERO_CELSIUS
        s.heat_count += len(celsius)

    def whole_until(self) -> int | None:
        """Return the end (ms) of the average in progress; ``None`` without one."""
        at = self.state.bucket_at
        return None if at is None else at + BUCKET

    def pressures(self, psi: Sequence[float]) -> None:
        """Add pressures to the average in progress."""
        s = self.state
        for value in psi:
            s.gauge.learn(value)
            s.total += value
        s.count += len(psi)

    def pressure(self, at: int, psi: float, before_at: int | None, gap: int) -> bool:
        """Add a gauge pressure; return whether it completed an average."""
        s = self.state
        bucket = at - at % BUCKET
        done = s.bucket_at is not None and bucket != s.bucket_at
        if done:
            self._flush()
        if before_at is None or at - before_at > max(gap, 2 * BUCKET):
            self.cut()
        if s.bucket_at is None:
            s.bucket_at = bucket
        self.pressures((psi,))
        return done

    def block(self, until: int) -> None:
        """Exclude the time until ``until`` (ms): gas flows in or out."""
        s = self.state
        if s.blocked_at is None or until > s.blocked_at:
            s.blocked_at = until

    def cut(self) -> None:
        """End the present piece at its last certain average; drop the pending ones."""
        s = self.state
        self._close()
        s.piece += 1
        s.pending_series, s.raw_series, s.rising = [], [], False

    def _flush(self) -> None:
        s = self.state
        at, mean = s.bucket_at, s.total / s.count
        assert at is not None  # noqa: S101 - the caller has looked
        s.bucket_at, s.total, s.count = None, 0.0, 0
        if s.heat_count:
            s.kelvin, s.heat, s.heat_count = s.heat / s.heat_count, 0.0, 0
        held = mean + self._ambient
        if self.compensated:
            if s.kelvin is None or s.kelvin_at is None or at - s.kelvin_at > _OLD_HEAT:
                self.cut()
                return
            held *= REFERENCE / s.kelvin
        if s.blocked_at is not None and at < s.blocked_at:
            self.cut()
            return
        s.raw_series = [*s.raw_series[-2:], [at, held, mean, s.kelvin or REFERENCE]]
        if len(s.raw_series) == 3:
            level = median(r[1] for r in s.raw_series)
            s.held.learn(level)
            s.top = s.top or level
            self._ingest(int(s.raw_series[1][0]), level, *s.raw_series[1][2:])

    def recent(self, at: int) -> float | None:
        """Return the average that began at ``at`` (ms), where it is one of the last three."""
        return next((row[1] for row in self.state.raw_series if row[0] == at), None)

    def _least_rise(self) -> float:
        s = self.state
        warm = s.top / REFERENCE * s.warmth.step
        return max(_RISE if self.compensated else _RISE_BLIND, _STEPS * (s.gauge.step + warm),
                   _SCATTERS * s.held.scatter)

    def _ingest(self, at: int, held: float, gauge: float, kelvin: float) -> None:
        s, rows = self.state, self.state.pending_series
        if s.rising:
            if held >= s.top:
                s.top, s.pending_series = held, []
                s.refills_series[-1][1] = s.top - s.refills_series[-1][3]
                return
            rows.append([at, held, gauge, kelvin])
            s.rising = len(rows) < 2
            return
        low = min(range(len(rows)), key=lambda i: rows[i][1], default=0)
        if rows and held - rows[low][1] > self._least_rise():
            for row in rows[:low]:  # the median of three blunts the foot itself
                self._add(row)
            foot = rows[low]
            self._close()
            s.piece += 1
            s.rising, s.top, s.pending_series = True, held, []
            s.refills_series.append([at, held - foot[1], foot[2], foot[1]])
            return
        if len(rows) >= 3 and rows[-3][1] - held > max(_DRAINED, self._least_rise()):
            # A low point is being drained: no leak of any size here falls like that.
            for row in rows[:-3]:
                self._add(row)
            self._close()
            s.piece += 1
            rows.clear()
        rows.append([at, held, gauge, kelvin])
        if len(rows) > (_LOOK_BACK if self.compensated else _LOOK_BACK_BLIND):
            self._add(rows.pop(0))

    def _add(self, row: Sequence[float]) -> None:
        s = self.state
        if not s.sums_series:
            s.sums_series = [[row[0], 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]]
        one = s.sums_series[0]
        time = (row[0] - one[0]) / 1000.0
        n = one[2] + 1
        dt, dv = time - one[3], row[1] - one[4]
        mean_t, mean_v = one[3] + dt / n, one[4] + dv / n
        s.sums_series = [[
            one[0], time, n, mean_t, mean_v, one[5] + dt * (time - mean_t),
            one[6] + dt * (row[1] - mean_v), one[7] + dv * (row[1] - mean_v),
            one[8] + (row[3] - one[8]) / n,
        ]]
        if time >= _CHUNK:
            self._close()

    def _close(self) -> None:
        s = self.state
        if not s.sums_series:
            return
        start, span, n, mean_t, mean_v, tt, tv, vv, kelvin = s.sums_series[0]
        s.sums_series = []
        if n < 2:
            return
        end = start + 1000.0 * span
        s.rows_series.append([
            int(end), s.piece, span, n, span - mean_t, mean_v, tt, tv, vv, kelvin])
        for rows in (s.rows_series, s.refills_series):
            while rows and rows[0][0] < end - _KEEP:
                rows.pop(0)

    # -- what comes out --------------------------------------------------------------------------

    def seen(self, start: int, end: int) -> float:
        """Return the time (s) in which the pipe was seen closed."""
        return math.fsum(r[2] for r in self.state.rows_series if start < r[0] <= end)

    def level(self, default: float) -> float:
        """Return the last pressure, psi absolute at the reference temperature."""
        rows = self.state.raw_series or [[0, default]]
        return rows[-1][1]

    def loss(self, start: int, end: int) -> tuple[Estimate, float] | Refusal:
        """Return the loss (psi a day) and the mean level, from ``start`` to ``end`` (ms).

        The code ``held`` means that its pressure is held, so that it shows no loss.
        """
        rows = [r for r in self.state.rows_series if start < r[0] <= end]
        seen = math.fsum(r[2] for r in rows)
        if seen < _LEAST_SEEN:
            return Refusal(code="too-short", reason="the pipe was not seen closed for long enough")
        if not self.compensated and seen < _LEAST_BLIND:
            return Refusal(code="too-short", reason=(
                "without a pipe temperature most of a day is needed, and less was seen"))
        level = math.fsum(r[5] * r[2] for r in rows) / seen
        days = (end - start) / 1000.0 / _DAY
        found = self._pooled(self._lines(rows), level, days) if self.compensated else (
            self._over_the_day(rows, level, days))
        refills = [r for r in self.state.refills_series if start < r[0] <= end]
        if found is None or not self._is_certain(found, rows, refills, end):
            return Refusal(code="held", reason=(
                "its pressure is held so even that its leak does not show in it"))
        return found, level

    def _lines(self, rows: Sequence[Sequence[float]]) -> list[_Piece]:
        """Return one line for each piece, its parts put together."""
        pieces: dict[float, list[Sequence[float]]] = {}
        for row in rows:
            pieces.setdefault(row[1], []).append(row)
        return [line for parts in pieces.values() if (line := self._line(parts)) is not None]

    def _line(self, parts: Sequence[Sequence[float]]) -> _Piece | None:
        end = parts[-1][0]
        n = math.fsum(p[3] for p in parts)
        if n < _FEWEST:
            return None
        times = [(p[0] - end) / 1000.0 - p[4] for p in parts]
        mean_t = math.fsum(t * p[3] for t, p in zip(times, parts, strict=True)) / n
        mean_v = math.fsum(p[5] * p[3] for p in parts) / n
        tt = tv = vv = 0.0
        for t, p in zip(times, parts, strict=True):
            dt, dv = t - mean_t, p[5] - mean_v
            tt, tv, vv = tt + p[6] + p[3] * dt * dt, tv + p[7] + p[3] * dt * dv, (
                vv + p[8] + p[3] * dv * dv)
        if tt <= 0:
            return None
        slope, span = tv / tt, (end - parts[0][0]) / 1000.0 + parts[0][2]
        rest = max(0.0, vv - slope * tv) / (n - 2)
        # A line that crosses many steps knows when; of one that crosses none only the ends are
        # known, to a step. Neighbouring averages err alike: four count as one.
        step = self.state.gauge.step
        ends = math.sqrt(2.0) * _ROUNDING * step / math.sqrt(1.0 + abs(slope) * span / (
            step or 1.0)) + _ROUNDING * self.state.warmth.step * mean_v / REFERENCE
        deviation = math.hypot(2.0 * math.sqrt(rest / tt), math.hypot(ends, 0.003) / span)
        return _Piece(span=span, rate=-slope * _DAY, deviation=deviation * _DAY)

    def _pooled(self, lines: Sequence[_Piece], level: float, days: float) -> Estimate | None:
        """Return the mean rate, weighted by the length of the pieces."""
        total = math.fsum(p.span for p in lines)
        if not total:
            return None
        usual = math.fsum(p.span**2 for p in lines) / total
        kept = [p for p in lines if p.span >= 0.25 * usual]
        total, k = math.fsum(p.span for p in kept), len(kept)
        mean = math.fsum(p.span * p.rate for p in kept) / total
        within = math.fsum((p.span * p.deviation) ** 2 for p in kept) / total**2
        among = 0.0
        if k > 1:
            among = math.fsum((p.span * (p.rate - mean)) ** 2 for p in kept) / total**2 * k / (
                k - 1)
        # The lines share what they do not know of themselves: few may agree by chance.
        scatter = max(among, within) if k >= 4 else among + within
        heat = level / REFERENCE * _HEAT / max(days, 1.0)
        return Estimate(value=mean, deviation=math.sqrt(scatter), freedom=max(k - 1.0, 3.0)).plus(
            Estimate(value=0.0, deviation=math.hypot(_FLOOR, heat)))

    def _over_the_day(
        self, rows: Sequence[Sequence[float]], level: float, days: float,
    ) -> Estimate | None:
        """Return the mean rate of all that was seen, without a temperature.

        Over whole days its swing cancels: only hours that were not seen leave some of it.
        """
        lines = [line for r in rows if (line := self._line([r])) is not None]
        if not (total := math.fsum(p.span for p in lines)):
            return None
        mean = math.fsum(p.span * p.rate for p in lines) / total
        within = math.hypot(*(p.span * p.deviation for p in lines)) / total
        swing = math.sqrt(math.fsum(p.span * (p.rate - mean) ** 2 for p in lines) / total)
        unseen = max(0.0, 1.0 - total / (max(days, 1.0) * _DAY))
        heat = level / REFERENCE * _NO_HEAT / max(days, 1.0)
        return Estimate(value=mean, deviation=within, freedom=3.0).plus(Estimate(
            value=0.0, deviation=math.hypot(_FLOOR, heat, unseen * swing)))

    def _is_certain(
        self, found: Estimate, rows: Sequence[Sequence[float]], refills: Sequence[Sequence[float]],
        end: int,
    ) -> bool:
        """Whether the pieces fall by themselves, all at one rate, and the gauge can see it."""
        gauge = self.state.gauge
        least = _LEAST_STEPS * gauge.step
        if refills:
            fell = median(r[1] for r in refills)
        else:
            # A pipe whose pressure is held loses gas while it warms.
            warmed = max(r[9] for r in rows) - min(r[9] for r in rows) if self.compensated else (
                _NO_HEAT)
            fell = found.value * math.fsum(r[2] for r in rows) / _DAY
            least += 3.0 * gauge.scatter + 2.0 * warmed * rows[-1][5] / REFERENCE
        if fell < least or found.value <= _SURE * found.deviation:
            return False
        return not self.compensated or all(self._even(found.value, part) for part in (
            rows, [r for r in rows if r[0] > end - _RECENT]))

    def _even(self, mean: float, rows: Sequence[Sequence[float]]) -> bool:
        parts = [line for r in rows if (line := self._line([r])) is not None]
        slow = math.fsum(p.span for p in parts if p.rate + 2.5 * p.deviation < 0.5 * mean)
        return slow <= _UNEVEN * math.fsum(p.span for p in parts)

    def dump(self) -> dict[str, Any]:
        return {**self.state.dump(), "compensated": self.compensated}

    def load(self, state: Mapping[str, Any]) -> None:
        self.state.restore(state)
        self.compensated = bool(state.get("compensated", False))
