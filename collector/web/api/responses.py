"""Turns facts into the JSON responses of the HTTP interface."""

from __future__ import annotations

from collector.clock import format_instant
from collector.domain.actions import Baseline, DeclaredFill, Window, WindowKind
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.evaluations import NotMonitored
from collector.domain.events import EstimateMade
from collector.domain.live import LiveAlarm, PointState
from collector.domain.plant import Plant
from collector.domain.readings import TrendStep, point_kind, split_point
from collector.web.api import Span
from collector.web.api.schemas import (
    AlarmResponse,
    BaselineResponse,
    EstimateResponse,
    FillResponse,
    ForwardResponse,
    HealthResponse,
    NotMonitoredResponse,
    PointResponse,
    SeriesResponse,
    StatusResponse,
    StepResponse,
    WindowResponse,
)
from collector.web.services import BoardServices, CollectorStatistics, Health
from collector.web.views.board import baseline_id
from collector.web.views.windows import declaration_views


def unit_of(plant: Plant, point: str) -> str | None:
    """Return the unit of record of a point; ``None`` for a point the plant does not have."""
    try:
        thing_id, quantity = split_point(point)
    except ValueError:
        return None
    thing = plant.thing(thing_id)
    kind = point_kind(thing.kind, quantity) if thing is not None else None
    return kind.unit if kind is not None else None


def alarm_response(alarm: LiveAlarm, plant: Plant) -> AlarmResponse:
    known = CATALOGUE.get(alarm.condition)
    return AlarmResponse(
        id=alarm.id, condition=alarm.condition, title=known.title if known else alarm.condition,
        asset=alarm.asset, name=plant.name_of(alarm.asset), state=alarm.state.value,
        signal=alarm.signal.value, priority=alarm.priority.value, present=alarm.present,
        since=format_instant(alarm.since), raised=format_instant(alarm.raised), text=alarm.text,
        values=dict(alarm.values), by=alarm.by, why=alarm.why,
        until=None if alarm.until is None else format_instant(alarm.until),
    )


def _point_response(point: str, state: PointState, unit: str, now: int) -> PointResponse:
    last, good = state.last, state.last_good
    return PointResponse(
        point=point, value=last.value, unit=unit, quality=last.quality.value, why=last.why,
        time=format_instant(last.time), age=max(now - last.time, 0) / 1000,
        last_good=None if good is None else format_instant(good.time),
    )


def _not_monitored_response(gap: NotMonitored) -> NotMonitoredResponse:
    return NotMonitoredResponse(condition=gap.condition, asset=gap.asset, reason=gap.reason)


def status_response(services: BoardServices, health: Health, now: int) -> StatusResponse:
    """Return the state of the site."""
    plant, alarms = services.plant(), services.alarms()
    return StatusResponse(
        site=plant.site.id, name=plant.site.name, time=format_instant(now),
        alive=health.alive, reasons=list(health.reasons), live_alarms=len(alarms),
        impaired_until=_impaired_until(services),
        unacknowledged=sum("unacknowledged" in a.state.value for a in alarms),
        points=[
            _point_response(point, state, unit_of(plant, point) or "", now)
            for point, state in sorted(services.picture.points().items())
        ],
        not_watched=[_not_monitored_response(gap) for gap in services.not_monitored()],
        cautions=list(CAUTIONS.values()), version=services.version,
    )


def _impaired_until(services: BoardServices) -> str | None:
    ends = [w.until for w in services.windows() if w.kind is WindowKind.IMPAIRMENT]
    return format_instant(max(ends)) if ends else None


def health_response(
    health: Health, statistics: CollectorStatistics, now: int,
    services: BoardServices | None = None,
) -> HealthResponse:
    """Return the health of the monitor itself; with ``services`` also what is out of service."""
    until = None if services is None else _impaired_until(services)
    declared = () if services is None else declaration_views(
        services.windows(), services.fills(), services.plant(), now)
    def since(instant: int | None) -> float | None:
        return None if instant is None else max(now - instant, 0) / 1000

    return HealthResponse(
        alive=health.alive, reasons=list(health.reasons), waiting=statistics.waiting,
        impaired=None if services is None else until is not None, impaired_until=until,
        declared=[f"{d.heading} until {d.until}. {d.declared}" for d in declared],
        last_turn_age=since(statistics.last_turn), last_commit_age=since(statistics.last_commit),
        forwards=[
            ForwardResponse(
                target=f.target, reachable=f.reachable, last_sent_age=since(f.last_sent),
                behind=f.behind, missing=f.missing, why=f.why,
            )
            for f in statistics.forwards
        ],
    )


def series_response(point: str, unit: str, span: Span, steps: list[TrendStep]) -> SeriesResponse:
    """Return the trend of a point."""
    return SeriesResponse(
        point=point, unit=unit, from_=format_instant(span.start), to=format_instant(span.end),
        every=span.step / 1000,
        steps=[
            StepResponse(time=format_instant(s.start), count=s.count, low=s.low, mean=s.mean,
                       high=s.high)
            for s in steps
        ],
    )


def series_csv(point: str, unit: str, steps: list[TrendStep]) -> str:
    """Return the trend of a point as a table; a step without valid data has empty values."""
    lines = ["time,point,unit,count,low,mean,high"]
    lines += [",".join([format_instant(s.start), point, unit, str(s.count),
                        *("" if v is None else f"{v:.6g}" for v in (s.low, s.mean, s.high))])
              for s in steps]
    return "\r\n".join([*lines, ""])


def estimate_responses(estimates: list[EstimateMade]) -> list[EstimateResponse]:
    """Return the estimates in a fixed order."""
    return [
        EstimateResponse(
            time=format_instant(e.time), quantity=e.quantity, asset=e.asset, value=e.value,
            low=e.low, high=e.high, unit=e.unit, reason=e.reason,
            window=None if e.window is None else [format_instant(t) for t in e.window],
        )
        for e in sorted(estimates, key=lambda e: (e.asset, e.quantity))
    ]


def fill_response(fill: DeclaredFill, plant: Plant) -> FillResponse:
    return FillResponse(
        asset=fill.asset, name=plant.name_of(fill.asset), until=format_instant(fill.until),
        since=None if fill.since is None else format_instant(fill.since), by=fill.by,
        why=fill.why, held=list(fill.held), afterwards=list(fill.afterwards),
        longer=list(fill.longer),
    )


def baseline_response(one: Baseline, plant: Plant) -> BaselineResponse:
    learned = one.value is not None and not one.given
    window = None if one.window is None else [format_instant(t) for t in one.window]
    return BaselineResponse(
        id=baseline_id(one), quantity=one.quantity, asset=one.asset,
        name=plant.name_of(one.asset), value=one.value, deviation=one.deviation, unit=one.unit,
        state="given" if one.given else "learned" if learned else "learning",
        days=one.days, needed=one.needed, conditions=one.conditions, window=window,
        learned=window[1] if learned and window is not None else None,
    )


def window_response(window: Window, plant: Plant) -> WindowResponse:
    """Return the response for one impairment or visit."""
    name = plant.site.name if window.asset == plant.site.id else plant.name_of(window.asset)
    return WindowResponse(
        kind=window.kind.value, asset=window.asset, name=name, by=window.by, why=window.why,
        since=format_instant(window.since), until=format_instant(window.until),
        quiet=list(window.inhibits), details=dict(window.details),
    )
