"""Real servers of tests, served by a thread of the test's own process."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def served(server: socketserver.BaseServer) -> Iterator[None]:
    """Serve until the block ends, then close the server and wait for its thread."""
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
