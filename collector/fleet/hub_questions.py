"""The five questions of a service firm, answered from what a person may see. Pure.

Which sites are in trouble now? Which leak more than last quarter? Whose compressor is tiring? Whose
purge is late? Which collectors are out of date?
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from statistics import median

from collector.fleet.hub_alarms import FleetAlarm
from collector.fleet.hub_state import SiteState
from collector.fleet.hub_view import EstimateDay, FleetView
from collector.physics.robust import mad_deviation

__all__ = [
    "Finding", "compressor_tiring", "in_trouble", "leaking_more", "out_of_date", "purge_late",
    "quarter_before",
]

_DAY = 86_400_000
_LEAST_DAYS = 10
"""Days with an estimate in each quarter: fewer say little of a quarter."""
_SURE = 1.645
"""One-sided 95 % of the normal distribution."""
_RANK = {"high": 0, "medium": 1, "low": 2}
_PURGE = frozenset({"oxygen-not-falling", "purge-blocked", "vent-stuck-closed"})
_SLIP = 7.0
"""Days by which the expected end of a purge must have moved to be called late."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One site that is an answer: why, and how bad (larger is worse)."""

    state: SiteState
    asset: str
    sentence: str
    weight: float
    numbers: Mapping[str, float | str]
    alarms: Sequence[FleetAlarm] = ()


def _worst_first(found: list[Finding]) -> list[Finding]:
    return sorted(found, key=lambda f: (-f.weight, f.state.key, f.asset))


def in_trouble(view: FleetView) -> list[Finding]:
    """Return sites that are silent, or have an alarm that stands and is more than service."""
    found = []
    for state in view.sites():
        standing = [a for a in view.alarms(state) if a.stands and a.signal != "service"]
        if not standing:
            continue
        standing.sort(key=lambda a: (_RANK.get(a.priority, 3), a.signal != "supervisory", a.since))
        weight = sum(10.0 ** (2 - _RANK.get(a.priority, 3)) for a in standing)
        found.append(Finding(
            state=state, asset=standing[0].asset, alarms=standing, weight=weight,
            sentence="; ".join(dict.fromkeys(a.condition for a in standing)),
            numbers={"alarms": len(standing)},
        ))
    return _worst_first(found)


