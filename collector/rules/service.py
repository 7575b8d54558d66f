"""Service by the hour counter and by the calendar: the condition and the quantity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from collector.domain.events import EstimateMade
from collector.domain.units import DAY, HOUR
from collector.rules.base import Band, Context, Estimator, RawEvaluation, Rule, State, Values
from collector.rules.plan import HourClock, HourPlan, calendar_due

_STEP = 0.1  # h, what a common counter shows


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


@dataclass(slots=True, kw_only=True)
class _ServiceState(State):
    clock: HourClock = field(default_factory=HourClock)
    due_at: int | None = None
    """Time at which the hours reached the plan."""


class ServiceDue(Rule):
    """Running hours or the calendar have reached the service plan of the site file.

    The counter is followed across its replacement (:class:`HourClock`). Once the service is done,
    the site file's new date and hours end it.
    """

    condition = "service-due"
    state: _ServiceState

    def __init__(self, context: Context, asset: str) -> None:
        self._hours = f"{asset}.running_hours"
        plan, _ = self._plan_of(context, asset)
        super().__init__(context, asset, inputs=[self._hours] if plan else [], needs=())
        self._point = context.inputs.point(self._hours)
        self._unit, self._plan = context.plant.generators[asset], plan
        self._date = calendar_due(self._unit, context.plant.site.timezone)
        self.state = _ServiceState()
        self._begin()

    @staticmethod
    def _plan_of(context: Context, asset: str) -> tuple[HourPlan | None, str]:
        """Return the plan by hours, or the reason there is none."""
        made = HourPlan.of(context.plant.generators[asset], context.plant.site.timezone)
        if isinstance(made, str):
            return None, made
        if not context.is_configured(f"{asset}.running_hours"):
            return None, f"no running hours at {asset}"
        return made, ""

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        plan, why = cls._plan_of(context, asset)
        unit = context.plant.generators[asset]
        if plan is not None or calendar_due(unit, context.plant.site.timezone) is not None:
            return ""
        return why or (
            f"no service plan for {asset} (service_every, or service_months and last_service)")

    def _begin(self) -> None:
        s = self.state
        key = self._plan.key if self._plan is not None else ""
        if s.clock.plan != key:
            s.due_at = None
        s.clock.begin(key)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        self.state.clock.sample(at, value)
        return True

    def _used(self, now: int) -> float | str:
        """Return the hours since the last service, or the reason they are not known."""
        plan, value = self._plan, self._point.value
        if plan is None:
            return "no plan by hours"
        if value is None:
            return "no usable running hours yet"
        return plan.used(self.state.clock, value, now)

    def evaluate(self, now: int) -> RawEvaluation:
        s, plan = self.state, self._plan
        used = self._used(now)
        if plan is not None and not isinstance(used, str):
            over = used >= plan.every
            s.due_at = (s.due_at if s.due_at is not None else now) if over else None
        times = [t for t in (s.due_at, self._date) if t is not None and t <= now]
        if times:
            return RawEvaluation.active(min(times))
        if isinstance(used, str) and plan is not None:
            return RawEvaluation.unknown(used)
        if plan is not None and not self._point.fresh(now, self.gap(self._hours)):
            return RawEvaluation.unknown(f"no usable {self.words.label(self._hours)}")
        return RawEvaluation.inactive()

    def next_evaluation_at(self, now: int) -> int | None:
        return self._date if self._date is not None and self._date > now else None

    def describe(self, now: int) -> tuple[Values, str]:
        unit, plan, s = self._unit, self._plan, self.state
        used = self._used(now)
        values: dict[str, float | int | str | None] = {}
        sentences = []
        if plan is not None and not isinstance(used, str):
            values |= {"hours_since_service": round(used, 1), "service_every_hours": plan.every}
            sentences.append(
                f"{used:.0f} running hours since the last service; the plan is one every "
                f"{plan.every:.0f} h.")
        elif plan is not None and isinstance(used, str):
            sentences.append(f"The running hours are not known: {used}.")
        if self._date is not None and unit.last_service is not None:
            left = self._date - now
            values["calendar_days_over"] = round(-left / DAY, 1)
            word = "was" if left <= 0 else "is"
            sentences.append(f"Last service on {_day(unit.last_service)}; by the calendar the next "
                        f"{word} due at {self.words.instant(self._date)}.")
        if s.clock.swap_at is not None:
            sentences.append("The hour counter was replaced or rolled over at "
                        f"{self.words.instant(s.clock.swap_at)}; its hours are counted on.")
        since = min(t for t in (s.due_at, self._date, now) if t is not None)
        return values, self.words.message(
            self.about, self.asset, since=since, numbers=" ".join(sentences),
        )

    def no_change_band(self, point: str) -> Band | None:
        value = self.state.clock.value
        return None if value is None else Band(value, value)

    def load(self, state: Mapping[str, Any]) -> None:
        super().load(state)
        self._begin()


class HoursToService(Estimator):
    """Running hours left by the plan, or clock hours to the calendar's date where fewer.

    Below zero it is overdue. The interval is the step of the counter, and the hours in which a
    replaced counter was not seen to count.
    """

    quantity = "hours-to-service"
    state: HourClock

    def __init__(self, context: Context, asset: str) -> None:
        unit, zone = context.plant.generators[asset], context.plant.site.timezone
        plan = HourPlan.of(unit, zone)
        self._reason = plan if isinstance(plan, str) else ""
        self._plan = plan if isinstance(plan, HourPlan) else None
        hours = f"{asset}.running_hours"
        if self._plan is not None and not context.is_configured(hours):
            self._plan, self._reason = None, f"no running hours at {asset}"
        super().__init__(context, asset, (hours,) if self._plan else ())
        self._point = context.inputs.point(hours)
        self._date = calendar_due(unit, zone)
        self.state = self.clock = HourClock(plan=self._plan.key if self._plan else "")

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        if value != self.clock.value:
            self.clock.sample(at, value)

    def make(self, now: int) -> EstimateMade | None:
        left, low, high, reason = self._by_hours(now)
        start = now
        if self._plan is not None and self._plan.since is not None:
            start = min(now, self._plan.since)
        if self._date is not None:
            clock = (self._date - now) / HOUR
            if left is None or clock < left:
                left = low = high = clock
                reason = ""
        return self._made(now, start, left, low, high, reason)

    def _by_hours(self, now: int) -> tuple[float | None, float | None, float | None, str]:
        plan, value = self._plan, self._point.value
        if plan is None:
            return None, None, None, self._reason
        if value is None:
            return None, None, None, "no running hours have been read"
        used = plan.used(self.clock, value, now)
        if isinstance(used, str):
            return None, None, None, used
        left = plan.every - used
        return left, left - _STEP - self.clock.lost, left + _STEP, ""

    def load(self, state: Mapping[str, Any]) -> None:
        key = self.clock.plan
        super().load(state)
        self.clock.begin(key)


def build_estimators(context: Context) -> list[Estimator]:
    """Return the hours to service of every generator that has a plan."""
    return [
        HoursToService(context, name) for name, unit in context.plant.generators.items()
        if unit.service_every is not None or calendar_due(unit, context.plant.site.timezone)
    ]
