"""Server-sent events: tells open pages that something has changed, so that they read it again.

Only the news that there is news is sent. What it is each page reads for itself, with the rights of
whoever looks; and a page without the script reloads itself now and then.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import StreamingResponse

from collector.domain.events import AlarmMoved, Event, FactNoted
from collector.web.door import Door
from collector.web.refusals import Refusal

__all__ = ["Live", "add_live"]

_MOST = 50
"""Pages that may listen at a time; the others read every few seconds."""
_PAUSE = 4.0
"""Seconds of real time between two words about readings: people do not read faster."""
_PULSE = 12.0
"""Seconds after which a word is sent in any case, so that silence means that we are gone."""


class Live:
    """Wakes whoever listens. ``wake`` is called in the loop that the pages are served in."""

    def __init__(self) -> None:
        self._alarms: set[asyncio.Event] = set()
        self._turns = 0
        self._closed = False

    def __repr__(self) -> str:
        return f"Live({len(self._alarms)} listening)"

    @property
    def turns(self) -> int:
        """How often something was committed."""
        return self._turns

    def wake(self, events: Sequence[Event]) -> None:
        """Say that a commit was made; at once where an alarm moved or a fact was noted."""
        self._turns += 1
        if any(isinstance(e, AlarmMoved | FactNoted) for e in events):
            for waiting in self._alarms:
                waiting.set()

    def close(self) -> None:
        """End every open stream: a stop must not wait for them."""
        self._closed = True
        for waiting in self._alarms:
            waiting.set()

    async def words(self, allowed: Callable[[], bool]) -> AsyncIterator[str]:
        """Yield a word for each change until ``allowed`` says no more, or it is closed.

        ``alarms`` is news, ``readings`` that values may have changed, ``pulse`` nothing but life.
        """
        if len(self._alarms) >= _MOST:
            raise Refusal(503, "Too many pages listen at the moment.", retry_after=30)
        waiting = asyncio.Event()
        self._alarms.add(waiting)
        try:
            seen, quiet = self._turns, 0.0
            yield "pulse"
            while not self._closed and allowed():
                word = await self._next(waiting, seen)
                quiet = quiet + _PAUSE if word is None else 0.0
                seen = self._turns
                if word is not None:
                    yield word
                elif quiet >= _PULSE:
                    quiet = 0.0
                    yield "pulse"
        finally:
            self._alarms.discard(waiting)

    async def _next(self, waiting: asyncio.Event, seen: int) -> str | None:
        try:
            async with asyncio.timeout(_PAUSE):
                await waiting.wait()
        except TimeoutError:
            return "readings" if self._turns != seen else None
        waiting.clear()
        return "alarms"


def add_live(app: FastAPI, live: Live, door: Door) -> None:
    """Add the stream."""
    @app.get("/live", include_in_schema=False)
    async def stream(request: Request) -> StreamingResponse:
        words = live.words(lambda: door.still_may_look(request))
        first = await anext(words)  # a refusal must come before the headers have gone

        async def lines() -> AsyncIterator[str]:
            yield f"retry: 5000\nevent: {first}\ndata: \n\n"
            async for word in words:
                yield f"event: {word}\ndata: \n\n"

        return StreamingResponse(lines(), media_type="text/event-stream",
                                 headers={"x-accel-buffering": "no"})
