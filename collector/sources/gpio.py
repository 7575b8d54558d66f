"""Dry contacts wired to the machine's own GPIO lines, through the kernel's character device.

Uses the library ``gpiod`` 2 (optional extra ``gpio``), loaded only where a site file asks for it.
Lines are requested as inputs, and only read.
"""

from __future__ import annotations

import importlib
from datetime import timedelta
from typing import Any

from collector.clock import Clock
from collector.domain.errors import LinkDown
from collector.domain.readings import Quality
from collector.sources.decoding import PointDecoder, Raw
from collector.sources.device import Sink
from collector.sources.read_plan import Span
from collector.sources.settings import DeviceSettings
from collector.sources.statistics import DeviceCounters

__all__ = ["GpioDevice"]


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
        asked, began = self._clock.now(), self._clock.monotonic()
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
        self.counters.latency.append(self._clock.monotonic() - began)
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
