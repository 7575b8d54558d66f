"""Acceptance tests of a plant, timed from the journal's readings, with a signed record."""

from __future__ import annotations

from collector.acceptance.acceptance_service import AcceptanceService, StepState
from collector.acceptance.journal_sync import (
    SIGNED,
    AcceptanceSync,
    PendingEvent,
    Verification,
    verify,
)
from collector.acceptance.record import (
    ABOUT,
    Entry,
    Overall,
    Record,
    RecordError,
    RecordStore,
    Result,
    Signature,
    overall,
)
from collector.acceptance.step_readings import History, Measure, Outcome, StepEvaluation
from collector.acceptance.steps import PIPES, Kind, Size, Step, StepGroup, grouped, plan
from collector.survey.parts import SiteUnits

__all__ = [
    "ABOUT",
    "PIPES",
    "SIGNED",
    "AcceptanceService",
    "AcceptanceSync",
    "Entry",
    "History",
    "Kind",
    "Measure",
    "Outcome",
    "Overall",
    "PendingEvent",
    "Record",
    "RecordError",
    "RecordStore",
    "Result",
    "Signature",
    "SiteUnits",
    "Size",
    "Step",
    "StepEvaluation",
    "StepGroup",
    "StepState",
    "Verification",
    "grouped",
    "overall",
    "plan",
    "verify",
]
