"""Polls every device on its own steady grid; readings are passed on in the order of their time.

Each device has a task; devices at one address share a :class:`~collector.sources.bus.Bus` and take
turns there. A device that does not answer is polled less and less often, so that it costs its
neighbours on the line little. On the steps left out it gives stale readings, so that the record
shows that it was monitored and did not answer.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.clock import Clock, format_instant
from collector.domain.live import DeviceStatistics
from collector.domain.readings import Reading
from collector.domain.units import MINUTE
from collector.sources import Address, DeviceSettings
from collector.sources.bus import Answer, Bus
from collector.sources.device import GpioDevice, ModbusDevice, Reader, Sink, stale_readings
from collector.sources.pdu import ReadRequest
from collector.sources.read_plan import Raw, Span

_LONGEST = MINUTE
_MOST_STEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Multiples of ``every`` ms since 1970, moved by ``phase`` ms so that devices do not bunch."""

    every: int
    phase: int

    @classmethod
    def of(cls, device: str, every: int) -> Grid:
        """Return the grid of a device; the phase follows from its id, the same at every start."""
        return cls(every=every, phase=zlib.crc32(device.encode()) % max(1, min(every // 4, 500)))

    def next(self, now: int) -> int:
        """Return the first instant of the grid after ``now``."""
        return (now - self.phase) // self.every * self.every + self.every + self.phase


class BackOff:
    """Number of grid steps to leave out after failures in a row.

    The time to the next attempt doubles from one step to 60 s or 12 steps, whichever is shorter,
    and is then shortened by up to half at random: devices that fell silent together (a power cut)
    must not be asked together for ever.
    """

    def __init__(self, every: int, rng: random.Random) -> None:
        self._every = every
        self._most = max(every, min(_LONGEST, _MOST_STEPS * every))
        self._rng = rng
        self._failures = 0
        self._left = 0

    def __repr__(self) -> str:
        return f"BackOff({self._failures} failures in a row, {self._left} steps to leave out)"

    @property
    def wait(self) -> int:
        """Time to the next attempt beyond the ordinary step, in ms; 0 when that step is one."""
        return self._left * self._every

    def skip(self) -> bool:
        """Count a grid step; return whether it is to be left out."""
        if self._left == 0:
            return False
        self._left -= 1
        return True

    def failed(self) -> None:
        """Count a poll without any answer."""
        self._failures += 1
        whole = min(self._every << min(self._failures - 1, 16), self._most) // self._every
        steps = whole - self._rng.randint(0, whole // 2)
        self._left = max(steps, 1) - 1

    def answered(self) -> None:
        """Reset after an answer: poll on every step again."""
        self._failures = self._left = 0


_log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Polled:
    reader: Reader
    back_off: BackOff
    busy: asyncio.Lock
    """Held by the poll under way, so that :meth:`Poller.ask_once` does not run into it."""
    task: asyncio.Task[None] | None = None


class Poller:
    """Polls devices into ``sink``. ``rng`` is used for the jitter of back-off only."""

    def __init__(
        self, settings: Sequence[DeviceSettings], clock: Clock, sink: Sink, rng: random.Random
    ) -> None:
        self._clock = clock
        self._sink = sink
        self._rng = rng
        self._buses: dict[Address, Bus] = {}
        self._polled: dict[str, _Polled] = {}
        self._running = False
        self._failed: asyncio.Future[None] | None = None
        for device in settings:
            self._add(device)

    def __repr__(self) -> str:
        state = "running" if self._running else "not running"
        return f"Poller({len(self._polled)} devices on {len(self._buses)} buses, {state})"

    def statistics(self) -> tuple[DeviceStatistics, ...]:
        """Return the counts of each device, in the order of the site file."""
        return tuple(p.reader.counters.statistics() for p in self._polled.values())

    async def run(self) -> None:
        """Poll until stopped or cancelled; raises errors that are no device errors."""
        self._running = True
        self._failed = asyncio.get_running_loop().create_future()
        for polled in self._polled.values():
            self._start(polled)
        try:
            await self._failed
        finally:
            await self.stop()

    async def stop(self) -> None:
        """Stop polling and close every connection; :meth:`run` returns."""
        self._running = False
        await self._end(list(self._polled.values()))
        await self._close_buses(set())
        if self._failed is not None and not self._failed.done():
            self._failed.set_result(None)

    async def replace(self, settings: Sequence[DeviceSettings]) -> None:
        """Continue with the devices of a site file that was read again.

        A device with the same settings continues undisturbed, with what it has learned, and an
        address still in use keeps its connection.
        """
        new = {device.id: device for device in settings}
        gone = [
            self._polled.pop(device_id) for device_id, polled in list(self._polled.items())
            if new.get(device_id) != polled.reader.settings
        ]
        await self._end(gone)
        kept = self._polled
        self._polled = {}
        for device in settings:
            if device.id in kept:
                self._polled[device.id] = kept[device.id]
            else:
                self._add(device)
        await self._close_buses({device.address for device in settings})
        if self._running:
            for polled in self._polled.values():
                if polled.task is None:
                    self._start(polled)

    async def ask_once(self, device: str) -> list[Reading]:
        """Poll one device now; return its readings, which do not go to ``sink``.

        Raises ``KeyError`` for a device that is not in the settings.
        """
        polled = self._polled[device]
        readings: list[Reading] = []
        async with polled.busy:
            await polled.reader.poll(readings.extend)
        return readings

    def words(self, device: str) -> Mapping[Span, Raw]:
        """Return the raw registers and bits of the last poll of a device."""
        return self._polled[device].reader.raws

    async def ask(self, device: str, request: ReadRequest) -> Answer:
        """Send one request on the line of a Modbus device, to its unit or to another.

        Raises what :meth:`Bus.read` raises, and ``KeyError`` for a device that is not on a bus.
        """
        polled = self._polled[device]
        settings = polled.reader.settings
        async with polled.busy:
            return await self._buses[settings.address].read(request, settings.timeout)

    # -- devices ---------------------------------------------------------------------------------

    def _add(self, settings: DeviceSettings) -> None:
        if settings.id in self._polled:
            raise ValueError(f"two devices are called {settings.id}")
        reader: Reader
        if settings.address.kind == "gpio":
            reader = GpioDevice(settings, self._clock)
        else:
            bus = self._buses.get(settings.address)
            if bus is None:
                bus = self._buses[settings.address] = Bus(settings.address, self._clock)
            reader = ModbusDevice(settings, bus, self._clock)
        self._polled[settings.id] = _Polled(
            reader, BackOff(settings.every, self._rng), asyncio.Lock()
        )

    def _start(self, polled: _Polled) -> None:
        name = f"poll {polled.reader.settings.id}"
        polled.task = asyncio.create_task(self._poll_for_ever(polled), name=name)
        polled.task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        """End the poller when a task ends by an error that is no device error."""
        if task.cancelled() or self._failed is None or self._failed.done():
            return
        error = task.exception()
        if error is not None:
            self._failed.set_exception(error)

    async def _end(self, polled: Sequence[_Polled]) -> None:
        for one in polled:
            if one.task is not None:
                one.task.cancel()
        for one in polled:
            if one.task is not None:
                with contextlib.suppress(asyncio.CancelledError, Exception):
                    await one.task  # an error of its own has been handed to run()
                one.task = None
            one.reader.close()

    async def _close_buses(self, kept: set[Address]) -> None:
        for address in [a for a in self._buses if a not in kept]:
            await self._buses[address].close()
            if not any(p.reader.settings.address == address for p in self._polled.values()):
                del self._buses[address]

    # -- one device's grid -----------------------------------------------------------------------

    async def _poll_for_ever(self, polled: _Polled) -> None:
        settings = polled.reader.settings
        grid = Grid.of(settings.id, settings.every)
        step: int | None = None
        while True:
            step = await self._next_step(polled, grid, step)
            if polled.back_off.skip():
                self._leave_out(polled)
            else:
                polled.reader.counters.lateness.append(max(0, self._clock.now() - step))
                await self._poll(polled)
            polled.reader.counters.back_off = polled.back_off.wait

    async def _next_step(self, polled: _Polled, grid: Grid, last: int | None) -> int:
        """Wait for the next step of the grid and return it.

        The wall clock may be set while this waits; a step that is then further away than one
        interval, or long past, is computed again instead.
        """
        step = grid.next(self._clock.now())
        if last is not None and last < step:
            polled.reader.counters.counts["skipped"] += min((step - last) // grid.every - 1, 1000)
        while (left := step - self._clock.now()) > 0:
            if left > grid.every:
                step = grid.next(self._clock.now())
                left = step - self._clock.now()
            await self._clock.sleep(left)
        if self._clock.now() - step > grid.every:
            step = grid.next(self._clock.now()) - grid.every
        return step

    async def _poll(self, polled: _Polled) -> None:
        async with polled.busy:
            answered = await polled.reader.poll(self._sink)
        if answered:
            polled.back_off.answered()
            return
        polled.back_off.failed()
        _log.info("%s: %s", polled.reader.settings.id, polled.reader.counters.why)

    def _leave_out(self, polled: _Polled) -> None:
        counters = polled.reader.counters
        counters.counts["skipped"] += 1
        now = self._clock.now()
        since = "since the start" if counters.last_answer is None \
            else f"since {format_instant(counters.last_answer)}"
        why = f"{counters.why}; no answer {since}, not asked again on this step"
        self._sink(stale_readings(polled.reader.settings, now, why))
