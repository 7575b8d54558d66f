"""A stop beside remote endpoints that hang: within a bound, and nothing committed is lost."""

from __future__ import annotations

import json
import socket
import time
from contextlib import ExitStack
from urllib.parse import urlsplit

import pytest

from tests.integration.support import until
from tests.integration.test_daemon import Works, controller, works
from tests.notify.mailserver import hanging_server

__all__ = ["controller", "works"]

MORE = """
[influx]
api = "v1"
url = "http://127.0.0.1:{influx}"
database = "x"

[mqtt]
broker = "mqtt://127.0.0.1:{mqtt}"
fleet = "north"

[heartbeat]
url = "http://127.0.0.1:{beat}/x"
every = "30 s"

[[recipients]]
id = "on-call"
to = "env:ON_CALL"

[[devices]]
id = "silent"
address = "tcp://127.0.0.1:{device}"
unit = 1
profile = "generator.toml"
every = "1 s"
watches = "gen1b"

[[generators]]
id = "gen1b"
"""


_SLOW_NAMES = """
import socket, sys, time
right = socket.getaddrinfo
def slow(host, *args, **more):
    if host == "slow.example":
        time.sleep(60)
    return right(host, *args, **more)
socket.getaddrinfo = slow
from collector.cli import main
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.slow
@pytest.mark.timeout(50)
def test_a_stop_waits_for_no_name_server(works: Works) -> None:
    works.write(more=MORE[MORE.index("[[devices]]"):].replace(
        "127.0.0.1:{device}", "slow.example:502"))
    daemon = works.start(_SLOW_NAMES)
    until(lambda: "gen1.tank_pressure" in json.dumps(works.status()), within=10, what="a reading")
    time.sleep(2)
    assert daemon.terminate(20) < 4
    assert works.facts()[-1] == "collector-stopped"


@pytest.mark.slow
def test_a_stop_waits_for_no_server_that_hangs(
    works: Works, monkeypatch: pytest.MonkeyPatch,
) -> None:
    with ExitStack() as stack:
        ports = {name: stack.enter_context(hanging_server())
                 for name in ("influx", "mqtt", "beat", "device")}
        mail = stack.enter_context(hanging_server(b"220 here\r\n"))
        monkeypatch.setenv("ON_CALL", f"mailto://127.0.0.1:{mail}/?from=a@example.org"
                                      "&to=b@example.org&mode=insecure")
        works.write(limit="1 s", more=MORE.format(**ports))
        daemon = works.start()
        until(lambda: works.standing() == ["compressor-long-run"], within=20, what="the alarm")
        where = urlsplit(works.board)
        for path in ("/live", "/api/v1/status", "/"):
            one = stack.enter_context(socket.create_connection((where.hostname, where.port), 5))
            one.sendall(f"GET {path} HTTP/1.1\r\nHost: {where.netloc}\r\n".encode()
                        + (b"" if path == "/" else b"\r\n"))
        time.sleep(1)
        last = json.dumps(works.status()["points"])
        took = daemon.terminate(20)
        # The machine of the tests is busy with others; alone it takes half of it.
        assert took < 4, daemon.tail()
    assert works.facts()[-1] == "collector-stopped"
    assert "gen1.tank_pressure" in last
