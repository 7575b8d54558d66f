"""What wants a visit by the calendar or the hour counter."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(id="service-due", title="Service due", applies_to="generator",
              signal=Signal.SERVICE, priority=Priority.LOW),
)
