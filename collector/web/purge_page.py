"""The page of a purge: progress, measured against expected, and when it should be done."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.events import INSTANT_UNIT, EstimateMade
from collector.domain.plant import Vent
from collector.domain.trends import TrendStep
from collector.web.gathering import happened, thing_of
from collector.web.purge_view import expected_curve, purge_plot
from collector.web.render import page as render
from collector.web.thing_base import ThingId, ThingPages
from collector.web.trend_view import drawn
from collector.web.words import age, moment

__all__ = ["PurgePage"]


class PurgePage(ThingPages):
    """The page, for ``GET /things/{thing_id}/purge``."""

    async def page(self, request: Request, thing_id: ThingId) -> HTMLResponse:
        """Answer with the page; refuses (404) what is no vent."""
        vent = thing_of(self._services, thing_id, "vent")
        assert isinstance(vent, Vent)
        span, plant = self._range(request, "1w"), self._services.plant()
        done = self._made(vent.id, "purge-done-at")
        end = span.end
        if span.now and done is not None and done.high is not None:
            # As far ahead as the forecast reaches, and not so far that the past shrinks away.
            end = min(max(round(done.high * 1000), end), end + 2 * (span.end - span.start))
        step = span.step()
        steps = await self._services.trend(f"{vent.id}.oxygen", span.start, span.end, step)
        marks = await happened(self._services, vent, span.start, span.end)
        feed = self._feed(vent)
        expected = expected_curve(plant, vent, steps, feed, end)
        figure = purge_plot(plant, vent, steps, expected, marks, start=span.start, end=end,
                            now=self._services.clock.now())
        return render(
            request, "purge.html", **await self._common(vent), span=span, figure=drawn(figure),
            expected=expected, tau="" if expected is None else age(round(expected.tau)),
            feed=feed, riser=plant.name_of(vent.riser), riser_id=vent.riser,
            target=vent.target_oxygen, progress=self._progress(vent, steps, feed),
            done=self._done(done), estimates=self._estimates(vent.id, vent.riser),
        )

    def _made(self, asset: str, quantity: str) -> EstimateMade | None:
        return next((e for e in self._services.estimates()
                     if e.asset == asset and e.quantity == quantity), None)

    def _feed(self, vent: Vent) -> float:
        """Oxygen (%) of what the generator sends, as last read; 2 % where nobody reads it."""
        riser = self._services.plant().risers.get(vent.riser)
        state = self._services.picture.get(f"{riser.fed_by if riser else ''}.product_oxygen")
        good = state.last_good.value if state is not None and state.last_good else None
        return good if good is not None and 0.0 <= good < 10.0 else 2.0

    def _progress(
        self, vent: Vent, steps: Sequence[TrendStep], feed: float,
    ) -> Mapping[str, float | str] | None:
        state = self._services.picture.get(f"{vent.id}.oxygen")
        now = state.last_good.value if state is not None and state.last_good else None
        if now is None or vent.target_oxygen is None:
            return None
        top = max((s.high for s in steps if s.high is not None), default=now)
        way = top - vent.target_oxygen
        share = 1.0 if way <= 0 or now <= vent.target_oxygen else max((top - now) / way, 0.0)
        return {"now": now, "top": top, "target": vent.target_oxygen, "share": min(share, 1.0)}

    def _done(self, made: EstimateMade | None) -> str:
        if made is None:
            return "No forecast has been made yet."
        if made.value is None or made.unit != INSTANT_UNIT:
            return f"No forecast: {made.reason}." if made.reason else "No forecast."
        now, zone = self._services.clock.now(), self._zone()
        at, low, high = (None if v is None else round(v * 1000)
                         for v in (made.value, made.low, made.high))
        assert at is not None
        text = f"Done {moment(at, zone, now)}, in {age(at - now)}" if at > now \
            else f"It should have been done {moment(at, zone, now)}"
        if low is not None and high is not None:
            text += f" (nine times in ten from {moment(low, zone, now)} to " \
                    f"{moment(high, zone, now)})"
        return f"{text}."
