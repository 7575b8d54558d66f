"""Documents on paper (PDF), for records and reports. Nothing heavy is loaded until one is begun."""

from __future__ import annotations

from collector.pdf.document import PdfDocument

__all__ = ["PdfDocument"]
