"""PDF documents, for records and reports. The PDF library is loaded with the first one."""

from __future__ import annotations

from collector.pdf.document import PdfDocument

__all__ = ["PdfDocument"]
