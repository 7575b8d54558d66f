"""A Modbus device: sends the requests of its read plan and decodes the replies into readings."""

from __future__ import annotations

import importlib
from collections import deque
from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any, Protocol

from collector.clock import Clock
from collector.domain.errors import (
    DeviceRefused,
    DeviceReplyInvalid,
    DeviceSilent,
    LinkDown,
)
from collector.domain.readings import Quality, Reading
from collector.sources import DAMAGED, DeviceSettings
from collector.sources.bus import Answer, DeviceCounters
from collector.sources.pdu import ReadRequest
from collector.sources.read_plan import Planned, PointDecoder, Raw, ReadPlan, Span, point_names

Sink = Callable[[Sequence[Reading]], None]
"""Receives readings that share a time stamp, with no ``await`` between stamp and call."""

_MOST_SPLITS = 32
"""Further requests in one poll while a refused request is split; the next poll continues."""


class ModbusClient(Protocol):
    """The part of a bus that a device uses."""

    async def read(self, request: ReadRequest, timeout: int) -> Answer:
        """Send one request; return the answer or raise a ``DeviceError``."""


class Reader(Protocol):
    """A device of any kind, as the poller uses it."""

    settings: DeviceSettings
    counters: DeviceCounters
    raws: dict[Span, Raw]
    """What the last poll read, before it was decoded."""

    async def poll(self, sink: Sink) -> bool:
        """Read every point into ``sink``; return whether the device answered."""

    def close(self) -> None:
        """Release what belongs to this device alone."""


def stale_readings(settings: DeviceSettings, now: int, why: str) -> list[Reading]:
    return [
        Reading(point=name, asked=now, time=now, value=None, quality=Quality.STALE, why=why)
        for point in settings.points for name in point_names(point)
    ]


class ModbusDevice:
    """A device on a bus."""

    def __init__(self, settings: DeviceSettings, bus: ModbusClient, clock: Clock) -> None:
        self.settings = settings
        self.counters = DeviceCounters(settings.id)
        self._bus = bus
        self._clock = clock
        self._plan = ReadPlan(settings)
        self._decoders = tuple(PointDecoder(point) for point in settings.points)
        self._mute: set[ReadRequest] = set()
        """Requests that got no reply the last time."""
        self._given: set[PointDecoder] = set()
        """Decoders whose readings of the current poll went to the sink."""
        self.raws: dict[Span, Raw] = {}
        self._by_span: dict[Span, list[PointDecoder]] = {}
        for decoder in self._decoders:
            for span in decoder.spans:
                self._by_span.setdefault(span, []).append(decoder)

    def __repr__(self) -> str:
        return f"ModbusDevice({self.settings.id}, unit {self.settings.unit}, {self._plan})"

    async def poll(self, sink: Sink) -> bool:
        """Read every point into ``sink``; return whether the device answered any request.

        A point's readings go to ``sink`` as soon as the last register it needs is there.
        """
        self.counters.counts["polls"] += 1
        self.counters.why = ""
        self._given.clear()
        raws = self.raws = {}
        # What got no reply last time comes last, so that it cannot delay the rest.
        waiting = deque(sorted(self._plan.next_poll(), key=lambda p: p.request in self._mute))
        splits, silences, answered = 0, 0, False
        while waiting:
            planned = waiting.popleft()
            if self.settings.pause and (raws or splits):
                await self._clock.sleep(self.settings.pause)
            asked = self._clock.now()
            try:
                answer = await self._ask(planned.request)
            except (DeviceSilent, LinkDown) as error:
                self._count(error)
                self._mute.add(planned.request)
                silences += 1
                self._fail(raws, planned, asked, Quality.STALE, str(error))
                if not answered or silences > 1 or isinstance(error, LinkDown):
                    # The rest would cost its time-out too, and the neighbours on the line with it.
                    for rest in waiting:
                        self._fail(raws, rest, asked, Quality.STALE, str(error))
                    break
            except DeviceRefused as error:
                self._count(error)
                answered = True
                smaller = self._plan.refused(planned, error.code, str(error))
                splits += len(smaller)
                if smaller and splits <= _MOST_SPLITS:
                    waiting.extendleft(reversed(smaller))
                    continue
                self._fail(raws, planned, asked, Quality.BAD, str(error))
            except DeviceReplyInvalid as error:
                self._count(error)
                self._fail(raws, planned, asked, Quality.BAD, f"{DAMAGED}{error}")
            else:
                answered = True
                self._accept(raws, planned, answer)
            self._hand_over(raws, planned, sink)
        self._finish(raws, sink)
        self.counters.answering = answered
        self.counters.counts["answers"] += answered
        return answered

    async def _ask(self, request: ReadRequest) -> Answer:
        """Send a request, and again where there is no reply and the settings say so."""
        for _ in range(self.settings.retries):
            try:
                return await self._bus.read(request, self.settings.timeout)
            except DeviceSilent as error:
                self._count(error)
        return await self._bus.read(request, self.settings.timeout)

    def close(self) -> None:
        """Do nothing: the connection belongs to the bus."""

    def _accept(self, raws: dict[Span, Raw], planned: Planned, answer: Answer) -> None:
        self._plan.granted(planned)
        self._mute.discard(planned.request)
        self.counters.last_answer = self._clock.now()
        for span in planned.spans:
            raws[span] = Raw(asked=answer.asked, values=planned.part(span, answer.values))

    def _fail(
        self, raws: dict[Span, Raw], planned: Planned, asked: int, quality: Quality, why: str
    ) -> None:
        for span in planned.spans:
            raws[span] = Raw(asked=asked, quality=quality, why=why)

    def _hand_over(self, raws: dict[Span, Raw], planned: Planned, sink: Sink) -> None:
        """Send to the sink the readings that this request completed."""
        given = self._given
        complete = []
        for span in planned.spans:
            for decoder in self._by_span[span]:
                if decoder not in given and (
                    decoder.single or all(s in raws for s in decoder.spans)
                ):
                    given.add(decoder)
                    complete.append(decoder)
        self._emit(complete, raws, sink)

    def _finish(self, raws: dict[Span, Raw], sink: Sink) -> None:
        """Send to the sink the readings of points that were refused or not reached."""
        now = self._clock.now()
        for span, why in self._plan.refused_spans.items():
            raws.setdefault(span, Raw(asked=now, quality=Quality.BAD, why=why))
        if len(self._given) < len(self._decoders):
            self._emit([e for e in self._decoders if e not in self._given], raws, sink)

    def _emit(self, decoders: Sequence[PointDecoder], raws: dict[Span, Raw], sink: Sink) -> None:
        now = self._clock.now()
        readings = [r for e in decoders for r in e.readings(raws, now)]
        if readings:
            sink(readings)

    def _count(self, error: Exception) -> None:
        kinds = {DeviceSilent: "silent", LinkDown: "link_down", DeviceRefused: "refused"}
        self.counters.counts[kinds.get(type(error), "invalid")] += 1
        self.counters.why = str(error)


