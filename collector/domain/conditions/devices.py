"""Conditions of vents, contacts, devices and the collector itself."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, MAX_GAP, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

_TIMER = Setting(
    name="planned", kind="duration", default=None,
    source="setting; the timer's plan, where a timer moves the vent",
    doc="longest time for which it stays there by plan",
)

VENT = (
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
            # Air that comes in is no gas that does not flow, and the oxygen tells them apart badly.
            Cause("oxygen-rising", "same"),
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


_BOUNCE = "setting; a change counts from its first reading and needs a second one"

CONTACTS = (
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


HEALTH = (
    Condition(
        id="device-silent", title="Device not responding", applies_to="device",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        explained_by=(Cause("power-lost", "downstream"),),
        causes=(
            "power to the device",
            "the cable, its plug, or the network between here and there",
            "its address or unit number, which may have been changed",
            "the device itself: look whether its display lives",
        ),
        settings=(
            Setting(name="limit", kind="duration", default=None,
                    source="six polls of the device, at least 30 s",
                    doc="longest time without one usable answer"),
            *delays("0 s", "0 s"),
        ),
    ),
    Condition(
        id="readings-implausible", title="Readings implausible", applies_to="device",
        signal=Signal.TROUBLE, priority=Priority.HIGH,
        causes=(
            "the device's display against the values here: type, order of words, scale, unit",
            "addresses of a sheet that counts from 1, where the wire counts from 0",
            "the unit number: another device may answer",
            "the set points in the site file: cut-in, cut-out, supervisory pressure",
            "the gauge itself; readings that are right for all that are named as trusted in the "
            "site file",
        ),
        settings=(*delays("0 s", "0 s"),),
    ),
    Condition(
        id="data-frozen", title="Readings frozen", applies_to="device",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        explained_by=(
            Cause("power-lost", "downstream"), Cause("oxygen-sensor-suspect", "alone"),
        ),
        doubts=True,
        causes=(
            "the device's own display: does it move while the readings here do not",
            "the logger or gateway between: restart it",
            "the controller hangs: restart it by its own procedure",
            "a plant that really is at rest: then its gauges stand as still as this says",
        ),
        settings=(
            Setting(name="limit", kind="duration", default=None,
                    source="eight times the longest time it was seen to stand still with "
                           "compressor, mode and vents as they are, at least 10 min and 30 polls; "
                           "at least 12 h for a device that was seen to rest",
                    doc="longest time without any change of anything it gives"),
            Setting(name="unlearned_limit", kind="duration", default="48 h", source="setting",
                    doc="the limit while too little was seen of the device to know it; not used "
                        "where it gives oxygen, temperature and contacts alone, which may rest"),
            *delays("0 s", "0 s"),
        ),
    ),
    Condition(
        id="clock-jump", title="Clock jumped", applies_to="collector",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        causes=(
            "the machine's time service: is it on, does it reach its servers",
            "the clock, which may have been set by hand",
            "the battery of the machine's clock, if it jumped at a start",
        ),
        settings=(
            Setting(name="limit", kind="duration", default="10 s",
                    source="setting; about two polls, above what a time service steps by",
                    doc="smallest jump that raises it"),
            Setting(name="stay", kind="duration", default="10 min", source="setting",
                    doc="how long the alarm stays after the last jump"),
            *delays("0 s", "0 s"),
        ),
    ),
    Condition(
        id="journal-trouble", title="Journal trouble", applies_to="collector",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        causes=(
            "room on the disk",
            "the disk itself: worn out, unplugged or read-only",
            "the rights of the data folder",
            "another program that holds the file",
        ),
        settings=(
            Setting(name="stay", kind="duration", default="1 h", source="setting",
                    doc="how long the alarm stays after a damaged journal was replaced"),
            *delays("10 s", "30 s"),
        ),
    ),
    Condition(
        id="delivery-failing", title="Messages not delivered", applies_to="collector",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        causes=(
            "the line to the internet or to the mail server",
            "the recipient's address in the site file",
            "the password or token of the way out: expired or changed",
            "the messaging service, or the server that readings are forwarded to",
        ),
        settings=(
            Setting(name="limit", kind="duration", default="10 min", source="setting",
                    doc="longest time in which attempts may fail before it is raised; a message "
                        "given up raises it at once"),
            Setting(name="stay", kind="duration", default="24 h", source="setting",
                    doc="how long the alarm stays when nothing more is due to the recipient"),
            *delays("0 s", "0 s"),
        ),
    ),
    Condition(
        id="site-silent", title="Site not reporting", applies_to="collector",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        causes=(
            "the site's line to the outside",
            "the power of the machine that watches there",
            "the collector itself: does its board answer at the site",
            "the site's certificate or password at the broker: expired or changed",
        ),
    ),
)
