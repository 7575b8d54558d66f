"""The page of a compressor: each run, its duty, its delivery, its service."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fastapi import FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.conditions import ConditionSettings, limit_of
from collector.domain.events import INSTANT_UNIT, EstimateMade
from collector.domain.plant import Plant, Thing, Vent
from collector.domain.readings import QUANTITIES, TrendStep
from collector.domain.units import HOUR, MINUTE, PSI, duration_text
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import amount
from collector.physics.purge import sweep_oxygen, sweep_time_constant
from collector.plots import Axis, Band, Bar, Bars, Curve, Level, Plot, axis_of, step_for
from collector.web.pages import asset_of, occurrences_of, points_of
from collector.web.pages.asset_pages import AssetId, AssetPages
from collector.web.render import page as render
from collector.web.services import BoardServices
from collector.web.views import moment, when_of
from collector.web.views.trends import DRAWN, Occurrence, RangeView, drawn, limits_of, marks


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
    """Return the share of the monitored time that the compressor ran; ``None`` without readings."""
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


_PIPE = 288.15  # K, as the rules take it
_POINTS = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The predicted oxygen of a well-mixed pipe. ``tau`` (ms) is its time constant."""

    start: int
    oxygen: float
    feed: float
    tau: float
    points: tuple[tuple[int, float], ...]


def predicted_tau(plant: Plant, vent: Vent) -> float | None:
    """Return the time constant (ms) predicted from volume, pressure and the riser's vent flows.

    ``None`` where the site file lacks one of them.
    """
    riser = plant.risers.get(vent.riser)
    if riser is None or riser.volume is None or riser.supervisory_pressure is None:
        return None
    flows = [v.flow for v in plant.vents.values() if v.riser == riser.id]
    if any(not flow for flow in flows):
        return None
    absolute = riser.supervisory_pressure * PSI + pressure_at_altitude(plant.site.altitude)
    held = amount(absolute, riser.volume, _PIPE)
    return 1000 * sweep_time_constant(held, math.fsum(flow for flow in flows if flow))


def expected_curve(
    plant: Plant, vent: Vent, steps: Sequence[TrendStep], feed: float, end: int,
) -> Expected | None:
    """Return the oxygen predicted from the last time it was highest; ``feed`` in %.

    ``None`` without a reading, a time constant, or anything left to purge.
    """
    tau = predicted_tau(plant, vent)
    good = [s for s in steps if s.count and s.mean is not None]
    if tau is None or not good:
        return None
    top = max(s.mean or 0.0 for s in good)
    # Sensors step by 0.1 %: what lies that close to the top is still the top.
    first = next(s for s in reversed(good) if (s.mean or 0.0) >= top - 0.2)
    oxygen = first.mean or 0.0
    if oxygen <= feed or first.start >= end:
        return None
    width = (end - first.start) / _POINTS
    points = tuple(
        (first.start + round(n * width),
         100 * sweep_oxygen(oxygen / 100, n * width, tau, feed=feed / 100))
        for n in range(_POINTS + 1)
    )
    return Expected(start=first.start, oxygen=oxygen, feed=feed, tau=tau, points=points)


def purge_plot(
    plant: Plant, settings: ConditionSettings, vent: Vent, steps: Sequence[TrendStep],
    expected: Expected | None, alarms: Sequence[Occurrence], *, start: int, end: int, now: int,
) -> Plot:
    """Return the plot: measured as a band, expected dashed, the target, the alarms."""
    curve = () if expected is None else (
        Curve(label="expected", points=expected.points, expected=True),)
    kind = QUANTITIES["vent"]["oxygen"]
    return Plot(
        title=f"Oxygen at {vent.name}, measured and expected", start=start, end=end,
        known=min(now, end), zone=plant.site.timezone, axis=axis_of(kind, plant.site.units),
        series=(Band(label="measured", steps=steps), *curve), floor=0.0,
        levels=limits_of(plant, settings, vent, "oxygen"),
        spans=marks("oxygen", alarms, start, end),
        height=300, width=DRAWN, key=f"{vent.id}-purge",
    )


