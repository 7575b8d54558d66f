"""Gas that leaves where it should not."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(id="tank-leak", title="The tank leaks", applies_to="generator",
              signal=Signal.SERVICE, priority=Priority.MEDIUM),
    Condition(id="leak-high", title="Leak above its limit", applies_to="riser",
              signal=Signal.SERVICE, priority=Priority.MEDIUM),
    Condition(id="leak-growing", title="Leak is growing", applies_to="riser",
              signal=Signal.SERVICE, priority=Priority.LOW),
)
