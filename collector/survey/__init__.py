"""Survey of a site: pipe volumes, fill and purge times, what the site file lacks."""

from __future__ import annotations

from collector.survey.parts import Figure, Note, Part, Survey
from collector.survey.site_survey import Deliveries, Delivery, make_survey

__all__ = ["Deliveries", "Delivery", "Figure", "Note", "Part", "Survey", "make_survey"]