class GpioDevice:
    """The lines of one chip. A leg's ``address`` is the line's offset; closed reads as active."""

    def __init__(self, settings: DeviceSettings, clock: Clock) -> None:
        self.settings = settings
        self.counters = DeviceCounters(settings.id)
        self._clock = clock
        self._decoders = tuple(PointDecoder(point) for point in settings.points)
        self._spans = tuple(sorted({s for e in self._decoders for s in e.spans}))
        self._lines: Any = None
        self.raws: dict[Span, Raw] = {}

    def __repr__(self) -> str:
        state = "open" if self._lines is not None else "not open"
        return f"GpioDevice({self.settings.address}, {len(self._spans)} lines, {state})"

    async def poll(self, sink: Sink) -> bool:
        """Read every line at one instant into ``sink``."""
        self.counters.counts["polls"] += 1
        asked = self._clock.now()
        try:
            states = self._read()
        except LinkDown as error:
            self.counters.counts["link_down"] += 1
            self.counters.why = str(error)
            self.counters.answering = False
            self.raws = {s: Raw(asked=asked, quality=Quality.STALE, why=str(error))
                         for s in self._spans}
            self._emit(self.raws, sink)
            return False
        self.counters.counts["answers"] += 1
        self.counters.answering = True
        self.counters.why = ""
        self.counters.last_answer = self._clock.now()
        self.raws = {s: Raw(asked=asked, values=(states[s.start],)) for s in self._spans}
        self._emit(self.raws, sink)
        return True

    def close(self) -> None:
        """Give the lines back to the kernel."""
        if self._lines is not None:
            self._lines.release()
            self._lines = None

    def _emit(self, raws: dict[Span, Raw], sink: Sink) -> None:
        now = self._clock.now()
        sink([r for e in self._decoders for r in e.readings(raws, now)])

    def _read(self) -> dict[int, int]:
        gpiod = self._library()
        offsets = sorted({span.start for span in self._spans})
        try:
            if self._lines is None:
                self._lines = gpiod.request_lines(
                    self.settings.address.path, consumer="quietpipe",
                    config=self._config(gpiod),
                )
            values = self._lines.get_values(offsets)
        except (OSError, ValueError, gpiod.ChipClosedError,
                gpiod.RequestReleasedError) as error:
            self.close()
            raise LinkDown(f"{self.settings.address} cannot be read: {error}") from error
        active = gpiod.line.Value.ACTIVE
        return {o: int(v == active) for o, v in zip(offsets, values, strict=True)}

    def _config(self, gpiod: Any) -> dict[tuple[int, ...], Any]:
        """Return line settings by debounce: the kernel filters what is shorter than a poll."""
        debounces: dict[int, int] = {}
        for decoder in self._decoders:
            for span in decoder.spans:
                longest = max(decoder.point.debounce, debounces.get(span.start, 0))
                debounces[span.start] = longest
        return {
            tuple(o for o, d in debounces.items() if d == duration): gpiod.LineSettings(
                direction=gpiod.line.Direction.INPUT,
                debounce_period=timedelta(milliseconds=duration),
            )
            for duration in sorted(set(debounces.values()))
        }

    @staticmethod
    def _library() -> Any:
        try:
            return importlib.import_module("gpiod")
        except ImportError as error:
            raise LinkDown(
                'reading contacts of a local chip needs the library gpiod: '
                'install quietpipe with its extra "gpio"'
            ) from error
