"""Net loss of a generator's tank and its pipes together while every vent is shut.

Gas that the tank passes on to a pipe is not lost: tank and pipes are taken together, so that it
makes no difference how a regulator feeds. What a sound tank loses itself is taken off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.domain.readings import mode_code
from collector.domain.units import HOUR, MINUTE, ZERO_CELSIUS
from collector.physics.estimate import Estimate, Refusal
from collector.physics.outflow import closed_outflow
from collector.rules.base import Band, Context, State
from collector.rules.gasbalance import balance_of
from collector.rules.rates import moles_per_psi
from collector.rules.vessel import ROOM, Vessel

_AIR_FILL = mode_code("air-fill")
_COLD, _NO_HEAT, _NO_WAVE = 15.0, 2.5, 8.0
"""degrees C assumed for a pipe whose temperature is not read; K by which it may differ from one end
of the window to the other, and that where the day's wave is not taken out."""
_BAND = 0.5
"""psi, deviation of a pipe whose pressure is not read."""
_WAVE = 48 * HOUR
_BUCKET = 5 * MINUTE
_ROW = 12
_HOUR = _ROW * _BUCKET
_KEPT = 74 * HOUR
_SHARED = 0.02
"""Uncertainty from the tank's own temperature, as a share of the outflow."""
_RUNS = 0.03
"""The same with that of heat in the tank, for an outflow computed from runs."""
_SEEN = 0.5
"""Least share of a window that clear runs must span."""
_FEWEST = 4.0
"""Clear runs, each counted by the time it stands for, that are wanted: two or three may agree by
chance, or all lie about one draining."""
_SOUND = 0.075 / 3600.0
"""psi/s; what a sound tank, its fittings and its drain lose by themselves, and its deviation: it
lies between nothing and twice that (setting), no pipe shows it, and it would bias the sum."""


@dataclass(slots=True, kw_only=True)
class _OutflowState(State):
    bucket_at: int | None = None
    sums: dict[str, list[float]] = field(default_factory=dict)
    """Of the bucket under way, by point: total, count, highest."""
    hours_series: list[list[float | None]] = field(default_factory=list)
    """Hours: begin, then of each bucket the content (psi of the tank at room temperature, ``None``
    where it was not closed), then the share of each that the compressor ran."""


