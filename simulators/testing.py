"""The bundled plant for integration tests: on a free port, under any clock, with its faults."""

from __future__ import annotations

import asyncio
import dataclasses
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from collector.clock import Clock
from simulators.faults import Bench
from simulators.plant import Plant
from simulators.scenario import Scenario, load_scenario
from simulators.serving import Serving, ServingStatistics, cancel, write_site
from simulators.stage import Stage

__all__ = ["PlantServer"]


class PlantServer:
    """Serves a scenario to tests: ``async with PlantServer("demo", clock=clock) as plant: ...``.

    ``scenario`` is a bundled name, a path or a :class:`Scenario`. The clock decides how time
    passes; under a manual clock the plant moves when it is asked, or when :meth:`catch_up` is
    called. ``play=False`` leaves the story's own orders out.
    """

    def __init__(self, scenario: str | Path | Scenario, *, clock: Clock, seed: int | None = None,
                 play: bool = True, log: list[str] | None = None) -> None:
        loaded = scenario if isinstance(scenario, Scenario) else load_scenario(scenario, seed=seed)
        if not play:
            loaded = dataclasses.replace(loaded, acts=())
        self.scenario = loaded
        self.log: list[str] = [] if log is None else log
        self.stage = Stage(loaded, log=self.log.append)
        self._serving = Serving(self.stage, clock)
        self._pace: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        await self._serving.open()
        self._pace = asyncio.create_task(self._serving.keep_up(5_000))
        return self

    async def __aexit__(self, kind: type[BaseException] | None, error: BaseException | None,
                        trace: TracebackType | None) -> None:
        if self._pace is not None:
            await cancel(self._pace)
        await self._serving.close()

    @property
    def addresses(self) -> dict[str, str]:
        """Address of each line, by its id."""
        return self._serving.addresses

    @property
    def plant(self) -> Plant:
        """The plant itself, to compare readings with."""
        return self.stage.plant

    @property
    def bench(self) -> Bench:
        """The plant with its gauges and units, as faults change them."""
        return self.stage.bench

    def catch_up(self) -> None:
        """Let the plant's time pass up to the clock's."""
        self._serving.catch_up()

    def fault(self, name: str, on: bool = True, **params: Any) -> None:
        """Switch a fault now."""
        self.stage.order(name, on, params)

    def read(self, point: str) -> float | str | None:
        """Return what a gauge or contact of the plant reads now."""
        return self.stage.gauges.read(point)

    def asked(self) -> dict[str, dict[int, int]]:
        """Return, by device, how many requests of each function code arrived."""
        return {name: dict(unit.asked) for name, unit in self.bench.units.items()}

    def statistics(self) -> ServingStatistics:
        """Return the counts of requests, and of those that were no reads."""
        return self._serving.statistics()

    def write_site(self, folder: Path) -> Path:
        """Write the site file with real addresses, and the profiles; return its path."""
        return write_site(self.scenario, self.addresses, folder)
