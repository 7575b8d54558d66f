"""Acceptance: what a plant must show before it is taken over, timed from the journal's readings."""

from __future__ import annotations

from collector.acceptance.clerk import Clerk
from collector.acceptance.desk import Desk, History, Seen
from collector.acceptance.facts import SIGNED, Note
from collector.acceptance.finding import Finding, Measure, Outcome
from collector.acceptance.record import Entry, Record, Result, Signature
from collector.acceptance.steps import Kind, Size, Step, plan
from collector.acceptance.store import RecordError, RecordStore
from collector.acceptance.verify import Verdict, verify
from collector.survey.site_units import SiteUnits

__all__ = [
    "SIGNED", "Clerk", "Desk", "Entry", "Finding", "History", "Kind", "Measure", "Note", "Outcome",
    "Record", "RecordError", "RecordStore", "Result", "Seen", "Signature", "Size", "Step",
    "Verdict", "SiteUnits", "plan", "verify",
]