class TankOutflow:
    """The tank of one generator and the pipes of ``risers``, by means over five minutes."""

    def __init__(self, context: Context, generator: str, risers: Sequence[str]) -> None:
        self._context, self._generator = context, generator
        self._tank, self._running = f"{generator}.tank_pressure", f"{generator}.compressor_running"
        self._mode = f"{generator}.mode"
        self._vessel = Vessel(context, generator)
        plant, volume = context.plant, self._vessel.volume or math.inf
        sizes = {r: plant.risers[r].volume for r in risers}
        self._pipes = {f"{r}.pressure": ((size or 0.0) / volume, f"{r}.pipe_temperature",
                                         plant.risers[r].supervisory_pressure or 0.0)
                       for r, size in sizes.items()}
        vents = [v.id for v in plant.vents.values() if v.riser in risers]
        self._shut = [*(f"{v}.open" for v in vents), *(f"{r}.bypass_open" for r in risers)]
        wanted = [self._tank, self._running, self._mode, *self._pipes, *self._shut,
                  *(heat for _, heat, _ in self._pipes.values())]
        self.points = tuple(p for p in wanted if context.is_configured(p))
        self._fills = [generator, *risers]
        self.state = _OutflowState()

    def __repr__(self) -> str:
        return f"TankOutflow({self._generator}, {len(self.state.hours_series)} h)"

    def observe(self, point: str, at: int, values: Sequence[float]) -> None:
        s = self.state
        if s.bucket_at is None or at >= s.bucket_at + _BUCKET:
            self._close(at)
        total = s.sums.setdefault(point, [0.0, 0.0, 0.0])
        for value in values:  # one by one: the sum is the same however they are fed
            total[0] += value
        total[1] += len(values)
        total[2] = max(total[2], *values)

    def held_band(self) -> Band | None:
        """Return the band in which samples only go into the bucket under way."""
        at = self.state.bucket_at
        return None if at is None else Band(-math.inf, math.inf, at + _BUCKET, counted=True)

    def _close(self, at: int) -> None:
        s = self.state
        bucket, s.bucket_at = s.bucket_at, at // _BUCKET * _BUCKET
        sums = {point: found for point, found in s.sums.items() if found[1]}
        # In one order, whichever point comes first.
        s.sums = {point: [0.0, 0.0, 0.0] for point in self.points}
        if bucket is None:
            return
        hour = bucket // _HOUR * _HOUR
        rows = s.hours_series
        if not rows or rows[-1][0] != hour:
            rows.append([hour, *([None] * _ROW), *([0.0] * _ROW)])
            while (rows[0][0] or 0) < hour - _KEPT:
                rows.pop(0)
        place = (bucket - hour) // _BUCKET
        on = sums.get(self._running)
        rows[-1][1 + _ROW + place] = round(on[0] / on[1], 3) if on else 0.0
        rows[-1][1 + place] = self._content(sums, bucket)

    def _content(self, sums: dict[str, list[float]], at: int) -> float | None:
        """Return the gas content of tank and pipes, ``None`` where not closed or not read."""
        fills = self._context.inputs.fills
        # A point without any sample is not there; one that has fallen silent may be anything.
        if (any(p not in sums and (self._read(p) or p in (self._tank, self._running))
                for p in self.points)
                or any(p in sums and sums[p][2] >= 0.5 for p in self._shut)
                or (self._mode in sums and sums[self._mode][2] >= _AIR_FILL)
                or any(at < fills.get(a, at) for a in self._fills)):
            return None
        mean = {point: total / count for point, (total, count, _) in sums.items()}
        held = mean[self._tank]
        for point, (size, heat, usual) in self._pipes.items():
            psi = mean.get(point, usual) + self._vessel.ambient
            held += size * psi * (ROOM + ZERO_CELSIUS) / (mean.get(heat, _COLD) + ZERO_CELSIUS)
        return round(held, 4)

    def _read(self, point: str) -> bool:
        return self._context.inputs.point(point).at is not None

    def flow(self, start: int, end: int, *, tank: bool = False) -> Estimate | Refusal:
        """Return the loss (mol/s) of pipes, and ``tank`` where asked, ``start`` to ``end`` (ms)."""
        name, volume = self._context.words.name(self._generator), self._vessel.volume
        begin = -(-start // _HOUR) * _HOUR
        hours = {row[0]: row for row in self.state.hours_series}
        content: list[float | None] = []
        running: list[float] = []
        for at in range(begin, end // _HOUR * _HOUR, _HOUR):
            row = hours.get(at) or [at, *([None] * _ROW), *([0.0] * _ROW)]
            content += row[1:1 + _ROW]
            running += [on or 0.0 for on in row[1 + _ROW:]]
        found = closed_outflow(content, running, _BUCKET / 1000.0)
        if found is None or volume is None:
            return Refusal(code="too-short", reason=f"the tank of {name} was not seen falling for "
                           "long enough with every vent shut")
        lost, seen = found
        # What the pipes of unread temperature have cooled by passes for gas lost.
        swing = _NO_HEAT if end - start >= _WAVE else _NO_WAVE
        unread = math.hypot(*(
            size * (swing / (_COLD + ZERO_CELSIUS) * (usual + self._vessel.ambient) * (
                not self._read(heat)) + _BAND * (not self._read(point)))
            for point, (size, heat, usual) in self._pipes.items()))
        sound = 0.0 if tank else _SOUND
        doubt = math.hypot(sound, unread / seen, _SHARED * lost.value)
        return lost.plus(Estimate(value=-sound, deviation=doubt)).scaled(
            moles_per_psi(volume, ROOM))


def outflow_of(
    context: Context, generator: str, start: int, end: int, disturbed: Sequence[Sequence[int]],
) -> Estimate | Refusal:
    """Return the mean outflow (mol/s) by the runs around which nothing was ``disturbed`` (ms).

    The falls around a run give it where the risers are included; else the gas that each run
    delivered, over the time from the run before.
    """
    balance, name = balance_of(context, generator), context.words.name(generator)
    rows = balance.booked.runs_series
    pairs = [(a, b) for a, b in zip(rows, rows[1:], strict=False) if start < b[0] <= end]
    clear = [(a, b) for a, b in pairs
             if not any(a[0] < begin + lasted and begin < b[0] for begin, lasted in disturbed)]
    too_short = Refusal(
        code="too-short", reason=f"the tank of {name} was not seen falling for long enough")
    if len(clear) < 2 or not balance.volume:
        return too_short
    spans = [(b[0] - a[0]) / 1000.0 for a, b in clear]
    rates = [b[3] if balance.whole else b[1] / t for (_, b), t in zip(clear, spans, strict=True)]
    total, k = math.fsum(spans), len(clear)
    if total < _SEEN * (end - start) / 1000.0 or (
            total**2 < _FEWEST * math.fsum(t * t for t in spans)):
        return too_short
    mean = math.fsum(t * r for t, r in zip(spans, rates, strict=True)) / total
    among = math.fsum((t * (r - mean)) ** 2 for t, r in zip(spans, rates, strict=True)) / total**2
    found = Estimate(value=mean, deviation=math.sqrt(among * k / (k - 1)), freedom=k - 1.0)
    return found.plus(Estimate(value=0.0, deviation=_RUNS * abs(mean))).scaled(
        moles_per_psi(balance.volume, balance.state.celsius))
