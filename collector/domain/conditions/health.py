"""Conditions of devices, of their data, and of the collector itself."""

from __future__ import annotations

from collector.domain.conditions.schema import Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
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
