"""The questions to devices, in a thread of their own, while a person thinks about an answer."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Coroutine, Sequence
from typing import Any, TypeVar

from collector.clock import Clock
from collector.commissioning.images import Image, read_image
from collector.commissioning.questions import PacedClient, Stopped, Vanished
from collector.commissioning.unit_search import Explored
from collector.sources import Address

T = TypeVar("T")


class DeviceThread:
    """One device at a time: single calls that are waited for, or images one after another."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.client: PacedClient | None = None
        self.images: list[Image] = []
        """Images taken so far, oldest first."""
        self.moved: set[tuple[str, int]] = set()
        """Addresses that changed since the first of them."""
        self._at_first: dict[tuple[str, int], int] = {}
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="commissioning",
                                        daemon=True)
        self._thread.start()
        self._stop = threading.Event()
        self._changed = threading.Condition()
        self._reading: asyncio.Task[None] | None = None
        self._lost = ""

    def connect(self, address: Address) -> PacedClient:
        """Open a connection to an address in place of the one there was."""
        self.disconnect()

        async def make() -> PacedClient:
            return PacedClient(address, self.clock, stop=self._stop.is_set)
        self.client = self._wait(make())
        return self.client

    def disconnect(self) -> None:
        self.end_reading()
        if self.client is not None:
            self._wait(self.client.close())
            self.client = None

    def call(self, questions: Coroutine[Any, Any, T]) -> T:
        """Run ``questions`` in the thread; return the result.

        Ctrl-C stops before the next: ``Stopped``.
        """
        self.end_reading()
        self._stop.clear()
        return self._wait(questions)

    def begin_reading(
        self, unit: int, explored: Explored, wanted: set[tuple[str, int]] | None = None,
    ) -> None:
        """Take image after image until :meth:`end_reading`; return when two are complete.

        ``wanted`` are the addresses to read, all by default: the fewer, the closer they follow.

        Raises ``Vanished``.
        """
        self.end_reading()
        self._stop.clear()
        client = self.client
        assert client is not None

        async def read() -> None:
            try:
                while True:
                    image = await read_image(client, unit, explored, wanted)
                    self._find_moved(image)
                    with self._changed:
                        self.images.append(image)
                        self._changed.notify_all()
            except Vanished as error:
                self._lost = str(error)
            except Stopped:
                pass
            with self._changed:
                self._changed.notify_all()

        async def start() -> None:
            self._reading = asyncio.create_task(read())
        self._lost = ""
        began = self.clock.now()
        self._wait(start())
        self.image_since(self.image_since(began).ended)

    def _find_moved(self, image: Image) -> None:
        for table, cells in image.tables.items():
            for address, value in cells.items():
                if self._at_first.setdefault((table, address), value) != value:
                    self.moved.add((table, address))

    def keep_images(self, images: Sequence[Image]) -> None:
        """Keep these images alone, and what moved; with none, begin with another device."""
        self.images[:] = images
        if not images:
            self.moved.clear()
            self._at_first.clear()

    @property
    def is_reading(self) -> bool:
        """Whether images are being taken; not once the device has vanished."""
        return self._reading is not None and not self._reading.done()

    def image_since(self, instant: int) -> Image:
        """Return the first image that began at ``instant`` or later, waiting for it.

        Raises ``Vanished`` where none will come.
        """
        with self._changed:
            while True:
                found = next((i for i in self.images if i.began >= instant), None)
                if found is not None:
                    return found
                if self._reading is None or self._reading.done() or self._lost:
                    raise Vanished(self._lost or "nothing is being read")
                self._changed.wait(0.5)

    def stop_asking(self) -> None:
        """Stop a call under way before its next question."""
        self._stop.set()

    def end_reading(self) -> None:
        task, self._reading = self._reading, None
        if task is not None:
            async def cancel() -> None:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)
            self._wait(cancel())

    def close(self) -> None:
        self.disconnect()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()

    def _wait(self, coroutine: Coroutine[Any, Any, T]) -> T:
        future = asyncio.run_coroutine_threadsafe(coroutine, self._loop)
        while True:
            try:
                return future.result()
            except KeyboardInterrupt:
                if self._stop.is_set():
                    raise  # pressed twice: out of here
                self._stop.set()
