"""A period's review for owner, insurer and service firm, from the journal, as a page and as PDF."""

from __future__ import annotations

from collector.reports.blocks import Report
from collector.reports.build import make
from collector.reports.report_data import History, ReportData

__all__ = ["History", "Report", "ReportData", "make"]
