"""Conditions raised by a dry contact, and the mismatch of a form C contact's two legs."""

from __future__ import annotations

from collector.domain.conditions.schema import MAX_GAP, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

_BOUNCE = "setting; a change counts from its first reading and needs a second one"

CONDITIONS = (
    Condition(
        id="low-air-contact", title="Low air pressure switch operated", applies_to="riser",
        signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("impairment",),
        impairment=True,
        explained_by=(
            Cause("power-lost", "downstream", inhibits=False),
            Cause("declared fill", "downstream", inhibits=False),
            Cause("compressor-not-starting", "downstream", inhibits=False),
            Cause("pressure-falling-fast", "upstream", inhibits=False),
        ),
        causes=(
            "the gauge at the valve: is the pressure really low",
            "an open head, an open drain or a broken pipe",
            "the air maintenance device, its valves and the supply before it",
            "work on the system",
            "the switch: out of adjustment, its valve closed, or its wiring",
        ),
        settings=(MAX_GAP, *delays("5 s", "30 s", _BOUNCE)),
    ),
    Condition(
        id="generator-trouble", title="Generator trouble", applies_to="generator",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("compressor", "only-reads"),
        explained_by=(Cause("power-lost", "downstream"),),
        causes=(
            "the generator's own display: what trouble does it show",
            "its breaker and its motor overload",
            "the trouble relay and its wiring",
        ),
        # Longer than for power-lost: where the power is gone this relay drops too, and the loss
        # must be told first.
        settings=(MAX_GAP, *delays("10 s", "30 s", _BOUNCE)),
    ),
    Condition(
        id="power-lost", title="Power lost", applies_to="generator",
        signal=Signal.TROUBLE, priority=Priority.HIGH, cautions=("compressor",),
        causes=(
            "the disconnect at the generator: was it opened for work",
            "the breaker or fuses that feed it",
            "the building's supply",
            "the power relay and its wiring",
        ),
        settings=(MAX_GAP, *delays("5 s", "30 s", _BOUNCE)),
    ),
    Condition(
        id="contact-disagreement", title="Form C contact mismatch", applies_to="contact",
        signal=Signal.TROUBLE, priority=Priority.HIGH,
        doubts=False,
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
