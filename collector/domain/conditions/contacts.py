"""What a contact says by itself, and contacts that contradict themselves."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(id="low-air-contact", title="Low-air switch", applies_to="riser",
              signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("impairment",)),
    Condition(id="generator-trouble", title="Generator reports trouble", applies_to="generator",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="power-lost", title="Power lost", applies_to="generator",
              signal=Signal.TROUBLE, priority=Priority.HIGH, cautions=("compressor",)),
    Condition(
        id="contact-disagreement", title="Contact contradicts itself", applies_to="contact",
        signal=Signal.TROUBLE, priority=Priority.HIGH,
        causes=(
            "a wire off one leg, or a loose terminal",
            "a short between the legs",
            "the relay or switch itself: contacts welded or fouled",
            "a low-air switch out of adjustment, or its valve closed",
            "the pressure sensor, where switch and sensor disagree",
        ),
        settings=(
            Setting(name="deadband", kind="pressure", default="2 psi",
                    source="setting; covers the tolerance of switch and sensor together",
                    doc="how far past the low-pressure limit before switch and sensor disagree"),
            *delays("30 s", "10 s"),
        ),
    ),
)
