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
from collector.acceptance.record import Entry, Record, RecordError, RecordStore, Result, Signature
from collector.acceptance.step_readings import History, Measure, Outcome, StepEvaluation
from collector.acceptance.steps import Kind, Size, Step, plan
from collector.survey.parts import SiteUnits

__all__ = [
    "SIGNED",
    "AcceptanceService",
    "AcceptanceSync",
    "Entry",
    "History",
    "Kind",
    "Measure",
    "Outcome",
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
    "StepState",
    "Verification",
    "plan",
    "verify",
]
