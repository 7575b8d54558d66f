"""Inside diameters of steel pipe, and what a take-off of it holds.

Outside diameter and wall thickness in inches from ASME B36.10M (schedules 10, 40, 80) and
ASME B36.19M (5S, 10S), typed from memory and compared number by number with the tables of the
``fluids`` library in the tests. Schedules 5 and 10 of the two standards agree in these sizes.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from collector.config.mistakes import nearest
from collector.config.units import QuantityError

__all__ = ["SCHEDULES", "SIZES", "inside_diameter", "named_pipe", "pipe_volume"]

_INCH = 0.0254

SCHEDULES = ("5", "10", "40", "80")

SIZES: Mapping[str, tuple[float, Mapping[str, float]]] = {
    "1/2": (0.840, dict(zip(SCHEDULES, (0.065, 0.083, 0.109, 0.147), strict=True))),
    "3/4": (1.050, dict(zip(SCHEDULES, (0.065, 0.083, 0.113, 0.154), strict=True))),
    "1": (1.315, dict(zip(SCHEDULES, (0.065, 0.109, 0.133, 0.179), strict=True))),
    "1 1/4": (1.660, dict(zip(SCHEDULES, (0.065, 0.109, 0.140, 0.191), strict=True))),
    "1 1/2": (1.900, dict(zip(SCHEDULES, (0.065, 0.109, 0.145, 0.200), strict=True))),
    "2": (2.375, dict(zip(SCHEDULES, (0.065, 0.109, 0.154, 0.218), strict=True))),
    "2 1/2": (2.875, dict(zip(SCHEDULES, (0.083, 0.120, 0.203, 0.276), strict=True))),
    "3": (3.500, dict(zip(SCHEDULES, (0.083, 0.120, 0.216, 0.300), strict=True))),
    "3 1/2": (4.000, dict(zip(SCHEDULES, (0.083, 0.120, 0.226, 0.318), strict=True))),
    "4": (4.500, dict(zip(SCHEDULES, (0.083, 0.120, 0.237, 0.337), strict=True))),
    "5": (5.563, dict(zip(SCHEDULES, (0.109, 0.134, 0.258, 0.375), strict=True))),
    "6": (6.625, dict(zip(SCHEDULES, (0.109, 0.134, 0.280, 0.432), strict=True))),
    "8": (8.625, dict(zip(SCHEDULES, (0.109, 0.148, 0.322, 0.500), strict=True))),
    "10": (10.750, dict(zip(SCHEDULES, (0.134, 0.165, 0.365, 0.594), strict=True))),
    "12": (12.750, dict(zip(SCHEDULES, (0.156, 0.180, 0.406, 0.688), strict=True))),
}
"""Nominal size in inches: outside diameter, and wall by schedule."""

_DN = {"15": "1/2", "20": "3/4", "25": "1", "32": "1 1/4", "40": "1 1/2", "50": "2",
       "65": "2 1/2", "80": "3", "90": "3 1/2", "100": "4", "125": "5", "150": "6", "200": "8",
       "250": "10", "300": "12"}
_DECIMAL = {"0.5": "1/2", "0.75": "3/4", "1.25": "1 1/4", "1.5": "1 1/2", "2.5": "2 1/2",
            "3.5": "3 1/2"}
_SIZE = re.compile(r"(?P<dn>DN\s?(?P<number>\d+))|(?P<inch>[\d ./-]+?)\s*(?:in|inch|inches|\")",
                   re.IGNORECASE)
_EXPECTED = 'a nominal size such as "4 in", "1 1/2 in" or "DN 100"'


def _nominal(size: str) -> str:
    found = _SIZE.fullmatch(size.strip())
    if found is None:
        raise QuantityError(f'not a pipe size: "{size}"', _EXPECTED)
    if found["dn"]:
        name = _DN.get(found["number"], "")
    else:
        name = " ".join(found["inch"].replace("-", " ").split())
        name = _DECIMAL.get(name, name.removesuffix(".0"))
    if name not in SIZES:
        raise QuantityError(f'no steel pipe of size "{size}" is known',
                            ", ".join(f"{s} in" for s in SIZES))
    return name


def inside_diameter(size: str, schedule: str) -> float:
    """Return the inside diameter in m of steel pipe of a nominal size and schedule.

    ``schedule`` is 5, 10, 40 or 80, also written ``Sch 40`` or ``10S``.
    Raises :class:`QuantityError` for what the table does not hold.

    Taken from ASME B36.10M: 4 in schedule 40 is 4.026 in inside.

    >>> round(inside_diameter("4 in", "40") / 0.0254, 3)
    4.026
    """
    nominal, name = named_pipe(size, schedule)
    outside, walls = SIZES[nominal]
    return (outside - 2 * walls[name]) * _INCH


def named_pipe(size: str, schedule: str) -> tuple[str, str]:
    """Return nominal size and schedule as the tables name them: ``("1 1/4", "40")``.

    Raises :class:`QuantityError` for what the table does not hold.
    """
    nominal = _nominal(size)
    walls = SIZES[nominal][1]
    name = re.sub(r"(?i)^\s*sch(?:edule|\.)?\s*|s\s*$", "", schedule).strip()
    if name not in walls:
        raise QuantityError(f'schedule "{schedule}" is not known{nearest(name, walls)}',
                            ", ".join(walls))
    return nominal, name


def pipe_volume(size: str, schedule: str, length: float) -> float:
    """Return in m3 what ``length`` m of pipe hold. Raises :class:`QuantityError`."""
    return math.pi / 4 * inside_diameter(size, schedule) ** 2 * length
