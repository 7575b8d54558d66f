"""Whether anybody could know at all: devices, data, and the collector itself."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="device-silent", title="Device does not answer", applies_to="device",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        causes=(
            "power to the device",
            "the cable, its plug, or the network between here and there",
            "somebody changed its address or unit number",
            "the device itself: look whether its display lives",
        ),
        settings=(
            Setting(name="limit", kind="duration", default=None,
                    source="six polls of the device, at least 30 s",
                    doc="longest time without one usable answer"),
            *delays("0 s", "0 s"),
        ),
    ),
    Condition(id="data-frozen", title="Readings never change", applies_to="device",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="clock-jump", title="Clock jumped", applies_to="collector",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="journal-trouble", title="Journal in trouble", applies_to="collector",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="delivery-failing", title="Messages do not get through", applies_to="collector",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="site-silent", title="Site is silent", applies_to="collector",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
)
