"""What the pipes hold, whether the plant can fill and purge them in time, and what is not said."""

from __future__ import annotations

from collector.survey.parts import Figure, Note, Part, Survey
from collector.survey.site_survey import Deliveries, Delivery, make_survey

__all__ = ["Deliveries", "Delivery", "Figure", "Note", "Part", "Survey", "make_survey"]
