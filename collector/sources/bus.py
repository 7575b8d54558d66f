"""A connection to one address, with one request under way at a time.

pymodbus builds and decodes; replies are checked here. A reply must match its request to the byte
(``pdu``). A reply that arrives after its time-out is never taken for the answer to a later request:
on TCP the transaction identifier distinguishes them; on a serial line, which has none, a unit that
timed out is on probation (see :meth:`Bus._confirm`).
"""

from __future__ import annotations

import asyncio
from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from collector.clock import Clock
from collector.domain.errors import DeviceReplyInvalid, DeviceSilent, LinkDown
from collector.domain.live import DeviceStatistics
from collector.sources import Address
from collector.sources.line import Frame, Line, OutOfStep, open_line
from collector.sources.pdu import Framing, ReadRequest, parse_reply


@dataclass(frozen=True, slots=True, kw_only=True)
class BusStatistics:
    """Counts of one connection since the start."""

    address: str
    up: bool
    requests: int
    opened: int
    late: int
    """Replies that arrived after their time-out and were discarded."""


class DeviceCounters:
    """Running counts of one device, returned as :class:`DeviceStatistics`."""

    def __init__(self, device: str) -> None:
        self._device = device
        self.counts: Counter[str] = Counter()
        """Counts by their names in :class:`DeviceStatistics`."""
        self.lateness: deque[int] = deque(maxlen=512)
        self.last_answer: int | None = None
        self.back_off = 0
        self.answering = False
        self.why = ""

    def __repr__(self) -> str:
        return f"DeviceCounters({self._device}, {dict(self.counts)})"

    def statistics(self) -> DeviceStatistics:
        counts: dict[str, Any] = dict(self.counts)
        return DeviceStatistics(
            device=self._device, **counts,
            lateness_middle=middle(self.lateness), lateness_most=max(self.lateness, default=None),
            last_answer=self.last_answer, back_off=self.back_off,
            answering=self.answering, why=self.why,
        )


