"""Conditions raised by one dry contact: the low-air switch, trouble, loss of power."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from collector.rules.base import Band, Context, RawEvaluation, Rule, State, Values, contact_band


@dataclass(slots=True, kw_only=True)
class _ContactState(State):
    on: bool | None = None
    """State that two readings in a row last showed; ``None`` before the first."""
    since_at: int | None = None
    other_at: int | None = None
    """Time of the first reading of the other state; a single one may be bounce."""


class ContactRule(Rule):
    """A condition that is the state of one contact.

    A change counts after two readings in a row, whatever the poll interval: bounce, or one odd
    reading, changes nothing. The change then dates from the first one.
    """

    quantity: ClassVar[str]
    holds_at: ClassVar[bool] = True
    """The state of the contact (1 is true) at which the condition is active."""
    says: ClassVar[str]
    state: _ContactState

    def __init__(self, context: Context, asset: str) -> None:
        self.point = f"{asset}.{self.quantity}"
        super().__init__(context, asset, inputs=[self.point], needs=[self.point])
        self.state = _ContactState()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        s, says = self.state, (value >= 0.5) is self.holds_at
        if s.on is None and not says:
            s.on, s.other_at = False, None
            return True
        if says is s.on:
            s.other_at = None
            return False
        unbroken = before_at is not None and at - before_at <= self.gap(point)
        if s.other_at is None or not unbroken:
            s.other_at = at
            return False
        s.on, s.since_at, s.other_at = says, s.other_at, None
        return True

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.on is None:
            return RawEvaluation.unknown(
                f"{self.words.label(self.point)} was read only once so far")
        return RawEvaluation.active(s.since_at) if s.on else RawEvaluation.inactive(s.since_at)

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if s.on is None or s.other_at is not None:
            return None
        return contact_band(s.on is self.holds_at)

    def describe(self, now: int) -> tuple[Values, str]:
        since = self.state.since_at if self.state.since_at is not None else now
        values: dict[str, float | int | str | None] = {self.quantity: int(self.holds_at)}
        beside = self.beside(now, values)
        lasted = self.words.duration(max(now - since, 0))
        numbers = f"For {lasted} now {self.says}.{beside}"
        return values, self.words.message(self.about, self.asset, since=since, numbers=numbers)

    def beside(self, now: int, values: dict[str, float | int | str | None]) -> str:
        """Return a sentence on the gauge's value; empty without a gauge."""
        return ""


class _Gauged(ContactRule):
    """A contact with a gauge of the same quantity, whose value the message gives."""

    gauge: ClassVar[str]
    key: ClassVar[str]

    def beside(self, now: int, values: dict[str, float | int | str | None]) -> str:
        """Return the gauge's reading."""
        name = f"{self.asset}.{self.gauge}"
        if not self.context.is_configured(name):
            return " No gauge is read beside it: go by the gauge on the wall."
        gauge = self.context.inputs.point(name)
        if gauge.value is None or not gauge.fresh(now):
            return f" The {self.words.label(name)} is not read at present."
        values[self.key] = round(gauge.value, 2)
        return f" The {self.words.label(name)} reads {self.words.pressure(gauge.value)}."


class LowAirContact(_Gauged):
    """The low-air switch of a riser."""

    condition = "low-air-contact"
    requires = {"low_air": "low-air switch"}
    quantity = "low_air"
    says = "the low-air switch has said that the pressure in the pipe is low"
    gauge, key = "pressure", "pressure_psi"


class GeneratorTrouble(ContactRule):
    """The generator's own trouble contact; its display shows the cause."""

    condition = "generator-trouble"
    requires = {"trouble": "trouble contact"}
    quantity = "trouble"
    says = ("its trouble contact has said that something is wrong; what it is stands on its own "
            "display")


class PowerLost(_Gauged):
    """The contact that shows whether the generator has power."""

    condition = "power-lost"
    requires = {"power": "power contact"}
    quantity = "power"
    holds_at = False
    says = ("the power contact has said that the generator has no power; nothing makes gas until "
            "it is back")
    gauge, key = "tank_pressure", "tank_pressure_psi"
