"""Values and durations as people read them, in the units their site file asks for."""

from __future__ import annotations

from collector.domain.readings import MODES, QUANTITIES, Reading, point_kind, split_point

__all__ = ["duration", "shown_value"]

_BAR = 0.0689475729


def shown_value(reading: Reading, units: str) -> str:
    """Return the value with its unit; ``units`` is ``us`` or ``metric``."""
    value = reading.value
    if value is None:
        return "-"
    _, name = split_point(reading.point)
    quantity = next(q for q in (point_kind(k, name) for k in QUANTITIES) if q is not None)
    match quantity.unit, units:
        case "mode", _:
            return MODES[int(value)] if value in range(len(MODES)) else f"{value:g}"
        case "psi", "metric":
            return f"{value * _BAR:.3g} bar"
        case "degC", "us":
            return f"{value * 9 / 5 + 32:.1f} degF"
        case ("contact" | "count"), _:
            return f"{value:.10g}"
    return f"{value:.6g} {quantity.unit}"


def duration(ms: int) -> str:
    """Return a duration in the largest unit that fits it, never below 0.

    >>> duration(1500), duration(90_000)
    ('1.5 s', '1.5 min')
    """
    left = max(ms, 0)
    for size, unit in ((86_400_000, "d"), (3_600_000, "h"), (60_000, "min")):
        if left >= size:
            return f"{left / size:.1f} {unit}"
    return f"{left / 1000:.1f} s"
