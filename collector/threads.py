"""Work that blocks, in threads that the process does not wait for at exit."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable
from typing import TypeVar

__all__ = ["in_thread"]

T = TypeVar("T")


async def in_thread(work: Callable[[], T]) -> T:
    """Run ``work`` in a daemon thread; return what it returns, raise what it raises.

    Unlike the event loop's own threads it never delays the end of the process: a caller cancelled
    while waiting leaves the thread running.
    """
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: BaseException | None) -> None:
        if done.done():
            return
        if error is None:
            done.set_result(result)  # type: ignore[arg-type]
        else:
            done.set_exception(error)

    def run() -> None:
        result, error = None, None
        try:
            result = work()
        except BaseException as exc:  # noqa: BLE001 - carried over to the waiting task
            error = exc
        try:
            loop.call_soon_threadsafe(settle, result, error)
        except RuntimeError:
            # The loop has been closed: no caller waits any more.
            logging.getLogger(__name__).debug("a thread ended after its loop")

    threading.Thread(target=run, name="quietpipe-send", daemon=True).start()
    return await done
