"""Asks a device of unknown kind: one question at a time, slowly, and only as long as wanted.

Old controllers hang when they are hurried. So there is a pause between the end of one exchange and
the next question, a longer one after silence, and a stop that is heeded before every question.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from collector.clock import Clock
from collector.domain.errors import (
    DeviceRefused,
    DeviceReplyInvalid,
    DeviceSilent,
    LinkDown,
    QuietpipeError,
)
from collector.sources import Address
from collector.sources.bus import Bus
from collector.sources.pdu import ReadRequest

PAUSE = 340
"""ms between two questions: at most three a second, since some hang at four (setting)."""
_AFTER_SILENCE = 1000
"""ms before a silent device is asked again (setting)."""
_KNOWN = 10
"""Answers after which a device's latency is known, and silence need not be waited for so long."""
_SHORTEST = 300
"""ms that are always waited for an answer (setting)."""
_HABIT = 3
"""Single silences followed by an answer after which that counts as the device's habit."""


class Stopped(QuietpipeError):
    """The technician stopped the questions. Nothing further was asked."""


class Vanished(QuietpipeError):
    """A device that answered before does not any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """The outcome of a question: values, a refusal with its exception code, or silence."""

    values: tuple[int, ...] = ()
    refused: int = 0
    why: str = ""
    down: bool = False
    """Whether there is no line at all, so that asking again is of no use."""

    @property
    def answered(self) -> bool:
        """Whether a device replied; 10 and 11 are a gateway's word for silence behind it."""
        return bool(self.values) or (self.refused > 0 and self.refused not in (10, 11))


@dataclass
class PacedClient:
    """The questions to one address."""

    address: Address
    clock: Clock
    pause: int = PAUSE
    timeout: int = 1000
    stop: Callable[[], bool] = lambda: False
    questions: int = 0
    silences: int = 0
    _next: int = -(10**12)
    _answers: int = 0
    _slowest: int = 0
    _silent_in_a_row: int = 0
    _single_silences: int = 0
    _bus: Bus = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self._bus = Bus(self.address, self.clock)

    @property
    def is_silent_at_times(self) -> bool:
        """Whether silence before an answer is the device's habit."""
        return self._single_silences >= _HABIT

    async def ask(
        self, unit: int, table: str, address: int, count: int = 1, tries: int = 3,
    ) -> Outcome:
        """Ask once, and again where there is silence. Raises ``Stopped`` before a question.

        A device that answers only some questions answers one of ``tries``; a refusal is an answer.
        """
        request = ReadRequest(unit=unit, table=table, address=address, count=count)
        outcome = Outcome()
        for _ in range(tries):
            outcome = await self._once(request)
            if outcome.values or outcome.refused or outcome.down:
                break
        return outcome

    async def close(self) -> None:
        """Close the connection."""
        await self._bus.close()

    async def _once(self, request: ReadRequest) -> Outcome:
        wait = self._next - self.clock.monotonic()
        if wait > 0:
            await self.clock.sleep(wait)
        if self.stop():
            raise Stopped("stopped; nothing more is asked")
        self.questions += 1
        pause = self.pause
        try:
            answer = await self._bus.read(request, self._time_out())
            self._slowest = max(self._slowest, answer.latency)
            self._heard()
            return Outcome(values=answer.values)
        except DeviceRefused as error:
            self._heard()
            return Outcome(refused=error.code, why=str(error))
        except (DeviceSilent, DeviceReplyInvalid) as error:
            self.silences += 1
            self._silent_in_a_row += 1
            if not self.is_silent_at_times or self._silent_in_a_row > 1:
                pause = max(pause, _AFTER_SILENCE)
            return Outcome(why=str(error))
        except LinkDown as error:
            pause = max(pause, _AFTER_SILENCE)
            return Outcome(why=str(error), down=True)
        finally:
            self._next = self.clock.monotonic() + pause

    def _heard(self) -> None:
        """Count an answer, and a silence before it that belongs to the device's habit."""
        self._answers += 1
        self._single_silences += self._silent_in_a_row == 1
        self._silent_in_a_row = 0

    def _time_out(self) -> int:
        """Return how long to wait for an answer (ms): less once the device's latency is known."""
        if self._answers < _KNOWN or self._silent_in_a_row > 1:
            return self.timeout
        return min(self.timeout, max(_SHORTEST, 4 * self._slowest))
