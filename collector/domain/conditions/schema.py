"""The types of conditions and of their settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from collector.domain.events import Priority, Signal
from collector.domain.units import DAY

__all__ = ["COMMON_SETTINGS", "DAY", "DECLARED_FILL", "MAX_GAP", "Cause", "Condition", "Setting",
           "delays"]

DECLARED_FILL = "declared fill"
"""A person's declaration, among the causes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting of a condition.

    ``kind`` says how its text is read: ``duration`` (ms), ``pressure`` (psi), ``pressure-rate``
    (psi/min), ``percent``, ``temperature`` (degrees C), ``hours``, ``flow`` (mol/s), ``number``,
    ``count``, ``days``, ``date`` or ``flag``. ``default`` is what a person would write in the site
    file, or ``None`` where the program must derive it (``source`` then says from what).
    """

    name: str
    kind: str
    default: str | float | bool | None
    source: str
    doc: str


COMMON_SETTINGS = (
    Setting(name="enabled", kind="flag", default=True, source="setting", doc="watch it at all"),
    Setting(name="on_delay", kind="duration", default="0 s", source="setting",
            doc="how long it must hold before the alarm is raised"),
    Setting(name="off_delay", kind="duration", default="0 s", source="setting",
            doc="how long it must have ended before the alarm returns"),
)
"""Settings that every condition has; a condition may state another default for the delays."""


@dataclass(frozen=True, slots=True)
class Cause:
    """An active condition (or :data:`DECLARED_FILL`) that explains another one.

    It inhibits the other, which then is not raised, or is only named as its probable cause.
    """

    by: str
    reach: Literal["same", "alone", "downstream", "upstream"]
    """Where what it explains lies, seen from its own asset along the path of the gas; ``alone``: a
    device that reads nothing but that asset."""
    inhibits: bool = True
    after: int = 0
    """How long (ms) it inhibits when it has returned, where that is more than the usual grace."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One condition: its title, class, causes, cautions and settings."""

    id: str
    title: str
    applies_to: str
    """``generator``, ``riser``, ``vent``, ``room``, ``device``, ``contact`` or ``collector``."""
    signal: Signal
    priority: Priority
    causes: tuple[str, ...] = ()
    """Likely causes, in the order a technician would check them."""
    cautions: tuple[str, ...] = ()
    settings: tuple[Setting, ...] | None = None
    plot: str = ""
    """Quantity of the asset (or of its riser or generator) on whose plot it is marked."""
    impairment: bool = False
    """Whether an impairment of the system suppresses it: out of service, a system has no pressure,
    leaks, breathes air, and makes its compressor run."""
    explained_by: tuple[Cause, ...] = ()
    """What suppresses it or is named as its cause. ``pressure-low`` and the low-air switch are
    never suppressed: a riser without pressure must be reported, whatever took it."""
    doubts: bool | None = None
    """Whether its rule says which readings are not valid: it then inhibits conditions that need
    them (``True``), or is named as the cause (``False``)."""
    also: tuple[str, ...] = ()
    """Further kinds it is monitored for: a generator, where its risers cannot be separated."""

    @property
    def built(self) -> bool:
        """Whether this version monitors it."""
        return self.settings is not None

    def all_settings(self) -> tuple[Setting, ...]:
        """Return its own settings and the common ones it does not restate."""
        own = self.settings or ()
        named = {s.name for s in own}
        return (*own, *(s for s in COMMON_SETTINGS if s.name not in named))


def delays(on: str, off: str, source: str = "setting") -> tuple[Setting, ...]:
    """Return the two delays with defaults of their own, as text a site file would hold."""
    return (
        Setting(name="on_delay", kind="duration", default=on, source=source,
                doc="how long it must hold before the alarm is raised"),
        Setting(name="off_delay", kind="duration", default=off, source=source,
                doc="how long it must have ended before the alarm returns"),
    )


MAX_GAP = Setting(
    name="max_gap", kind="duration", default=None,
    source="three and a half polls of the slowest input",
    doc="a longer gap between samples is not counted as time the state lasted",
)
