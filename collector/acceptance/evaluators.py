"""The evaluator of each kind of step: readings and the time in, an evaluation out."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from collector.acceptance.functional_tests import (
    evaluate_contact,
    evaluate_low_air,
    evaluate_purge_finish,
    evaluate_purge_start,
    evaluate_purity,
    evaluate_return,
)
from collector.acceptance.pump_up_and_fill import evaluate_fill, evaluate_tank
from collector.acceptance.step_evaluation import StepEvaluation
from collector.acceptance.step_readings import StepReadings
from collector.acceptance.steps import Kind, Step
from collector.acceptance.tightness import evaluate_tightness

__all__ = ["EVALUATORS", "evaluate"]

EVALUATORS: Mapping[Kind, Callable[[Step, StepReadings], StepEvaluation]] = {
    Kind.TANK_AIR: evaluate_tank, Kind.TANK_NITROGEN: evaluate_tank, Kind.PURITY: evaluate_purity,
    Kind.RETURN: evaluate_return, Kind.FILL: evaluate_fill, Kind.TIGHTNESS_DAY: evaluate_tightness,
    Kind.TIGHTNESS_TWO: evaluate_tightness, Kind.LOW_AIR: evaluate_low_air,
    Kind.CONTACT: evaluate_contact,
    Kind.PURGE_START: evaluate_purge_start, Kind.PURGE_FINISH: evaluate_purge_finish,
}


def evaluate(step: Step, look: StepReadings) -> StepEvaluation:
    """Return the evaluation of a step's readings."""
    return EVALUATORS[step.kind](step, look)
