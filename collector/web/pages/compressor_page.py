"""The page of a compressor: each run, its duty, its delivery, its service."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.events import EstimateMade
from collector.domain.formatting import duration_text
from collector.domain.plant import Thing
from collector.domain.trends import TrendStep
from collector.domain.units import HOUR, MINUTE
from collector.plots import Axis, Bar, Bars, Curve, Level, Plot, step_for
from collector.web.board_queries import asset_of, points_of
from collector.web.pages.asset_pages import AssetId, AssetPages
from collector.web.render import page as render
from collector.web.services import BoardServices
from collector.web.views.labels import moment
from collector.web.views.lists import when_of
from collector.web.views.trends import DRAWN, RangeView, drawn

__all__ = ["Run", "RunView", "add_compressor_page", "duty", "runs_of"]

@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run (ms). ``sure`` is false where a gap or the edge of the time range cut it."""

    start: int
    end: int
    length: int
    """Running time; less than ``end - start`` where one step holds two runs."""
    sure: bool


def runs_of(steps: Sequence[TrendStep]) -> list[Run]:
    """Return the runs, oldest first, from the trend of the running contact.

    A step's mean is the share of it in which the compressor ran. One step without readings between
    two that have some is skipped: a late poll is no gap.
    """
    steps = [s for before, s, after in zip([None, *steps], steps, [*steps[1:], None], strict=False)
             if s.count or not (before and before.count and after and after.count)]
    runs: list[Run] = []
    group: list[TrendStep] = []
    before: TrendStep | None = None
    cut = True  # a run in progress at the start of the range is cut by its edge
    for step in steps:
        on = bool(step.count) and bool(step.mean)
        if on:
            if not group:
                cut = before is None or not before.count
            group.append(step)
        elif group:
            runs.append(_run(group, sure=not cut and bool(step.count)))
            group = []
        before = step
    if group:
        runs.append(_run(group, sure=False))
    return runs


def _run(group: Sequence[TrendStep], *, sure: bool) -> Run:
    def part(step: TrendStep) -> int:
        return round((step.mean or 0.0) * (step.end - step.start))

    length = sum(map(part, group))
    if len(group) == 1:
        return Run(start=group[0].start, end=group[0].start + length, length=length, sure=sure)
    return Run(start=group[0].end - part(group[0]), end=group[-1].start + part(group[-1]),
               length=length, sure=sure)


def duty(steps: Sequence[TrendStep]) -> float | None:
    """Return the share of the monitored time that it ran; ``None`` without readings."""
    known = [(s.end - s.start, s.mean) for s in steps if s.count and s.mean is not None]
    whole = sum(length for length, _ in known)
    return sum(length * mean for length, mean in known) / whole if whole else None


_RUNS = 40
_SHOWN = ("compressor-delivery", "compressor-duty", "pump-up-time", "hours-to-service", "energy",
          "energy-cost", "nitrogen-demand")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """One run as a row."""

    start: str
    iso: str
    length: str
    rest: str
    note: str


def add_compressor_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/things/{asset_id}/compressor``."""
    app.get("/things/{asset_id}/compressor",
            include_in_schema=False)(_CompressorPage(services).page)


class _CompressorPage(AssetPages):

    async def page(self, request: Request, asset_id: AssetId) -> HTMLResponse:
        asset, span = asset_of(self._services, asset_id, "generator"), self._range(request)
        point = f"{asset_id}.compressor_running"
        step = max(step_for(span.start, span.end, 1500), MINUTE, 3 * self._every(point))
        steps = await self._services.trend(point, span.start, span.end, step)
        history = await self._services.past.estimates(
            "compressor-delivery", asset_id, span.start, span.end)
        runs = runs_of(steps) if step < HOUR else []
        return render(
            request, "compressor.html", **await self._common(asset), span=span,
            runs=self._run_views(runs), runs_known=step < HOUR, run_count=len(runs),
            duty=duty(steps), days=self._days(steps), strip=self._strip(asset, runs, span),
            configured=point in points_of(self._services, asset),
            delivery=self._delivery(asset, history, span),
            estimates=[line for line in self._estimates(asset_id) if line.about in _SHOWN],
        )

    def _every(self, point: str) -> int:
        source = self._services.plant().source_of(point)
        return source.every if source is not None else 0

    def _run_views(self, runs: Sequence[Run]) -> list[RunView]:
        now, zone = self._services.clock.now(), self._zone()
        views: list[RunView] = []
        befores = [None, *runs][:len(runs)]
        for before, run in list(zip(befores, runs, strict=True))[-_RUNS:]:
            when = when_of(run.start, zone, now)
            views.append(RunView(
                start=when.text, iso=when.iso, length=duration_text(run.length),
                rest="" if before is None else duration_text(run.start - before.end),
                note="" if run.sure else "start or end not seen",
            ))
        return views[::-1]

    def _days(self, steps: Sequence[TrendStep]) -> list[tuple[str, float]]:
        """Return the duty of each day of the site's calendar, newest first."""
        zone = self._zone()
        days: dict[str, list[TrendStep]] = {}
        for step in steps:
            words = moment(step.start, zone, 0).rsplit(" ", 1)[0]
            days.setdefault(words, []).append(step)
        shares = [(day, duty(some)) for day, some in days.items()]
        return [(day, share) for day, share in reversed(shares) if share is not None][:31]

    def _strip(self, asset: Thing, runs: Sequence[Run], span: RangeView) -> Markup | None:
        if not runs:
            return None
        bars = tuple(Bar(start=r.start, end=max(r.end, r.start + 1)) for r in runs)
        return drawn(Bars(title=f"Runs of {asset.name}", start=span.start, end=span.end,
                          rows=(("compressor", bars),), key="compressor-runs", width=DRAWN,
                          zone=self._services.plant().site.timezone,
                          description=f"{len(runs)} runs."))

    def _delivery(
        self, asset: Thing, history: Sequence[EstimateMade], span: RangeView,
    ) -> Markup | None:
        made = [e for e in history if e.value is not None]
        if len(made) < 2:
            return None
        base = next((b for b in self._services.baselines() if b.asset == asset.id
                     and b.quantity == "compressor-delivery" and b.value is not None), None)
        levels = () if base is None or base.value is None else (
            Level(value=base.value, label="baseline"),)
        return drawn(Plot(
            title=f"Delivery of {asset.name} against its baseline", start=span.start, end=span.end,
            zone=self._services.plant().site.timezone, floor=0.0, levels=levels,
            key="compressor-delivery", width=DRAWN,
            axis=Axis(unit=made[-1].unit, label="delivery"),
            series=(Curve(label="delivery", points=[(e.time, e.value) for e in made]),),
        ))

