"""Volume of a pipe take-off, by the dimensions of steel pipe in ``fluids``.

The library's tables follow ASME B36.10M and B36.19M in millimetres (outside to 0.1 mm, walls to
0.01 mm); the tests hold them to a table of diameters printed in inches.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from collector.domain.plant import PipeRun

__all__ = ["SOURCE", "PipeLine", "inside", "lines_of"]

SOURCE = "ASME B36.10M / B36.19M as the fluids library holds them"


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeLine:
    """One line of the take-off worked out: inside diameter m, length m, volume m3."""

    run: PipeRun
    inside: float
    volume: float


def inside(size: str, schedule: str) -> float:
    """Return the inside diameter (m) of steel pipe of a nominal size in inches, ``1 1/4``.

    Raises ``ValueError`` where the tables hold no such pipe.
    """
    from fluids.piping import nearest_pipe  # with numpy, a third of a second: only where it is used

    number: Any = float(sum(Fraction(part) for part in size.split()))  # annotated as whole there
    return float(nearest_pipe(NPS=number, schedule=schedule)[1])


def lines_of(runs: Sequence[PipeRun]) -> tuple[PipeLine, ...]:
    """Return each line with its diameter and volume."""
    lines = []
    for run in runs:
        width = inside(run.size, run.schedule)
        volume = math.pi / 4 * width**2 * run.length
        lines.append(PipeLine(run=run, inside=width, volume=volume))
    return tuple(lines)
