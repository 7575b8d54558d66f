"""The catalogue of conditions: ids, class, priority, settings with default and source, causes.

Ids are final; they appear in files, messages and the API. A condition whose ``settings`` is
``None`` is known but not yet built: it may be named in a site file and is reported as not watched.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from collector.domain.events import Priority, Signal

__all__ = ["CATALOGUE", "COMMON_SETTINGS", "CAUTIONS", "Condition", "ConditionSettings", "Setting"]

SettingValue = float | bool | str | None

CAUTIONS: Mapping[str, str] = {
    "not-a-fire-alarm": (
        "This supervises for maintenance. It is not a listed fire-alarm or supervising-station "
        "system, replaces none, and nobody may rely on it for one. Local code, the authority "
        "having jurisdiction and licensed practice decide."
    ),
    "oxygen": (
        "Nitrogen displaces oxygen: a release in a small or closed room can kill without warning. "
        "Ventilate, measure, never enter on a normal-looking screen."
    ),
    "compressor": (
        "Compressors start by themselves; tanks hold pressure with the power off. "
        "Isolate, lock out, bleed down."
    ),
    "impairment": (
        "Filling, closing or testing a system is an impairment: follow the impairment procedure "
        "first."
    ),
    "only-reads": (
        "It only reads. It never writes a register, moves a valve or clears a controller's fault."
    ),
}
"""The cautions, by name; a condition names the ones its message carries."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One condition of the trade, and what its message says besides the numbers."""

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

    @property
    def built(self) -> bool:
        """Whether this version watches it."""
        return self.settings is not None

    def all_settings(self) -> tuple[Setting, ...]:
        """Return its own settings and the common ones it does not restate."""
        own = self.settings or ()
        named = {s.name for s in own}
        return (*own, *(s for s in COMMON_SETTINGS if s.name not in named))


def _delays(on: str, off: str, source: str = "setting") -> tuple[Setting, ...]:
    return (
        Setting(name="on_delay", kind="duration", default=on, source=source,
                doc="how long it must hold before the alarm is raised"),
        Setting(name="off_delay", kind="duration", default=off, source=source,
                doc="how long it must have ended before the alarm returns"),
    )


_S, _T, _V = Signal.SUPERVISORY, Signal.TROUBLE, Signal.SERVICE
_H, _M, _L = Priority.HIGH, Priority.MEDIUM, Priority.LOW

_MAX_GAP = Setting(
    name="max_gap", kind="duration", default=None, source="three polls of the slowest input",
    doc="a longer gap between samples is not counted as time the state lasted",
)

