"""Spreads work over the processes of a Dask cluster: a local one, or one that is there already.

Dask is loaded only here (the extra ``fleet``). Work of a worker that dies is given to another one.
"""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from types import TracebackType
from typing import Any, TypeVar

from collector.domain.errors import QuietpipeError, UsageError

__all__ = ["Cluster", "WorkLost"]

A = TypeVar("A")
B = TypeVar("B")

_PATIENCE = "20s"
"""How long a cluster that is named may take to answer."""
_TRIES = 2
"""Tries more where a piece of work failed for a reason outside it."""


class WorkLost(QuietpipeError):
    """A piece of work could not be done on any worker."""


class Cluster:
    """A context manager. ``address`` names a scheduler; ``workers`` counts those of a local one."""

    def __init__(self, address: str | None = None, *, workers: int | None = None) -> None:
        self._address, self._workers = address, workers
        self._stack = ExitStack()
        self._client: Any = None

    def __repr__(self) -> str:
        return f"Cluster({self._address or 'local'}, {self._workers or 'all'} workers)"

    def __enter__(self) -> Cluster:
        distributed = _load()
        # It tells of each worker that comes and goes; who is concerned is told by us.
        for name in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        with ExitStack() as stack:
            server = self._address or stack.enter_context(self._local(distributed, stack))
            try:
                client = distributed.Client(server, timeout=_PATIENCE, set_as_default=False)
            except (OSError, ValueError) as exc:
                raise UsageError(
                    f"no Dask scheduler answers at {self._address}: an address is written "
                    "tcp://host:8786") from exc
            self._client = stack.enter_context(client)
            self._stack = stack.pop_all()
        return self

    def _local(self, distributed: Any, stack: ExitStack) -> Any:
        scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="quietpipe-"))
        return distributed.LocalCluster(
            n_workers=self._workers, threads_per_worker=1, processes=True, host="127.0.0.1",
            dashboard_address="127.0.0.1:0", local_directory=scratch, silence_logs=logging.CRITICAL,
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    def map(
        self, work: Callable[[A], B], pieces: Sequence[A],
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[B | WorkLost]:
        """Yield what ``work`` makes of each piece, in their order; what was lost in its place.

        ``progress`` is told how many are done and how many there are, from another thread. A result
        stays with its worker until its turn has come.
        """
        futures = [self._client.submit(work, p, pure=False, retries=_TRIES) for p in pieces]
        done = _Done(len(futures), progress)
        for future in futures:
            future.add_done_callback(done)
        # Each is let go of as soon as it was taken.
        for number in range(len(futures)):
            future, futures[number] = futures[number], None
            try:
                yield future.result()
            except Exception as exc:  # noqa: BLE001 - whatever another process may have met
                yield WorkLost(_why(exc))


class _Done:
    """Counts futures that are done."""

    def __init__(self, total: int, progress: Callable[[int, int], None] | None) -> None:
        self._total, self._progress, self._count = total, progress, 0

    def __call__(self, future: object) -> None:
        self._count += 1
        if self._progress is not None:
            self._progress(self._count, self._total)


def _why(exc: Exception) -> str:
    if type(exc).__name__ == "KilledWorker":
        return "every worker that took it up died: too little memory, or a fault of this program"
    return f"a fault of this program: {type(exc).__name__}: {exc}"


def _load() -> Any:
    try:
        import distributed
    except ImportError as exc:
        raise QuietpipeError(
            "this needs the library Dask: pip install 'quietpipe[fleet]'") from exc
    return distributed
