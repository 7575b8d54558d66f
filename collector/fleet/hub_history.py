"""Forwarding of the fleet's history to InfluxDB: stored with the messages, written when possible.

The lines are those that a site would write itself: the same measurement, tags and fields.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator, Sequence

from collector.clock import Clock
from collector.domain.errors import DeliveryError, JournalError
from collector.domain.readings import MODES
from collector.fleet.hub_message_handler import HandledMessages
from collector.fleet.hub_state import ReceivedValue, SiteState
from collector.fleet.hub_store import GroupStore
from collector.forward.influx.batches import DeadLetterFile, deliver
from collector.forward.influx.endpoints import Endpoint
from collector.forward.influx.points import FIELDS, FieldValue, Line, event_lines
from collector.threads import in_thread

__all__ = ["HistoryWriter", "history_of"]

_log = logging.getLogger(__name__)

_EMPTY_PAUSE = 1.0
_LONGEST_WAIT = 60.0
_MOST = 200_000
"""Batches kept while InfluxDB is away: days for some hundred sites, a few GB at the worst."""


def history_of(handled: HandledMessages) -> bytes:
    """Return the lines of handled messages; what line protocol cannot express is left out."""
    lines: list[str] = []
    for state, received in handled.values:
        lines += _said(_reading_lines(state, received))
    lines += _said(event_lines(handled.events))
    return "\n".join(lines).encode()


def _said(lines: Iterator[Line]) -> Iterator[str]:
    for line in lines:
        try:
            yield line.text()
        except ValueError as exc:
            _log.warning("a point that cannot be said is left out", extra={"reason": str(exc)})


def _reading_lines(state: SiteState, received: Sequence[ReceivedValue]) -> Iterator[Line]:
    """Yield one line for each asset and instant."""
    fields: dict[tuple[str, int], dict[str, FieldValue]] = {}
    for one in received:
        kind = state.kinds.get(one.thing, "")
        value = MODES.index(one.value) if one.value in MODES else one.value
        if one.metric in FIELDS.get(kind, ()) and not isinstance(value, str):
            fields.setdefault((one.thing, one.time), {})[one.metric] = float(value)
    for (thing, time), values in fields.items():
        yield Line(measurement=state.kinds[thing], fields=values, time=time,
                   tags={"site": state.site, "asset": thing})


class HistoryWriter:
    """Writes the lines stored in a group's file; ``make`` connects to the server."""

    def __init__(self, store: GroupStore, make: Callable[[], Endpoint],
                 dead_letters: DeadLetterFile,
                 clock: Clock) -> None:
        self._store, self._make, self._dead_letters, self._clock = store, make, dead_letters, clock
        self._wire: Endpoint | None = None
        self.written = 0
        self.lost = 0
        self.why = ""

    def __repr__(self) -> str:
        return f"HistoryWriter({self._store!r}, {self.written} written)"

    async def run(self) -> None:
        """Write until cancelled. What cannot be written now is written later."""
        failures = 0
        while True:
            wait = 0.0
            try:
                if not await self._one():
                    wait = _EMPTY_PAUSE
                failures, self.why = 0, ""
            except (DeliveryError, JournalError, OSError) as exc:
                if str(exc) != self.why:
                    _log.warning("history of %s: %s", self._store.group, exc)
                self.why = str(exc)
                self._close()
                wait = min(2.0 ** failures, _LONGEST_WAIT)
                failures = min(failures + 1, 10)
                await self._bound()
            await asyncio.sleep(wait)

    async def _bound(self) -> None:
        try:
            self.lost += await in_thread(lambda: self._store.bound_history(_MOST))
        except JournalError as exc:
            _log.error("history of %s: %s", self._store.group, exc)

    def _close(self) -> None:
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    async def _one(self) -> bool:
        found = await in_thread(self._store.next_history)
        if found is None:
            return False
        number, body = found
        outcome = await deliver(self._write, body.decode().split("\n"))
        self.written += outcome.accepted
        if outcome.dead_letters:
            self._dead_letters.add(outcome.dead_letters, self._clock.now())
        await in_thread(lambda: self._store.drop_history(number))
        return True

    async def _write(self, lines: Sequence[str]) -> None:
        await in_thread(lambda: self._blocking("\n".join(lines).encode()))

    def _blocking(self, body: bytes) -> None:
        if self._wire is None:
            self._wire = self._make()
        self._wire.write(body)
