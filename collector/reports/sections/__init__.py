"""The sections of a report: functions from ``ReportData`` to blocks."""