def middle(numbers: Iterable[int]) -> int | None:
    """Return the median (the upper one of two), or ``None`` of nothing."""
    ordered = sorted(numbers)
    return ordered[len(ordered) // 2] if ordered else None


_CONNECT_AT_LEAST = 2.0
_HOLD_OFF = (0.25, 8.0)
"""Seconds before a line that could not be opened is tried again: the first wait, the longest."""
_SILENT_BEFORE_REOPENING = 3
"""Time-outs in a row, of any unit, after which a TCP connection counts as half dead."""
_SHORTEST_SCALED = 0.1
"""Seconds below which a sped-up clock does not shorten a time-out: the device is a real program."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """Registers, or bits as 0 and 1, with the instant of the request (ms) and its latency (ms)."""

    values: tuple[int, ...]
    asked: int
    latency: int


@dataclass(slots=True)
class _Probation:
    over: asyncio.Event
    """Set when the time in which a late reply could arrive is over."""


class Bus:
    """The connection to one address."""

    def __init__(self, address: Address, clock: Clock) -> None:
        self.address = address
        self._clock = clock
        self._turn = asyncio.Lock()
        self._line: Line | None = None
        self._transaction = 0
        self._given_up: deque[int] = deque(maxlen=64)
        self._probation: dict[int, _Probation] = {}
        self._silent_in_a_row = 0
        self._hold_off = 0.0
        self._held: asyncio.TimerHandle | None = None
        self._down_because = ""
        self._counts = dict.fromkeys(("requests", "opened", "late"), 0)

    def __repr__(self) -> str:
        return f"Bus({self.address}, {self._line or 'not open'}, {self._counts['requests']} asked)"

    def statistics(self) -> BusStatistics:
        return BusStatistics(address=str(self.address), up=bool(self._line and self._line.up),
                             **self._counts)

    async def read(self, request: ReadRequest, timeout: int) -> Answer:
        """Send one request; return its answer. ``timeout`` (ms) excludes the time on the wire.

        Raises ``DeviceSilent``, ``LinkDown``, ``DeviceRefused`` or ``DeviceReplyInvalid``. Nothing
        is repeated here: the caller decides when to ask again.
        """
        seconds = self._seconds(timeout)
        probation = self._probation.get(request.unit)
        if probation is not None:
            await probation.over.wait()  # before taking the turn: neighbours go on meanwhile
        async with self._turn:
            line = await self._open(max(seconds, _CONNECT_AT_LEAST))
            try:
                return await self._exchange(line, request, seconds)
            except (LinkDown, DeviceReplyInvalid, asyncio.CancelledError) as error:
                await self._recover(line, request, seconds, error)
                raise

    async def close(self) -> None:
        """Close the connection. A request under way raises ``LinkDown``."""
        if self._held is not None:
            self._held.cancel()
            self._held = None
        for probation in self._probation.values():
            probation.over.set()
        self._probation.clear()
        if self._line is not None:
            self._line.close()
            self._line = None
            await asyncio.sleep(0)

    # -- one exchange ----------------------------------------------------------------------------

    async def _exchange(self, line: Line, request: ReadRequest, seconds: float) -> Answer:
        await line.until_quiet()
        line.clear()
        self._transaction = self._transaction % 65535 + 1
        self._counts["requests"] += 1
        asked, began = self._clock.now(), self._clock.monotonic()
        line.send(request, self._transaction)
        try:
            async with asyncio.timeout(seconds + line.wire_time(request)):
                frame = await self._matching(line, request)
        except TimeoutError as error:
            self._give_up(line, request, seconds)
            if line.waiting:
                raise OutOfStep(f"reply to {request} broke off after {line.waiting} bytes") \
                    from error
            raise DeviceSilent(f"no reply to {request} within {seconds:.2g} s") from error
        latency = self._clock.monotonic() - began
        self._silent_in_a_row = 0
        if request.unit in self._probation and line.framing is Framing.RTU:
            await self._confirm(line, request, frame, seconds)
        return Answer(values=parse_reply(request, frame.pdu), asked=asked, latency=latency)

    async def _matching(self, line: Line, request: ReadRequest) -> Frame:
        """Return the frame that answers; late replies to earlier requests are skipped."""
        while True:
            frame = await line.frame()
            if line.framing is Framing.TCP and frame.transaction != self._transaction:
                if frame.transaction not in self._given_up:
                    raise OutOfStep(
                        f"reply to {request} has transaction {frame.transaction}, "
                        f"asked was {self._transaction}"
                    )
                self._counts["late"] += 1
            elif frame.unit == request.unit:
                return frame
            elif line.framing is Framing.RTU and frame.unit in self._probation:
                self._counts["late"] += 1
            else:
                raise DeviceReplyInvalid(f"unit {frame.unit} answers, asked was {request}")

    async def _confirm(
        self, line: Line, request: ReadRequest, frame: Frame, seconds: float
    ) -> None:
        """Listen for a further reply of a unit on probation; return when none came.

        Nothing in an RTU frame says which request it answers. Of two differing replies one is late,
        and it is unknown which: neither is used. If only one comes, no older one was under way. One
        case remains: a unit that takes longer than its grid step and more than two time-outs, and
        does not answer the request after that.
        """
        try:
            async with asyncio.timeout(2 * seconds):
                while True:
                    later = await line.frame()
                    self._counts["late"] += 1
                    if later.unit == request.unit and later.pdu != frame.pdu:
                        raise DeviceReplyInvalid(f"two differing replies to {request}")
        except TimeoutError:
            self._probation.pop(request.unit, None)

    def _give_up(self, line: Line, request: ReadRequest, seconds: float) -> None:
        self._silent_in_a_row += 1
        if line.framing is Framing.TCP:
            self._given_up.append(self._transaction)
            if self._silent_in_a_row >= _SILENT_BEFORE_REOPENING:
                self._drop("silent for too long")
            return
        self._put_on_probation(request.unit, seconds)

    def _put_on_probation(self, unit: int, seconds: float) -> None:
        over = asyncio.Event()
        asyncio.get_running_loop().call_later(seconds, over.set)
        self._probation[unit] = _Probation(over)

    async def _recover(
        self, line: Line, request: ReadRequest, seconds: float, error: BaseException
    ) -> None:
        """Discard what is left over, so that it is not read as the start of the next reply."""
        if isinstance(error, LinkDown):
            self._drop(str(error))
        elif line.framing is Framing.TCP:
            if isinstance(error, OutOfStep):
                self._drop("out of step")
            else:
                self._given_up.append(self._transaction)
        else:
            self._put_on_probation(request.unit, seconds)
            if isinstance(error, DeviceReplyInvalid):
                await line.drain(max(10 * line.silence, 0.02), seconds)

    # -- the connection --------------------------------------------------------------------------

    async def _open(self, seconds: float) -> Line:
        if self._line is not None and self._line.up:
            return self._line
        if self._held is not None:
            raise LinkDown(self._down_because)
        if self._line is not None:
            self._drop("lost while idle")
        try:
            self._line = await open_line(self.address, seconds)
        except LinkDown as error:
            self._down_because = str(error)
            first, most = _HOLD_OFF
            self._hold_off = min(max(first, 2 * self._hold_off), most)
            wait = self._seconds(round(self._hold_off * 1000))
            self._held = asyncio.get_running_loop().call_later(wait, self._release)
            raise
        self._hold_off = 0.0
        self._silent_in_a_row = 0
        self._counts["opened"] += 1
        return self._line

    def _release(self) -> None:
        self._held = None

    def _drop(self, why: str) -> None:
        if self._line is not None:
            self._line.close(why)
            self._line = None
        self._given_up.clear()

    def _seconds(self, duration: int) -> float:
        """Return real seconds for ms of the clock."""
        real = duration / 1000
        speed: float = getattr(self._clock, "speed", 1.0)
        return max(real / speed, min(real, _SHORTEST_SCALED))
