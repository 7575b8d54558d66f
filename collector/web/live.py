"""Server-sent events that make open pages reload their parts.

Only the fact of a change is sent. Each page then reads what has changed with its visitor's rights;
a page without the script reloads itself.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import StreamingResponse

from collector.domain.events import AlarmTransition, Event, SystemEvent
from collector.web.access import AccessPolicy
from collector.web.http_errors import HttpError

__all__ = ["Live", "add_live"]

_MOST = 50
"""Most pages that may listen at a time; the others reload every few seconds."""
_PAUSE = 4.0
"""Shortest real time (s) between two messages about readings."""
_PULSE = 12.0
"""Seconds after which a message is sent in any case, so that a page can detect our silence."""


class Live:
    """Notifies the listening pages. ``wake`` is called in the loop that the pages are served in."""

    def __init__(self) -> None:
        self._alarms: set[asyncio.Event] = set()
        self._turns = 0
        self._closed = False

    def __repr__(self) -> str:
        return f"Live({len(self._alarms)} listening)"

    @property
    def turns(self) -> int:
        """Number of commits so far."""
        return self._turns

    def wake(self, events: Sequence[Event]) -> None:
        """Notify of a commit; at once where it holds an alarm transition or a system event."""
        self._turns += 1
        if any(isinstance(e, AlarmTransition | SystemEvent) for e in events):
            for waiting in self._alarms:
                waiting.set()

    def close(self) -> None:
        """End every open stream, so that a stop does not wait for them."""
        self._closed = True
        for waiting in self._alarms:
            waiting.set()

    async def changes(self, allowed: Callable[[], bool]) -> AsyncIterator[str]:
        """Yield the kind of each change until ``allowed`` returns false, or the stream is closed.

        ``alarms``: an alarm changed; ``readings``: values may have changed; ``pulse``: no change.
        """
        if len(self._alarms) >= _MOST:
            raise HttpError(503, "Too many pages are open at the moment.", retry_after=30)
        waiting = asyncio.Event()
        self._alarms.add(waiting)
        try:
            seen, idle = self._turns, 0.0
            yield "pulse"
            while not self._closed and allowed():
                word = await self._next(waiting, seen)
                idle = idle + _PAUSE if word is None else 0.0
                seen = self._turns
                if word is not None:
                    yield word
                elif idle >= _PULSE:
                    idle = 0.0
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


def add_live(app: FastAPI, live: Live, access: AccessPolicy) -> None:
    """Add ``/live``."""
    @app.get("/live", include_in_schema=False)
    async def stream(request: Request) -> StreamingResponse:
        changes = live.changes(lambda: access.still_may_look(request))
        first = await anext(changes)  # an error must come before the headers are sent

        async def lines() -> AsyncIterator[str]:
            yield f"retry: 5000\nevent: {first}\ndata: \n\n"
            async for word in changes:
                yield f"event: {word}\ndata: \n\n"

        return StreamingResponse(lines(), media_type="text/event-stream",
                                 headers={"x-accel-buffering": "no"})