_ALL = (
    Condition(
        id="compressor-long-run", title="Compressor runs too long", applies_to="generator",
        signal=_T, priority=_H, cautions=("compressor",),
        causes=(
            "a leak in the pipe or at the tank: listen, soap the joints",
            "a riser being filled that nobody declared, or a bypass left open",
            "a worn compressor or a clogged intake filter",
            "the unit left in air-fill, so that the pipe takes all it makes",
            "a pressure switch that no longer opens at cut-out",
        ),
        settings=(
            Setting(name="limit", kind="duration", default=None,
                    source="tank volume, cut-in, cut-out and delivery of the site file; common "
                           "practice (12 min, half as much again as the 8 min pump-up of a small "
                           "unit on nitrogen) where one is missing",
                    doc="longest run allowed when refilling in nitrogen mode"),
            Setting(name="air_fill_limit", kind="duration", default="30 min",
                    source="common practice", doc="longest run allowed while in air-fill"),
            Setting(name="fill_limit", kind="duration", default="60 min",
                    source="setting; system fill is 30 min by common practice, doubled for a "
                           "freezer (NFPA 13, from memory)",
                    doc="longest run allowed during a declared system fill"),
            _MAX_GAP,
            *_delays("5 s", "5 s"),
        ),
    ),
    Condition(id="compressor-overduty", title="Compressor runs too much of the day",
              applies_to="generator", signal=_T, priority=_M),
    Condition(id="compressor-short-cycling", title="Compressor starts too often",
              applies_to="generator", signal=_T, priority=_M),
    Condition(id="compressor-not-starting", title="Compressor does not start",
              applies_to="generator", signal=_T, priority=_H),
    Condition(id="compressor-weak", title="Compressor delivers less than it did",
              applies_to="generator", signal=_V, priority=_M),
    Condition(
        id="air-fill-stuck", title="Stuck in air-fill", applies_to="generator",
        signal=_T, priority=_H, cautions=("impairment", "compressor"),
        causes=(
            "a leak or an open drain larger than the unit can make up on nitrogen",
            "a system being filled that nobody declared",
            "a compressor that no longer reaches the pressure where the unit returns to nitrogen",
            "the air-fill valve or its pilot stuck, or the mode switch left by hand",
        ),
        settings=(
            Setting(name="limit", kind="duration", default="30 min", source="common practice",
                    doc="longest stay in air-fill"),
            Setting(name="fill_limit", kind="duration", default="60 min", source="setting",
                    doc="longest stay in air-fill during a declared system fill"),
            Setting(name="return_pressure", kind="pressure", default=None,
                    source="the site file's cut_out; 80 psi by common practice",
                    doc="tank pressure above which the unit should have gone back to nitrogen"),
            Setting(name="return_delay", kind="duration", default="2 min", source="setting",
                    doc="how long it may stay in air-fill above the return pressure"),
            Setting(name="deadband", kind="pressure", default="1 psi",
                    source="2 % of pressure, EEMUA 191 as quoted (check-values H)",
                    doc="how far below the return pressure the tank must fall to count as below"),
            _MAX_GAP,
            *_delays("5 s", "5 s"),
        ),
    ),
    Condition(id="air-fill-frequent", title="Falls back to air-fill too often",
              applies_to="generator", signal=_T, priority=_M),
    Condition(id="air-in-nitrogen-mode", title="Air while it says nitrogen",
              applies_to="generator", signal=_T, priority=_H, cautions=("oxygen",)),
    Condition(id="product-oxygen-high", title="Product oxygen too high",
              applies_to="generator", signal=_T, priority=_M),
    Condition(id="tank-leak", title="The tank leaks", applies_to="generator",
              signal=_V, priority=_M),
    Condition(
        id="pressure-low", title="Supervisory pressure low", applies_to="riser",
        signal=_S, priority=_H, cautions=("impairment",),
        causes=(
            "an open head, drain or test valve: look before you enter",
            "the supply to this riser closed, or its air maintenance device set too low",
            "the generator unable to keep up: look at its mode and tank",
            "a leak that has grown",
            "the pressure sensor or its line",
        ),
        settings=(
            Setting(name="limit", kind="pressure", default=None,
                    source="the riser's low_pressure in the site file", doc="lowest pressure"),
            Setting(name="deadband", kind="pressure", default="0.5 psi",
                    source="2 % of pressure, EEMUA 191 as quoted (check-values H)",
                    doc="how far above the limit it must rise to have returned"),
            *_delays("15 s", "15 s", "ISA-18.2 for pressure, from memory"),
        ),
    ),
    Condition(id="pressure-high", title="Supervisory pressure high", applies_to="riser",
              signal=_S, priority=_H),
    Condition(id="pressure-falling-fast", title="Supervisory pressure falls fast",
              applies_to="riser", signal=_S, priority=_H, cautions=("impairment",)),
    Condition(id="leak-high", title="Leak above its limit", applies_to="riser",
              signal=_V, priority=_M),
    Condition(id="leak-growing", title="Leak is growing", applies_to="riser",
              signal=_V, priority=_L),
    Condition(
        id="oxygen-not-falling", title="Oxygen is not falling", applies_to="vent",
        signal=_T, priority=_M, cautions=("oxygen",),
        causes=(
            "the generator was in air-fill: the pipe got air",
            "the vent closed, its orifice or filter clogged",
            "water in the pipe between riser and vent",
            "more pipe than the site file says, or a leak that takes the nitrogen before the vent",
            "the product is not pure: read the analyser",
            "the oxygen sensor",
        ),
        settings=(
            Setting(name="target", kind="percent", default=None,
                    source="the vent's target_oxygen in the site file; 2 % (98 % nitrogen, common "
                           "practice) otherwise", doc="oxygen at which the purge is done"),
            Setting(name="planned_days", kind="days", default=None,
                    source="setting; without it a purge is not late by the calendar",
                    doc="days after which a purge that is not done is late"),
            Setting(name="window", kind="duration", default=None,
                    source="a quarter of the predicted time constant, within 2 h to 3 days; "
                           "12 h where no flow is given",
                    doc="how much of the curve is looked at"),
            Setting(name="slow_factor", kind="number", default=0.5, source="setting",
                    doc="share of the predicted rate below which the purge is too slow"),
            Setting(name="deadband", kind="percent", default="0.5 %",
                    source="setting; several steps of a 0.1 % sensor",
                    doc="how far above the target a purge is held to be under way"),
            *_delays("10 min", "10 min"),
        ),
    ),
    Condition(id="oxygen-rising", title="Oxygen is rising again", applies_to="vent",
              signal=_T, priority=_M, cautions=("oxygen",)),
    Condition(id="oxygen-sensor-suspect", title="Oxygen sensor suspect", applies_to="vent",
              signal=_T, priority=_L),
    Condition(id="vent-stuck-open", title="Vent stuck open", applies_to="vent",
              signal=_T, priority=_M),
    Condition(id="vent-stuck-closed", title="Vent stuck closed", applies_to="vent",
              signal=_T, priority=_M),
    Condition(id="purge-blocked", title="Purge path blocked", applies_to="vent",
              signal=_T, priority=_M),
    Condition(id="water-at-vent", title="Water at the vent", applies_to="vent",
              signal=_T, priority=_M),
    Condition(id="low-air-contact", title="Low-air switch", applies_to="riser",
              signal=_S, priority=_H, cautions=("impairment",)),
    Condition(id="generator-trouble", title="Generator reports trouble", applies_to="generator",
              signal=_T, priority=_M),
    Condition(id="power-lost", title="Power lost", applies_to="generator",
              signal=_T, priority=_H, cautions=("compressor",)),
    Condition(
        id="contact-disagreement", title="Contact contradicts itself", applies_to="contact",
        signal=_T, priority=_H,
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
            *_delays("30 s", "10 s"),
        ),
    ),
    Condition(id="room-oxygen-low", title="Room oxygen low", applies_to="room",
              signal=_S, priority=_H, cautions=("oxygen",)),
    Condition(id="low-temperature", title="Valve room too cold", applies_to="riser",
              signal=_S, priority=_H),
    Condition(
        id="device-silent", title="Device does not answer", applies_to="device",
        signal=_T, priority=_M,
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
            *_delays("0 s", "0 s"),
        ),
    ),
    Condition(id="data-frozen", title="Readings never change", applies_to="device",
              signal=_T, priority=_M),
    Condition(id="service-due", title="Service due", applies_to="generator",
              signal=_V, priority=_L),
    Condition(id="clock-jump", title="Clock jumped", applies_to="collector",
              signal=_T, priority=_M),
    Condition(id="journal-trouble", title="Journal in trouble", applies_to="collector",
              signal=_T, priority=_M),
    Condition(id="delivery-failing", title="Messages do not get through", applies_to="collector",
              signal=_T, priority=_M),
    Condition(id="site-silent", title="Site is silent", applies_to="collector",
              signal=_T, priority=_M),
)

CATALOGUE: Mapping[str, Condition] = {c.id: c for c in _ALL}


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionSettings:
    """The settings in force, resolved to numbers in units of record.

    ``general[condition][name]`` holds site-wide values; ``single[condition][asset][name]`` those
    for one thing only. What neither states comes from ``defaults``.
    """

    defaults: Mapping[str, Mapping[str, SettingValue]]
    general: Mapping[str, Mapping[str, SettingValue]] = field(default_factory=dict)
    single: Mapping[str, Mapping[str, Mapping[str, SettingValue]]] = field(default_factory=dict)

    def for_(self, condition: str, asset: str) -> Mapping[str, SettingValue]:
        """Return every setting of ``condition`` for ``asset``."""
        return {
            **self.defaults.get(condition, {}),
            **self.general.get(condition, {}),
            **self.single.get(condition, {}).get(asset, {}),
        }
