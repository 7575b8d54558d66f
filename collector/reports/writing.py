"""A report put into files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.domain.errors import QuietpipeError
from collector.reports.blocks import Report
from collector.reports.times import local

__all__ = ["FORMATS", "ReportError", "file_name", "rendered", "write"]

FORMATS = ("html", "pdf")


class ReportError(QuietpipeError):
    """A report could not be written where it was to go."""


def file_name(report: Report, site: str) -> str:
    """Return the name without its ending: the site and the days, ``fenmoor-2026-03-01-2026-03-31``.

    The last day is the one that the period's last moment belongs to.
    """
    zone = ZoneInfo(report.zone)
    first, last = local(report.start, zone), local(report.end - 1, zone)
    return f"{site}-{first:%Y-%m-%d}-{last:%Y-%m-%d}"


def rendered(report: Report, form: str) -> bytes:
    """Return the report as ``html`` or ``pdf``."""
    if form == "html":
        from collector.reports.as_html import html_of

        return html_of(report).encode()
    # Only here: the PDF library is 40 MB that a page does not need.
    from collector.reports.as_pdf import pdf_of

    return pdf_of(report)


def write(report: Report, site: str, folder: Path, formats: Sequence[str]) -> list[Path]:
    """Write the report in each format; return the files. Raises :class:`ReportError`."""
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for form in formats:
            path = folder / f"{file_name(report, site)}.{form}"
            part = path.with_name(f".{path.name}.part")
            part.write_bytes(rendered(report, form))
            part.replace(path)
            written.append(path)
    except OSError as exc:
        raise ReportError(f"the report cannot be written to {folder}: {exc.strerror}") from exc
    return written
