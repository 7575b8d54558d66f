"""Documents on paper (PDF), for records and reports. Nothing heavy is loaded until one is begun."""

from __future__ import annotations

from collector.paper.sheet import Paper

__all__ = ["Paper"]
