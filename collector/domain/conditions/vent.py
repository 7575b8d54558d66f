"""The purge vent and the path to it."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(id="vent-stuck-open", title="Vent stuck open", applies_to="vent",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="vent-stuck-closed", title="Vent stuck closed", applies_to="vent",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="purge-blocked", title="Purge path blocked", applies_to="vent",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="water-at-vent", title="Water at the vent", applies_to="vent",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
)
