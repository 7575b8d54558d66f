"""Writing of a report into files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.domain.errors import QuietpipeError
from collector.reports.blocks import Report
from collector.reports.times import local

__all__ = ["FORMATS", "ReportError", "file_name", "rendered", "write"]

FORMATS = ("html", "pdf", "txt")


class ReportError(QuietpipeError):
    """A report could not be written to its folder."""


def file_name(site: str, start: int, end: int, zone: ZoneInfo) -> str:
    """Return the name without its ending: the site and the days, ``fenmoor-2026-03-01-2026-03-31``.

    The last day is the one that the period's last moment belongs to.
    """
    first, last = local(start, zone), local(end - 1, zone)
    return f"{site}-{first:%Y-%m-%d}-{last:%Y-%m-%d}"


def rendered(report: Report, form: str) -> bytes:
    """Return the report as ``html`` or ``pdf``, or its first page as ``txt``."""
    if form == "html":
        from collector.reports.html_report import html_of

        return html_of(report).encode()
    if form == "txt":
        from collector.reports.text_report import text_of

        return text_of(report).encode()
    # Only here: the PDF library is 40 MB that a page does not need.
    from collector.reports.pdf_report import pdf_of

    return pdf_of(report)


def write(report: Report, site: str, folder: Path, formats: Sequence[str]) -> list[Path]:
    """Write the report in each format; return the files. Raises :class:`ReportError`."""
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        name = file_name(site, report.start, report.end, ZoneInfo(report.zone))
        for form in formats:
            path = folder / f"{name}.{form}"
            part = path.with_name(f".{path.name}.part")
            part.write_bytes(rendered(report, form))
            part.replace(path)
            written.append(path)
    except OSError as exc:
        raise ReportError(f"the report cannot be written to {folder}: {exc.strerror}") from exc
    return written
