"""The page of a purge: progress, measured against expected, and the expected end."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.conditions import ConditionSettings
from collector.domain.events import INSTANT_UNIT, EstimateMade
from collector.domain.formatting import duration_text
from collector.domain.limits import limit_of
from collector.domain.plant import Plant, Vent
from collector.domain.readings import QUANTITIES
from collector.domain.trends import TrendStep
from collector.domain.units import PSI
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import amount
from collector.physics.purge import sweep_oxygen, sweep_time_constant
from collector.plots import Band, Curve, Plot, axis_of
from collector.web.board_queries import asset_of, occurrences_of
from collector.web.pages.asset_pages import AssetId, AssetPages
from collector.web.render import page as render
from collector.web.services import BoardServices
from collector.web.views.labels import moment
from collector.web.views.trends import DRAWN, Occurrence, drawn, limits_of, marks

__all__ = ["Expected", "add_purge_page", "expected_curve", "predicted_tau", "purge_plot"]

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
