"""The heartbeat: a request to an outside address at intervals, while the daemon is healthy.

The service at that address notices when it stops, which is the only sign of a machine that can send
nothing any more. The heartbeat stops when the daemon is not healthy.
"""

from __future__ import annotations

import http.client
import logging
from collections.abc import Callable
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.domain.errors import DeliveryUnreachable
from collector.domain.units import MINUTE
from collector.notify.channels import exchange, in_thread, scrub

__all__ = ["Beat", "Heartbeat"]

_log = logging.getLogger(__name__)

_UNHEARD = 3
"""Failures in a row before an event is recorded: one lost packet is no outage."""
_LOOK_AGAIN = MINUTE


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """Address, interval (ms) and HTTP method of the heartbeat."""

    url: str = field(repr=False)
    every: int
    method: str = "GET"


class Heartbeat:
    """Sends the heartbeat until cancelled.

    ``beat`` returns its settings, or ``None`` without them; ``healthy`` whether the daemon is
    healthy; ``record_event`` takes an event's name and text. ``clock`` is the machine's own.
    """

    def __init__(
        self, *, beat: Callable[[], Beat | None], clock: Clock, healthy: Callable[[], bool],
        record_event: Callable[[str, str], None], timeout: float = 15.0,
    ) -> None:
        self._beat, self._clock, self._healthy = beat, clock, healthy
        self._record_event, self._timeout = record_event, timeout
        self._failures = 0
        self._well = True

    def __repr__(self) -> str:
        return f"Heartbeat({self._failures} failures in a row)"

    async def run(self) -> None:
        """Send a request whenever one is due."""
        while True:
            beat = self._beat()
            if beat is None:
                await self._clock.sleep(_LOOK_AGAIN)
                continue
            if self._is_well():
                await self._send(beat)
            await self._clock.sleep(beat.every)

    def _is_well(self) -> bool:
        well = self._healthy()
        if not well and self._well:
            _log.error("not healthy: the heartbeat stops")
        self._well = well
        return well

    async def _send(self, beat: Beat) -> None:
        try:
            await in_thread(lambda: self._ask(beat))
        except DeliveryUnreachable as error:
            self._failures += 1
            _log.warning("the heartbeat was not accepted", extra={"reason": str(error)})
            if self._failures == _UNHEARD:
                self._record_event(
                    "heartbeat-unheard", f"The heartbeat is not received outside: {error}. "
                                         "The receiver will report the site as silent.")
            return
        if self._failures >= _UNHEARD:
            self._record_event("heartbeat-heard", "The heartbeat is received outside again.")
        self._failures = 0

    def _ask(self, beat: Beat) -> None:
        try:
            status, reason = exchange(beat.url, method=beat.method, timeout=self._timeout)
        except (OSError, http.client.HTTPException, ValueError) as error:
            said = scrub(str(error) or type(error).__name__, beat.url)
            raise DeliveryUnreachable(said) from error
        if not 200 <= status < 300:
            raise DeliveryUnreachable(f"the server answered {status} {reason}".rstrip())
