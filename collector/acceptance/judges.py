"""Which judge looks at which kind of step: readings and the time in, a finding out. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from collector.acceptance.finding import Finding
from collector.acceptance.look import Look
from collector.acceptance.pumping import judge_fill, judge_tank
from collector.acceptance.simple import (
    judge_contact,
    judge_low_air,
    judge_purge_finish,
    judge_purge_start,
    judge_purity,
    judge_return,
)
from collector.acceptance.steps import Kind, Step
from collector.acceptance.tightness import judge_tightness

__all__ = ["JUDGES", "judge"]

JUDGES: Mapping[Kind, Callable[[Step, Look], Finding]] = {
    Kind.TANK_AIR: judge_tank, Kind.TANK_NITROGEN: judge_tank, Kind.PURITY: judge_purity,
    Kind.RETURN: judge_return, Kind.FILL: judge_fill, Kind.TIGHTNESS_DAY: judge_tightness,
    Kind.TIGHTNESS_TWO: judge_tightness, Kind.LOW_AIR: judge_low_air, Kind.CONTACT: judge_contact,
    Kind.PURGE_START: judge_purge_start, Kind.PURGE_FINISH: judge_purge_finish,
}


def judge(step: Step, look: Look) -> Finding:
    """Return what the readings say about a step."""
    return JUDGES[step.kind](step, look)
