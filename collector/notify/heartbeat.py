"""A sign of life to an address outside, for as long as the watch is well.

Whoever listens there notices the silence of a machine that can tell nobody any more. It stops by
itself when the watch is not well: a beat that went on regardless would be worse than none.
"""

from __future__ import annotations

import http.client
import logging
from collections.abc import Callable
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.domain.errors import DeliveryUnreachable
from collector.notify.channels import exchange, in_thread, scrub

__all__ = ["Beat", "Heartbeat"]

_log = logging.getLogger(__name__)

_UNHEARD = 3
"""Failures in a row before it is told: one lost packet is no news."""
_LOOK_AGAIN = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """Where to, how often (ms), and by which HTTP method."""

    url: str = field(repr=False)
    every: int
    method: str = "GET"


class Heartbeat:
    """Beats until cancelled.

    ``beat`` says how, or ``None`` while the site file asks for none; ``healthy`` whether the watch
    is well; ``note`` takes a fact's name and text. ``clock`` is the machine's own, as is that of
    whoever listens.
    """

    def __init__(
        self, *, beat: Callable[[], Beat | None], clock: Clock, healthy: Callable[[], bool],
        note: Callable[[str, str], None], timeout: float = 15.0,
    ) -> None:
        self._beat, self._clock, self._healthy = beat, clock, healthy
        self._note, self._timeout = note, timeout
        self._failures = 0
        self._well = True

    def __repr__(self) -> str:
        return f"Heartbeat({self._failures} failures in a row)"

    async def run(self) -> None:
        """Send a sign of life each time it is due."""
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
            _log.warning("the heartbeat was not heard", extra={"reason": str(error)})
            if self._failures == _UNHEARD:
                self._note("heartbeat-unheard", f"The heartbeat is not heard outside: {error}. "
                                                "Whoever listens there will take the site for "
                                                "silent.")
            return
        if self._failures >= _UNHEARD:
            self._note("heartbeat-heard", "The heartbeat is heard outside again.")
        self._failures = 0

    def _ask(self, beat: Beat) -> None:
        try:
            status, reason = exchange(beat.url, method=beat.method, timeout=self._timeout)
        except (OSError, http.client.HTTPException, ValueError) as error:
            said = scrub(str(error) or type(error).__name__, beat.url)
            raise DeliveryUnreachable(said) from error
        if not 200 <= status < 300:
            raise DeliveryUnreachable(f"the far end answered {status} {reason}".rstrip())