def add_purge_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/things/{asset_id}/purge``."""
    app.get("/things/{asset_id}/purge", include_in_schema=False)(_PurgePage(services).page)


class _PurgePage(AssetPages):

    async def page(self, request: Request, asset_id: AssetId) -> HTMLResponse:
        vent = asset_of(self._services, asset_id, "vent")
        assert isinstance(vent, Vent)
        span, plant = self._range(request, "1w"), self._services.plant()
        done = self._made(vent.id, "purge-done-at")
        end = span.end
        if span.now and done is not None and done.high is not None:
            # As far ahead as the forecast reaches, and not so far that the past shrinks away.
            end = min(max(round(done.high * 1000), end), end + 2 * (span.end - span.start))
        step = span.step()
        steps = await self._services.trend(f"{vent.id}.oxygen", span.start, span.end, step)
        marks = await occurrences_of(self._services, vent, span.start, span.end)
        feed = self._feed(vent)
        expected = expected_curve(plant, vent, steps, feed, end)
        figure = purge_plot(plant, self._services.settings(), vent, steps, expected, marks,
                            start=span.start, end=end, now=self._services.clock.now())
        return render(
            request, "purge.html", **await self._common(vent), span=span, figure=drawn(figure),
            expected=expected, tau="" if expected is None else duration_text(round(expected.tau)),
            feed=feed, riser=plant.name_of(vent.riser), riser_id=vent.riser,
            target=self._target(vent), progress=self._progress(vent, steps, feed),
            done=self._done(done), estimates=self._estimates(vent.id, vent.riser),
        )

    def _target(self, vent: Vent) -> float | None:
        return limit_of("oxygen-not-falling", vent.id, self._services.plant(),
                        self._services.settings())

    def _made(self, asset: str, quantity: str) -> EstimateMade | None:
        return next((e for e in self._services.estimates()
                     if e.asset == asset and e.quantity == quantity), None)

    def _feed(self, vent: Vent) -> float:
        """Return the product oxygen (%) as last read; 2 % where no point reads it."""
        riser = self._services.plant().risers.get(vent.riser)
        state = self._services.picture.get(f"{riser.fed_by if riser else ''}.product_oxygen")
        good = state.last_good.value if state is not None and state.last_good else None
        return good if good is not None and 0.0 <= good < 10.0 else 2.0

    def _progress(
        self, vent: Vent, steps: Sequence[TrendStep], feed: float,
    ) -> Mapping[str, float | str] | None:
        state = self._services.picture.get(f"{vent.id}.oxygen")
        now = state.last_good.value if state is not None and state.last_good else None
        target = self._target(vent)
        if now is None or target is None:
            return None
        top = max((s.high for s in steps if s.high is not None), default=now)
        way = top - target
        share = 1.0 if way <= 0 or now <= target else max((top - now) / way, 0.0)
        return {"now": now, "top": top, "target": target, "share": min(share, 1.0)}

    def _done(self, made: EstimateMade | None) -> str:
        if made is None:
            return "No forecast has been made yet."
        if made.value is None or made.unit != INSTANT_UNIT:
            return f"No forecast: {made.reason}." if made.reason else "No forecast."
        now, zone = self._services.clock.now(), self._zone()
        at, low, high = (None if v is None else round(v * 1000)
                         for v in (made.value, made.low, made.high))
        assert at is not None
        text = f"Done {moment(at, zone, now)}, in {duration_text(at - now)}" if at > now \
            else f"It should have been done {moment(at, zone, now)}"
        if low is not None and high is not None:
            text += f" (nine times in ten from {moment(low, zone, now)} to " \
                    f"{moment(high, zone, now)})"
        return f"{text}."
