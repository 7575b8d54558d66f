"""A crowd at the board: readings, the journal and ``/healthz`` go on."""

from __future__ import annotations

import json
import logging
import resource
import socket
from contextlib import ExitStack
from urllib.parse import urlsplit

import pytest

from collector.logs import RepeatFilter
from tests.integration.support import get_json, until
from tests.integration.test_daemon import Works, controller, works

__all__ = ["controller", "works"]


def newest(works: Works) -> str:
    return json.dumps([p for p in works.status()["points"] if "tank_pressure" in str(p)])


def answered(works: Works) -> bool:
    try:
        return bool(get_json(f"{works.board}/healthz")["alive"])
    except TimeoutError:  # a busy machine
        return False


@pytest.mark.parametrize("sent", [
    b"", b"GET / HTTP/1.1\r\nHost: x\r\nX-A: ",
    b"POST /sign-in HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n",
])
def test_half_open_connections_cost_no_reading(works: Works, sent: bytes) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 4096), hard))
    daemon = works.start()
    resource.prlimit(daemon.process.pid, resource.RLIMIT_NOFILE, (1024, 1024))
    where = urlsplit(works.board)
    before = newest(works)
    with ExitStack() as stack:
        for _ in range(1100):
            one = stack.enter_context(socket.create_connection((where.hostname, where.port), 20))
            if sent:
                one.send(sent)
        until(lambda: answered(works), within=10, what="an answer")
        until(lambda: newest(works) != before, within=10, what="a newer reading")
    assert len(daemon.log.read_bytes()) < 100_000
    daemon.terminate(20)
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_health_is_answered_beside_many_connections(works: Works) -> None:
    works.start()
    where = urlsplit(works.board)
    with ExitStack() as stack:
        for _ in range(250):
            stack.enter_context(socket.create_connection((where.hostname, where.port), 20))
        until(lambda: answered(works), within=10, what="an answer")


def test_a_line_that_repeats_is_counted() -> None:
    repeats = RepeatFilter()

    def record(at: float, text: str = "no descriptor left") -> logging.LogRecord:
        made = logging.LogRecord("a", logging.ERROR, "f.py", 1, text, None, None)
        made.created = at
        return made

    kept = sum(repeats.filter(record(1000.0 + k / 1000)) for k in range(5000))
    assert kept == RepeatFilter.MOST
    assert repeats.filter(record(1001.0, "something else"))
    later = record(1100.0)
    assert repeats.filter(later)
    assert later.left_out == 5000 - RepeatFilter.MOST  # type: ignore[attr-defined]
