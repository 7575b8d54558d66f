"""One device: asks what the plan says, makes readings of what comes, learns what is refused."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from collector.clock import Clock
from collector.domain.errors import (
    DeviceRefused,
    DeviceReplyInvalid,
    DeviceSilent,
    LinkDown,
)
from collector.domain.readings import Quality, Reading
from collector.sources.bus import Answer
from collector.sources.decoding import Emitter, Raw, point_names
from collector.sources.pdu import ReadRequest
from collector.sources.read_plan import Planned, ReadPlan, Span
from collector.sources.settings import DeviceSettings
from collector.sources.statistics import Tally

__all__ = ["Asks", "ModbusDevice", "Reader", "Sink", "stale_readings"]

Sink = Callable[[Sequence[Reading]], None]
"""Takes readings that share one time stamp, at once: no ``await`` lies between stamp and sink."""

_MOST_SPLITS = 32
"""Further requests in one poll while learning; the rest is learned in the next."""


class Asks(Protocol):
    """What a device needs of its bus."""

    async def read(self, request: ReadRequest, timeout: int) -> Answer:
        """Ask once; return the answer or raise a ``DeviceError``."""


class Reader(Protocol):
    """What the poller needs of a device of any kind."""

    settings: DeviceSettings
    tally: Tally

    async def poll(self, sink: Sink) -> bool:
        """Ask for every point, hand each reading to ``sink``; return whether it answered."""

    def close(self) -> None:
        """Let go of what belongs to this device alone."""


def stale_readings(settings: DeviceSettings, now: int, why: str) -> list[Reading]:
    """Return a stale reading of every point of a device."""
    return [
        Reading(point=name, asked=now, time=now, value=None, quality=Quality.STALE, why=why)
        for point in settings.points for name in point_names(point)
    ]


class ModbusDevice:
    """A device on a bus."""

    def __init__(self, settings: DeviceSettings, bus: Asks, clock: Clock) -> None:
        self.settings = settings
        self.tally = Tally(settings.id)
        self._bus = bus
        self._clock = clock
        self._plan = ReadPlan(settings)
        self._emitters = tuple(Emitter(point) for point in settings.points)
        self._mute: set[ReadRequest] = set()
        """Requests that got no reply when last asked."""
        self._given: set[Emitter] = set()
        """Whose readings of the poll under way have been handed over."""
        self._by_span: dict[Span, list[Emitter]] = {}
        for emitter in self._emitters:
            for span in emitter.spans:
                self._by_span.setdefault(span, []).append(emitter)

    def __repr__(self) -> str:
        return f"ModbusDevice({self.settings.id}, unit {self.settings.unit}, {self._plan})"

    async def poll(self, sink: Sink) -> bool:
        """Ask for every point, hand each reading to ``sink``; return whether anything answered.

        A point's readings go to ``sink`` as soon as the last register it needs is there.
        """
        self.tally.counts["polls"] += 1
        self.tally.why = ""
        self._given.clear()
        raws: dict[Span, Raw] = {}
        # What was not answered last time comes last, so that it cannot hide the rest.
        waiting = deque(sorted(self._plan.next_poll(), key=lambda p: p.request in self._mute))
        splits, silences, answered = 0, 0, False
        while waiting:
            planned = waiting.popleft()
            asked = self._clock.now()
            try:
                answer = await self._bus.read(planned.request, self.settings.timeout)
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
                self._fail(raws, planned, asked, Quality.BAD, str(error))
            else:
                answered = True
                self._take(raws, planned, answer)
            self._hand_over(raws, planned, sink)
        self._finish(raws, sink)
        self.tally.answering = answered
        self.tally.counts["answers"] += answered
        return answered

    def close(self) -> None:
        """Nothing: the connection belongs to the bus."""

    def _take(self, raws: dict[Span, Raw], planned: Planned, answer: Answer) -> None:
        self._plan.granted(planned)
        self._mute.discard(planned.request)
        self.tally.latency.append(answer.latency)
        self.tally.last_answer = self._clock.now()
        for span in planned.spans:
            raws[span] = Raw(asked=answer.asked, values=planned.part(span, answer.values))

    def _fail(
        self, raws: dict[Span, Raw], planned: Planned, asked: int, quality: Quality, why: str
    ) -> None:
        for span in planned.spans:
            raws[span] = Raw(asked=asked, quality=quality, why=why)

    def _hand_over(self, raws: dict[Span, Raw], planned: Planned, sink: Sink) -> None:
        """Give what became complete with this request."""
        given = self._given
        complete = []
        for span in planned.spans:
            for emitter in self._by_span[span]:
                if emitter not in given and (
                    emitter.single or all(s in raws for s in emitter.spans)
                ):
                    given.add(emitter)
                    complete.append(emitter)
        self._emit(complete, raws, sink)

    def _finish(self, raws: dict[Span, Raw], sink: Sink) -> None:
        """Give what no request brought: what is refused, and what a broken poll left."""
        now = self._clock.now()
        for span, why in self._plan.refused_spans.items():
            raws.setdefault(span, Raw(asked=now, quality=Quality.BAD, why=why))
        if len(self._given) < len(self._emitters):
            self._emit([e for e in self._emitters if e not in self._given], raws, sink)

    def _emit(self, emitters: Sequence[Emitter], raws: dict[Span, Raw], sink: Sink) -> None:
        now = self._clock.now()
        readings = [r for e in emitters for r in e.readings(raws, now)]
        if readings:
            sink(readings)

    def _count(self, error: Exception) -> None:
        kinds = {DeviceSilent: "silent", LinkDown: "link_down", DeviceRefused: "refused"}
        self.tally.counts[kinds.get(type(error), "invalid")] += 1
        self.tally.why = str(error)
