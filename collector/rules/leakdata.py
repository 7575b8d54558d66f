"""Stretches in which a closed volume loses gas and nothing flows in: the raw matter of a leak.

A device that holds the pressure tops a pipe up in jumps; between two of them the amount of gas
falls at the leak alone. :class:`Decays` cuts a pressure into such stretches and keeps one line for
each. The amount, not the pressure: everything is brought to one temperature first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.physics.sums import LineSums
from collector.rules.base import State

__all__ = ["BUCKET", "REFERENCE", "Decays", "Stretch"]

BUCKET = 30_000
"""ms over which samples are averaged before anything else."""

REFERENCE = 288.15
"""K to which pressures are brought."""

_KEEP = 50 * 3_600_000
_LONGEST = 3600.0  # s, after which a stretch is written down though it goes on
_SHORTEST = 120.0  # s
_FEWEST = 4
_DAY = 86_400.0
_MOST_ODD = 3
_ROUNDING = 0.003  # psi: what a line can be trusted to, however smooth its samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """One stretch: it ended at ``at`` (ms), lasted ``span`` s, and fell at ``rate`` (psi a day).

    ``rate`` is positive for a loss, at :data:`REFERENCE`; ``deviation`` its standard deviation;
    ``level`` the mean absolute pressure (psi); ``topped`` whether a top-up ended it.
    """

    at: int
    span: float
    rate: float
    deviation: float
    level: float
    topped: bool

    @property
    def falls(self) -> bool:
        """Whether the loss is beyond doubt."""
        return self.rate > 3.0 * self.deviation


@dataclass(slots=True, kw_only=True)
class _DecayState(State):
    bucket_at: int | None = None
    total: float = 0.0
    count: int = 0
    heat: float = 0.0
    heat_count: int = 0
    kelvin: float | None = None
    kelvin_at: int | None = None
    last: float | None = None
    noise: float = 0.03
    rising: bool = False
    top: float = 0.0
    calm: int = 0
    odd: int = 0
    origin_at: int | None = None
    blocked_at: int | None = None
    top_at: int | None = None
    clear_at: int | None = None
    """Since when nothing but leak and top-ups went on; a top-up long before says nothing."""
    beat: float = 0.0
    """ms from one top-up to the next, as it usually is; 0 while unknown."""
    foot: float = 0.0
    """Gauge psi at which a top-up usually begins."""
    gauge: float = 0.0
    pending_series: list[list[float]] = field(default_factory=list)
    recent_series: list[list[float]] = field(default_factory=list)
    waiting_series: list[list[float]] = field(default_factory=list)
    rows_series: list[list[float]] = field(default_factory=list)
    sums: dict[str, Any] = field(default_factory=dict)


class Decays:
    """Cuts the pressure of one closed volume into stretches between jumps.

    ``ambient`` is the atmospheric pressure (psi), ``gap`` the longest time (ms) between samples
    that still counts as unbroken, ``jump`` the least rise (psi) that may be a top-up, ``odd`` the
    change from one average to the next (psi) that is not believed at once, ``compensated`` whether
    a temperature goes with it. ``others`` gives what else belongs to the volume at an instant, as
    psi of this one; averages then wait for one more, so that the others have theirs. ``look_back``
    is how many averages a slow top-up may have begun before it is noticed.
    """

    def __init__(
        self, *, ambient: float, compensated: bool, jump: float = 0.06, odd: float = 1.5,
        others: Callable[[int], float | None] | None = None, look_back: int = 4,
    ) -> None:
        self.compensated = compensated
        self._others, self._look_back = others, look_back
        self._ambient, self._jump, self._odd = ambient, jump, odd
        self.state = _DecayState()
        self._sums = LineSums()
        self._stretches: list[Stretch] | None = None

    def __repr__(self) -> str:
        return f"Decays({len(self.state.rows_series)} stretches, noise {self.state.noise:.3f} psi)"

    # -- what comes in ---------------------------------------------------------------------------

    def temperature(self, at: int, celsius: float) -> None:
        """Take a temperature of the gas."""
        s = self.state
        s.kelvin_at = at
        s.heat += celsius + 273.15
        s.heat_count += 1

    def temperatures(self, at: int, celsius: Sequence[float]) -> None:
        """Take many temperatures, the last of them at ``at``: the same as each by itself."""
        s = self.state
        s.kelvin_at = at
        for value in celsius:
            s.heat += value + 273.15
        s.heat_count += len(celsius)

    def whole_until(self) -> int | None:
        """Return when the average under way is whole; ``None`` where none is."""
        s = self.state
        return None if s.bucket_at is None or s.clear_at is None else s.bucket_at + BUCKET

    def pressures(self, psi: Sequence[float]) -> None:
        """Take many pressures of the average under way: the same as each by itself."""
        s = self.state
        for value in psi:
            s.total += value
        s.count += len(psi)

    def pressure(self, at: int, psi: float, before_at: int | None, gap: int) -> bool:
        """Take a gauge pressure; return whether an average was finished by it."""
        s = self.state
        bucket = at - at % BUCKET
        done = False
        if s.bucket_at is not None and bucket != s.bucket_at:
            self._flush()
            done = True
        if before_at is None or at - before_at > max(gap, BUCKET):
            self.cut()
        if s.bucket_at is None:
            s.bucket_at = bucket
        if s.clear_at is None:
            s.clear_at = at
        s.total += psi
        s.count += 1
        return done

    def block(self, until: int) -> None:
        """Take it that gas flows, in or out, until ``until`` (ms): nothing there is a decay."""
        s = self.state
        if s.blocked_at is None or until > s.blocked_at:
            s.blocked_at = s.clear_at = until

    def cut(self) -> None:
        """End the stretch where it was last sure; what is pending is not."""
        self._close(topped=False)
        s = self.state
        s.pending_series, s.rising, s.last, s.odd = [], False, None, 0

    # -- averages --------------------------------------------------------------------------------

    def _flush(self) -> None:
        s = self.state
        at, mean = s.bucket_at, s.total / s.count
        s.gauge = mean
        s.bucket_at, s.total, s.count = None, 0.0, 0
        assert at is not None  # noqa: S101 - the caller has looked
        if s.heat_count:
            s.kelvin = s.heat / s.heat_count
            s.heat, s.heat_count = 0.0, 0
        if s.blocked_at is not None and at < s.blocked_at:
            self.cut()
            return
        if self._others is not None:
            self._together(at, mean + self._ambient, self._others)
        elif not self.compensated:
            self._take(at, mean + self._ambient)
        elif s.kelvin is None or s.kelvin_at is None or at - s.kelvin_at > 600_000:
            self.cut()
        else:
            self._take(at, (mean + self._ambient) * REFERENCE / s.kelvin)

    def _together(self, at: int, own: float, others: Callable[[int], float | None]) -> None:
        s = self.state
        s.waiting_series.append([at, own])
        while len(s.waiting_series) > 1:
            then, before = s.waiting_series.pop(0)
            more = others(int(then))
            if more is None or then < (s.blocked_at or then):
                self.cut()
            else:
                self._take(int(then), before + more)

    def recent(self, at: int) -> float | None:
        """Return the average that began at ``at`` (ms), where it is one of the last few."""
        return next((row[1] for row in self.state.recent_series if row[0] == at), None)

    def _take(self, at: int, held: float) -> None:
        s = self.state
        if s.last is not None:
            change = abs(held - s.last)
            if change > self._odd and not s.rising:
                s.odd += 1
                if s.odd < _MOST_ODD:
                    return
                self.cut()
            else:
                s.noise += 0.02 * (min(change, 3.0 * s.noise + 0.01) - s.noise)
        s.last, s.odd = held, 0
        s.recent_series = [*s.recent_series[-2:], [at, held]]
        if s.rising:
            self._rise(at, held)
        else:
            self._fall(at, held)

    def _fall(self, at: int, held: float) -> None:
        s = self.state
        rows = s.pending_series
        if rows:
            least = 0
            for i in range(1, len(rows)):
                if rows[i][1] < rows[least][1]:
                    least = i
            if held - rows[least][1] > max(self._jump, 5.5 * s.noise):
                foot = rows[least][2]
                for row in rows[:least]:
                    self._add(row)
                self._close(topped=True)
                s.pending_series, s.rising, s.top, s.calm = [], True, held, 0
                self._topped(at, foot)
                return
        rows.append([at, held, s.gauge])
        if len(rows) > self._look_back:
            self._add(rows.pop(0))

    def _topped(self, at: int, foot: float) -> None:
        s = self.state
        if s.top_at is not None and s.clear_at is not None and s.top_at >= s.clear_at:
            passed = at - s.top_at
            s.beat += (passed - s.beat) * (0.2 if s.beat else 1.0)
            s.foot += (foot - s.foot) * (0.2 if s.foot else 1.0)
        s.top_at = at

    def open_since(self, now: int) -> int | None:
        """Return since when the device that tops up seems to stand open, or ``None``.

        It used to top up at a beat; the beat has stopped, and the pressure has not fallen below
        where it would have. So gas flows in all the time.
        """
        s = self.state
        if not s.beat or s.top_at is None or s.clear_at is None:
            return None
        begun = max(s.top_at, s.clear_at)
        if now - begun < 5.0 * s.beat + 3_600_000 or s.gauge < s.foot - max(0.1, 6.0 * s.noise):
            return None
        return begun

    def _rise(self, at: int, held: float) -> None:
        s = self.state
        if held > s.top:
            s.top, s.calm = held, 0
            return
        s.calm += 1
        if s.calm >= 2:
            s.rising = False

    def _add(self, row: list[float]) -> None:
        s = self.state
        if s.origin_at is None:
            s.origin_at = int(row[0])
        self._sums.add((row[0] - s.origin_at) / 1000.0, row[1])
        if self._sums.span >= _LONGEST:
            self._close(topped=False)

    def _close(self, *, topped: bool) -> None:
        s, sums = self.state, self._sums
        if s.origin_at is None:
            return
        line = sums.line() if sums.count >= _FEWEST and sums.span >= _SHORTEST else None
        if line is not None:
            span = sums.span
            rounding = _ROUNDING / span * _DAY
            deviation = (line.slope.deviation * _DAY) ** 2 + rounding**2
            s.rows_series.append([
                s.origin_at + int(span * 1000), span, -line.slope.value * _DAY,
                deviation**0.5, sums.mean, float(topped),
            ])
            self._stretches = None
            oldest = s.rows_series[-1][0] - _KEEP
            while s.rows_series[0][0] < oldest:
                s.rows_series.pop(0)
        self._sums, s.origin_at = LineSums(), None

    # -- what comes out --------------------------------------------------------------------------

    def stretches(self, start: int, end: int) -> list[Stretch]:
        """Return the stretches that ended after ``start`` and up to ``end`` (ms)."""
        if self._stretches is None:
            self._stretches = [
                Stretch(at=int(a), span=b, rate=r, deviation=d, level=m, topped=bool(t))
                for a, b, r, d, m, t in self.state.rows_series
            ]
        return [x for x in self._stretches if start < x.at <= end]

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        self.state.sums = self._sums.dump()
        return self.state.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.state.take(state)
        self._sums = LineSums.load(self.state.sums) if self.state.sums else LineSums()
        self._stretches = None
