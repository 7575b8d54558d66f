"""A period's review for owner, insurer and service firm, from the journal, as a page and as PDF."""

from __future__ import annotations

from collector.reports.blocks import Report
from collector.reports.gathered import Gathered, History
from collector.reports.make import make

__all__ = ["Gathered", "History", "Report", "make"]
