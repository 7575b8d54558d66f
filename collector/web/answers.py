"""The JSON answers of the HTTP interface, and how facts become them."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from collector.clock import format_instant
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.events import EstimateMade
from collector.domain.live import LiveAlarm, PointState
from collector.domain.plant import Plant
from collector.domain.readings import point_kind, split_point
from collector.domain.trends import TrendStep
from collector.domain.verdicts import NotWatched
from collector.web.asks import Span
from collector.web.health import Health
from collector.web.services import BoardServices, CollectorStatistics

__all__ = [
    "ActAnswer", "AlarmAnswer", "AlarmsAnswer", "Answer", "EstimatesAnswer", "HealthAnswer",
    "Problem", "SeriesAnswer", "StatusAnswer", "alarm_answer", "estimate_answers", "series_answer",
    "status_answer", "unit_of",
]

Value = float | int | str | None


class Answer(BaseModel):
    """What every answer shares."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)


class Problem(Answer):
    """Why a request was not carried out."""

    error: str


class PointAnswer(Answer):
    """The last word of a point, in units of record; ``age`` in seconds."""

    point: str
    value: float | None
    unit: str
    quality: Literal["good", "bad", "stale"]
    why: str
    time: str
    age: float
    last_good: str | None


class AlarmAnswer(Answer):
    """One alarm that is not plainly normal."""

    id: str
    condition: str
    title: str
    asset: str
    name: str
    state: str
    signal: str
    priority: str
    present: bool
    since: str
    raised: str
    text: str
    values: dict[str, Value]
    by: str
    why: str
    until: str | None


class NotWatchedAnswer(Answer):
    """A condition that is not watched for an asset, and why."""

    condition: str
    asset: str
    reason: str


class StatusAnswer(Answer):
    """The site at a glance."""

    site: str
    name: str
    time: str
    alive: bool
    reasons: list[str]
    live_alarms: int
    unacknowledged: int
    points: list[PointAnswer]
    not_watched: list[NotWatchedAnswer]
    cautions: list[str]
    version: str


class AlarmsAnswer(Answer):
    """Every alarm that is not plainly normal, the most pressing first."""

    site: str
    time: str
    alarms: list[AlarmAnswer]


class ActAnswer(Answer):
    """What an action led to: the alarm as it stands, or ``null`` when it is normal again."""

    done: str
    by: str
    time: str
    alarm: AlarmAnswer | None


class StepAnswer(Answer):
    """One step of a series; without good readings its values are ``null``."""

    time: str
    count: int
    low: float | None
    mean: float | None
    high: float | None


class SeriesAnswer(Answer):
    """What a point did, in units of record."""

    point: str
    unit: str
    from_: str = Field(alias="from")
    to: str
    every: float
    """Seconds."""
    steps: list[StepAnswer]


class EstimateAnswer(Answer):
    """One quantity with its interval and window, or the reason why there is none."""

    time: str
    quantity: str
    asset: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    window: list[str] | None
    reason: str


class EstimatesAnswer(Answer):
    """The latest estimate of every quantity."""

    site: str
    estimates: list[EstimateAnswer]


class HealthAnswer(Answer):
    """Whether the watch itself is alive. Ages in seconds."""

    alive: bool
    reasons: list[str]
    last_turn_age: float | None
    last_commit_age: float | None
    waiting: int
    forwards: list[ForwardAnswer]


class ForwardAnswer(Answer):
    """How one far end is doing: a dead one does not make the watch itself unwell."""

    target: str
    reachable: bool
    last_sent_age: float | None
    behind: int
    missing: int
    why: str


def unit_of(plant: Plant, point: str) -> str | None:
    """Return the unit of record of a point of this plant; ``None`` when it has no such point."""
    try:
        thing_id, quantity = split_point(point)
    except ValueError:
        return None
    thing = plant.thing(thing_id)
    kind = point_kind(thing.kind, quantity) if thing is not None else None
    return kind.unit if kind is not None else None


def alarm_answer(alarm: LiveAlarm, plant: Plant) -> AlarmAnswer:
    """Write one alarm."""
    known = CATALOGUE.get(alarm.condition)
    return AlarmAnswer(
        id=alarm.id, condition=alarm.condition, title=known.title if known else alarm.condition,
        asset=alarm.asset, name=plant.name_of(alarm.asset), state=alarm.state.value,
        signal=alarm.signal.value, priority=alarm.priority.value, present=alarm.present,
        since=format_instant(alarm.since), raised=format_instant(alarm.raised), text=alarm.text,
        values=dict(alarm.values), by=alarm.by, why=alarm.why,
        until=None if alarm.until is None else format_instant(alarm.until),
    )


def _point_answer(point: str, state: PointState, unit: str, now: int) -> PointAnswer:
    last, good = state.last, state.last_good
    return PointAnswer(
        point=point, value=last.value, unit=unit, quality=last.quality.value, why=last.why,
        time=format_instant(last.time), age=max(now - last.time, 0) / 1000,
        last_good=None if good is None else format_instant(good.time),
    )


def _not_watched_answer(gap: NotWatched) -> NotWatchedAnswer:
    return NotWatchedAnswer(condition=gap.condition, asset=gap.asset, reason=gap.reason)


def status_answer(services: BoardServices, health: Health, now: int) -> StatusAnswer:
    """Write the site at a glance."""
    plant, alarms = services.plant(), services.alarms()
    return StatusAnswer(
        site=plant.site.id, name=plant.site.name, time=format_instant(now),
        alive=health.alive, reasons=list(health.reasons), live_alarms=len(alarms),
        unacknowledged=sum("unacknowledged" in a.state.value for a in alarms),
        points=[
            _point_answer(point, state, unit_of(plant, point) or "", now)
            for point, state in sorted(services.picture.points().items())
        ],
        not_watched=[_not_watched_answer(gap) for gap in services.not_watched()],
        cautions=list(CAUTIONS.values()), version=services.version,
    )


def health_answer(health: Health, statistics: CollectorStatistics, now: int) -> HealthAnswer:
    """Write the collector's own health."""
    def since(instant: int | None) -> float | None:
        return None if instant is None else max(now - instant, 0) / 1000

    return HealthAnswer(
        alive=health.alive, reasons=list(health.reasons), waiting=statistics.waiting,
        last_turn_age=since(statistics.last_turn), last_commit_age=since(statistics.last_commit),
        forwards=[
            ForwardAnswer(
                target=f.target, reachable=f.reachable, last_sent_age=since(f.last_sent),
                behind=f.behind, missing=f.missing, why=f.why,
            )
            for f in statistics.forwards
        ],
    )


def series_answer(point: str, unit: str, span: Span, steps: list[TrendStep]) -> SeriesAnswer:
    """Write a series."""
    return SeriesAnswer(
        point=point, unit=unit, from_=format_instant(span.start), to=format_instant(span.end),
        every=span.step / 1000,
        steps=[
            StepAnswer(time=format_instant(s.start), count=s.count, low=s.low, mean=s.mean,
                       high=s.high)
            for s in steps
        ],
    )


def estimate_answers(estimates: list[EstimateMade]) -> list[EstimateAnswer]:
    """Write estimates in a steady order."""
    return [
        EstimateAnswer(
            time=format_instant(e.time), quantity=e.quantity, asset=e.asset, value=e.value,
            low=e.low, high=e.high, unit=e.unit, reason=e.reason,
            window=None if e.window is None else [format_instant(t) for t in e.window],
        )
        for e in sorted(estimates, key=lambda e: (e.asset, e.quantity))
    ]