def quarter_before(today: date) -> tuple[date, date, date]:
    """Return the first days of the quarter before, of this one, and of the next.

    >>> [d.isoformat() for d in quarter_before(date(2026, 2, 14))]
    ['2025-10-01', '2026-01-01', '2026-04-01']
    """
    first = date(today.year, today.month - (today.month - 1) % 3, 1)

    def moved(day: date, months: int) -> date:
        count = day.year * 12 + day.month - 1 + months
        return date(count // 12, count % 12 + 1, 1)
    return moved(first, -3), first, moved(first, 3)


def leaking_more(view: FleetView, now: int) -> list[Finding]:
    """Return where the leak of this quarter is larger than that of the last, beyond its noise."""
    found = []
    for state in view.sites():
        for asset, rows in _by_asset(view.estimates(state), "leak-rate").items():
            found += _compared(state, asset, rows, now, sign=1, what="leak rate")
    return _worst_first(found)


def compressor_tiring(view: FleetView, now: int) -> list[Finding]:
    """Return where a compressor is called weak, or delivers less than last quarter."""
    found = []
    for state in view.sites():
        weak = {a.asset: a for a in view.alarms(state) if a.condition == "compressor-weak"}
        for asset, alarm in weak.items():
            found.append(Finding(state=state, asset=asset, alarms=(alarm,), weight=1000.0,
                                 sentence="compressor-weak stands", numbers={}))
        for asset, rows in _by_asset(view.estimates(state), "compressor-delivery").items():
            if asset not in weak:
                found += _compared(state, asset, rows, now, sign=-1, what="delivery")
    return _worst_first(found)


def _by_asset(rows: Sequence[EstimateDay], quantity: str) -> dict[str, list[EstimateDay]]:
    found: dict[str, list[EstimateDay]] = {}
    for row in rows:
        if row.quantity == quantity and row.value is not None:
            found.setdefault(row.asset, []).append(row)
    return found


def _compared(
    state: SiteState, asset: str, rows: Sequence[EstimateDay], now: int, *, sign: int, what: str,
) -> list[Finding]:
    """Compare medians of this quarter and the last, each with the deviation of its median.

    The median of n values of a normal distribution varies by 1.2533 s/sqrt(n) (Kendall & Stuart,
    vol. 1); s is taken from the median absolute deviation, so that a bad day does not count.
    """
    before, this, after = (_day(d) for d in quarter_before(
        datetime.fromtimestamp(now / 1000, UTC).date()))
    unit = rows[-1].unit
    old = [r.value for r in rows if before <= r.day < this and r.unit == unit
           and r.value is not None]
    new = [r.value for r in rows if this <= r.day < after and r.unit == unit
           and r.value is not None]
    if min(len(old), len(new)) < _LEAST_DAYS:
        return []
    was, now_is = median(old), median(new)
    doubt = 1.2533 * math.hypot(mad_deviation(old) / math.sqrt(len(old)),
                                mad_deviation(new) / math.sqrt(len(new)))
    change = sign * (now_is - was)
    if change <= 0 or change <= _SURE * doubt or was == 0:
        return []
    share = 100 * change / abs(was)
    word = "more" if sign > 0 else "less"
    return [Finding(
        state=state, asset=asset, weight=share,
        sentence=f"{what} {now_is:.3g} {unit}, {share:.0f} % {word} than last quarter "
                 f"({was:.3g} {unit})",
        numbers={"now": now_is, "before": was, "percent": round(share, 1), "unit": unit},
    )]


def _day(day: date) -> int:
    return (day - date(1970, 1, 1)).days


def purge_late(view: FleetView, now: int) -> list[Finding]:
    """Return where a purge is held up by an alarm, or its expected end has moved on by days."""
    found = []
    for state in view.sites():
        held: dict[str, list[FleetAlarm]] = {}
        for alarm in view.alarms(state):
            if alarm.condition in _PURGE and alarm.stands:
                held.setdefault(alarm.asset, []).append(alarm)
        for asset, alarms in held.items():
            found.append(Finding(
                state=state, asset=asset, alarms=alarms, weight=1000.0, numbers={},
                sentence="; ".join(a.condition for a in alarms)))
        for asset, rows in _by_asset(view.estimates(state), "purge-done-at").items():
            recent = [r.value for r in rows if now - r.time < 30 * _DAY and r.value is not None]
            if asset in held or len(recent) < 2:
                continue
            slipped = (recent[-1] - recent[0]) / 86_400
            if slipped >= _SLIP and recent[-1] * 1000 > now:
                found.append(Finding(
                    state=state, asset=asset, weight=slipped,
                    sentence=f"its expected end has moved by {slipped:.0f} days",
                    numbers={"slipped_days": round(slipped, 1)}))
    return _worst_first(found)


def out_of_date(view: FleetView, newest: str | None) -> list[Finding]:
    """Return collectors older than ``newest``, or than the newest that is seen."""
    told = [(s, _version(s.version)) for s in view.sites() if s.version]
    wanted = _version(newest) if newest else max((v for _, v in told), default=())
    name = newest or next((s.version for s, v in told if v == wanted), "")
    return _worst_first([
        Finding(state=s, asset="", weight=float(sum(
            (b - a) * 1000.0 ** (2 - n) for n, (a, b) in enumerate(zip(v, wanted, strict=False)))),
            sentence=f"version {s.version}; the newest is {name}",
            numbers={"version": s.version, "newest": name})
        for s, v in told if v < wanted
    ])


def _version(text: str) -> tuple[int, ...]:
    parts = []
    for part in text.split(".")[:3]:
        digits = "".join(c for c in part if c.isdigit())
        parts.append(int(digits[:6] or 0))
    return tuple(parts)
