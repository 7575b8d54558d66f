"""Reports on a period for owner, insurer and service firm, as HTML and PDF."""

from __future__ import annotations

from collector.reports.blocks import Report
from collector.reports.build import make
from collector.reports.report_data import History, ReportData

__all__ = ["History", "Report", "ReportData", "make"]
