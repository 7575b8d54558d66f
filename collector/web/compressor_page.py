"""The page of a compressor: each run, its duty, what it delivers, when it wants service."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.events import EstimateMade
from collector.domain.plant import Thing
from collector.domain.trends import TrendStep
from collector.plots import Axis, Bar, Bars, Curve, Level, Plot, step_for
from collector.web.board_lists import when_of
from collector.web.gathering import points_of, thing_of
from collector.web.ranges import RangeView
from collector.web.render import page as render
from collector.web.run_view import Run, duty, runs_of
from collector.web.thing_base import ThingId, ThingPages
from collector.web.trend_view import DRAWN, drawn
from collector.web.words import age, moment

__all__ = ["CompressorPage", "RunView"]

_RUNS = 40
_MINUTE, _HOUR = 60_000, 3_600_000
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


class CompressorPage(ThingPages):
    """The page, for ``GET /things/{thing_id}/compressor``."""

    async def page(self, request: Request, thing_id: ThingId) -> HTMLResponse:
        """Answer with the page; refuses (404) what is no generator."""
        thing, span = thing_of(self._services, thing_id, "generator"), self._range(request)
        point = f"{thing_id}.compressor_running"
        step = max(step_for(span.start, span.end, 1500), _MINUTE, 3 * self._every(point))
        steps = await self._services.trend(point, span.start, span.end, step)
        history = await self._services.past.estimates(
            "compressor-delivery", thing_id, span.start, span.end)
        runs = runs_of(steps) if step < _HOUR else []
        return render(
            request, "compressor.html", **await self._common(thing), span=span,
            runs=self._run_views(runs), runs_known=step < _HOUR, run_count=len(runs),
            duty=duty(steps), days=self._days(steps), strip=self._strip(thing, runs, span),
            wired=point in points_of(self._services, thing),
            delivery=self._delivery(thing, history, span),
            estimates=[line for line in self._estimates(thing_id) if line.about in _SHOWN],
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
                start=when.text, iso=when.iso, length=_minutes(run.length),
                rest="" if before is None else age(run.start - before.end),
                note="" if run.sure else "start or end not seen",
            ))
        return views[::-1]

    def _days(self, steps: Sequence[TrendStep]) -> list[tuple[str, float]]:
        """Duty by day of the site's calendar, the newest first."""
        zone = self._zone()
        days: dict[str, list[TrendStep]] = {}
        for step in steps:
            words = moment(step.start, zone, 0).rsplit(" ", 1)[0]
            days.setdefault(words, []).append(step)
        shares = [(day, duty(some)) for day, some in days.items()]
        return [(day, share) for day, share in reversed(shares) if share is not None][:31]

    def _strip(self, thing: Thing, runs: Sequence[Run], span: RangeView) -> Markup | None:
        if not runs:
            return None
        bars = tuple(Bar(start=r.start, end=max(r.end, r.start + 1)) for r in runs)
        return drawn(Bars(title=f"Runs of {thing.name}", start=span.start, end=span.end,
                          rows=(("compressor", bars),), key="compressor-runs", width=DRAWN,
                          zone=self._services.plant().site.timezone,
                          description=f"{len(runs)} runs."))

    def _delivery(
        self, thing: Thing, history: Sequence[EstimateMade], span: RangeView,
    ) -> Markup | None:
        made = [e for e in history if e.value is not None]
        if len(made) < 2:
            return None
        base = next((b for b in self._services.baselines() if b.asset == thing.id
                     and b.quantity == "compressor-delivery" and b.value is not None), None)
        levels = () if base is None or base.value is None else (
            Level(value=base.value, label="baseline"),)
        return drawn(Plot(
            title=f"Delivery of {thing.name} against its baseline", start=span.start, end=span.end,
            zone=self._services.plant().site.timezone, floor=0.0, levels=levels,
            key="compressor-delivery", width=DRAWN,
            axis=Axis(unit=made[-1].unit, label="delivery"),
            series=(Curve(label="delivery", points=[(e.time, e.value) for e in made]),),
        ))



def _minutes(length: int) -> str:
    return f"{length / _MINUTE:.1f} min" if length < _HOUR else age(length)
