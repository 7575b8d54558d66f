"""Conditions of purge vents and of the path to them."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, MAX_GAP, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

_TIMER = Setting(
    name="planned", kind="duration", default=None,
    source="setting; the timer's plan, where a timer moves the vent",
    doc="longest time for which it stays there by plan",
)

CONDITIONS = (
    Condition(
        id="vent-stuck-open", title="Vent stuck open", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("oxygen",),
        plot="oxygen", impairment=True,
        explained_by=(
            # A step is reported for a day; the sensor that took it is hardly better on the next.
            Cause("oxygen-sensor-suspect", "same", after=DAY),
        ),
        causes=(
            "the vent's own controller: its target, its mode, a manual override",
            "dirt in the valve's seat, or a coil that stays powered",
            "the position contact: does gas really leave",
            "a timer that is set longer than planned",
        ),
        settings=(
            Setting(name="limit", kind="duration", default="6 h", source="setting",
                    doc="how long it may stay open with the purge well done"),
            Setting(name="timer_limit", kind="duration", default="26 h",
                    source="setting; longer than a daily timer opens a vent",
                    doc="how long it may stay open just under the target, or where it opened with "
                        "the purge done and its habit is not known"),
            _TIMER,
            Setting(name="margin", kind="percent", default="0.3 %",
                    source="setting; three steps of a 0.1 % sensor, where a vent's controller "
                           "has closed it long before",
                    doc="how far below the target the oxygen must be"),
            Setting(name="deadband", kind="percent", default="0.2 %",
                    source="setting; two steps of a 0.1 % sensor",
                    doc="how far above that line the oxygen must rise to begin again"),
            MAX_GAP, *delays("0 s", "10 s"),
        ),
    ),
    Condition(
        id="vent-stuck-closed", title="Vent stuck closed", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        plot="oxygen", impairment=True,
        explained_by=(
            Cause("power-lost", "downstream"),
            # A step is reported for a day; the sensor that took it is hardly better on the next.
            Cause("oxygen-sensor-suspect", "same", after=DAY),
        ),
        causes=(
            "the vent's own controller: its target, its mode, a manual override, its supply",
            "the coil and its wiring",
            "the valve: stuck by dirt or ice, or closed by hand",
            "the position contact: does no gas really leave",
            "a timer whose plan is longer: state it in the settings",
        ),
        settings=(
            Setting(name="limit", kind="duration", default="26 h",
                    source="setting; longer than the pause of a daily timer",
                    doc="how long it may stay closed while its habit is not known"),
            Setting(name="short_limit", kind="duration", default="2 h", source="setting",
                    doc="how long it may stay closed once its habit is known to be shorter than "
                        "a timer's; one and a half times the longest pause seen holds if longer"),
            Setting(name="steady_after", kind="duration", default="8 h",
                    source="setting; longer than a timer opens a vent",
                    doc="an opening of this length during a purge shows that no timer moves it"),
            _TIMER,
            Setting(name="margin", kind="percent", default=None,
                    source="two steps of a sensor above where the vent's controller was seen to "
                           "open it; 1 % until then, more than common controllers let come back "
                           "(0.2 to 0.8 %, common practice)",
                    doc="how far above the target the oxygen must be for a purge to be due"),
            Setting(name="deadband", kind="percent", default="0.3 %",
                    source="setting; three steps of a 0.1 % sensor",
                    doc="how far below that line the oxygen must fall for it to be due no more"),
            MAX_GAP, *delays("0 s", "10 s"),
        ),
    ),
    Condition(
        id="purge-blocked", title="Purge path blocked", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("impairment",),
        plot="oxygen", impairment=True,
        explained_by=(
            Cause("power-lost", "downstream"), Cause("oxygen-sensor-suspect", "same"),
            Cause("vent-stuck-closed", "same"), Cause("water-at-vent", "same", inhibits=False),
        ),
        causes=(
            "water at the low point before the vent: drain it",
            "the vent's filter and orifice",
            "a hand valve before the vent",
            "the vent itself: its contact says open, the valve may not be",
            "ice, in a pipe that is cold",
        ),
        settings=(
            Setting(name="window", kind="duration", default=None,
                    source="the time in which the vent alone takes 3 psi off the riser, at least "
                           "10 min; above 6 h the pressure is not used",
                    doc="how much falling of the riser's pressure is looked at"),
            Setting(name="share", kind="number", default=0.5, source="setting",
                    doc="share of the fall seen with the vent flowing below which it does not"),
            *delays("10 min", "10 min"),
        ),
    ),
    Condition(
        id="water-at-vent", title="Water at vent", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("impairment",),
        causes=(
            "drain the vent's trap and the low points before it",
            "was the system wet, tested or tripped lately",
            "the dryness of the gas: the dew point at the generator",
            "the water contact itself",
        ),
        settings=(MAX_GAP, *delays("30 s", "1 min", "setting; a contact may bounce as long")),
    ),
)
