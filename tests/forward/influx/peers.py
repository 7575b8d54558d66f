"""Far ends to forward to: real ones from Debian, and a strict one of our own."""

from __future__ import annotations

import base64
import gzip
import json
import shutil
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.forward.influx.protocol import Point, parse


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def program(name: str, package: str) -> str:
    """Where a program is, or a skip that says which package brings it."""
    found = shutil.which(name, path="/usr/local/bin:/usr/bin:/usr/local/sbin:/usr/sbin")
    if found is None:
        pytest.skip(f"{name} is not on this machine (Debian package {package})")
    return found


class Process:
    """A server that can be stopped and started again on the same folder and port."""

    def __init__(self, command: list[str], folder: Path, port: int, ping: str) -> None:
        self.command, self.folder, self.port = command, folder, port
        self.url = f"http://127.0.0.1:{port}"
        self._ping = ping
        self._running: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        log = (self.folder / "server.log").open("ab")
        with log:
            self._running = subprocess.Popen(self.command, stdout=log, stderr=log)
        for _ in range(200):
            try:
                urllib.request.urlopen(self.url + self._ping, timeout=2).close()
            except (urllib.error.URLError, OSError):
                time.sleep(0.05)
            else:
                return
        raise AssertionError((self.folder / "server.log").read_text()[-2000:])

    def stop(self) -> None:
        if self._running is not None:
            self._running.terminate()
            self._running.wait(20)
            self._running = None


class Influxd(Process):
    """Debian's InfluxDB 1.6 in a folder of its own."""

    def __init__(self, folder: Path, *, auth: bool = False) -> None:
        port = free_port()
        config = folder / "influxd.conf"
        config.write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{free_port()}"\n'
            f'[meta]\ndir = "{folder}/meta"\n'
            f'[data]\ndir = "{folder}/data"\nwal-dir = "{folder}/wal"\n'
            "query-log-enabled = false\n"
            f'[http]\nbind-address = "127.0.0.1:{port}"\nlog-enabled = false\n'
            f"auth-enabled = {'true' if auth else 'false'}\n"
            "[monitor]\nstore-enabled = false\n[subscriber]\nenabled = false\n"
        )
        super().__init__([program("influxd", "influxdb"), "-config", str(config)], folder, port,
                         "/ping")

    def write(self, line: str, database: str = "sprinklers") -> None:
        """Write a line as somebody else would."""
        urllib.request.urlopen(f"{self.url}/write?db={database}&precision=ms", data=line.encode(),
                               timeout=10).close()

    def query(self, text: str, database: str = "sprinklers", *,
              user: tuple[str, str] | None = None) -> list[dict[str, Any]]:
        """Rows of an InfluxQL query, tags and columns alike by name; times in ms."""
        body = urllib.parse.urlencode({"q": text, "db": database, "epoch": "ms"}).encode()
        word = base64.b64encode(":".join(user or ("", "")).encode()).decode()
        request = urllib.request.Request(self.url + "/query", data=body,
                                         headers={"Authorization": f"Basic {word}"} if user else {})
        with urllib.request.urlopen(request, timeout=60) as answer:
            results = json.load(answer)["results"]
        rows = []
        for result in results:
            assert "error" not in result, result["error"]
            for series in result.get("series", ()):
                rows += [{**series.get("tags", {}), **dict(zip(series["columns"], v, strict=True))}
                         for v in series["values"]]
        return rows


class VictoriaMetrics(Process):
    """Debian's VictoriaMetrics, which takes ``/api/v2/write``."""

    def __init__(self, folder: Path) -> None:
        port = free_port()
        super().__init__([
            program("victoria-metrics", "victoria-metrics"),
            f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}/data",
            "-retentionPeriod=100y", "-search.latencyOffset=0s", "-loggerLevel=ERROR",
        ], folder, port, "/health")

    def export(self) -> dict[str, dict[int, float]]:
        """Values by name and labels, then by time in ms."""
        query = urllib.parse.urlencode({"match[]": '{__name__!=""}'})
        urllib.request.urlopen(self.url + "/internal/force_flush", timeout=10).close()
        with urllib.request.urlopen(f"{self.url}/api/v1/export?{query}", timeout=60) as answer:
            found: dict[str, dict[int, float]] = {}
            for line in answer:
                row = json.loads(line)
                labels = dict(row["metric"])
                name = labels.pop("__name__")
                key = name + "".join(f",{k}={v}" for k, v in sorted(labels.items()))
                assert len(set(row["timestamps"])) == len(row["timestamps"]), "doubled"
                found.setdefault(key, {}).update(zip(row["timestamps"], row["values"],
                                                     strict=True))
        return found


class StrictServer:
    """Takes line protocol as the two endpoints of the contract do, and nothing that is not right.

    ``refuse`` is asked for an answer other than success: status, headers, text, or ``None``.
    """

    def __init__(self, *, tls: ssl.SSLContext | None = None) -> None:
        self.points: dict[tuple[str, tuple[tuple[str, str], ...], int], dict[str, Any]] = {}
        self.writes: list[list[Point]] = []
        self.requests: list[dict[str, str]] = []
        self.faults: list[str] = []
        self.refuse: Callable[[list[Point]], tuple[int, dict[str, str], str] | None] = \
            lambda points: None
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                outer._take(self)

            def log_message(self, *_: Any) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._server.block_on_close = False
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        scheme = "http" if tls is None else "https"
        self.url = f"{scheme}://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,),
                                        daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5)

    def _take(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers["Content-Length"]))
        parts = urllib.parse.urlsplit(request.path)
        self.requests.append({"path": parts.path, "query": parts.query,
                              "authorization": request.headers.get("Authorization", "")})
        try:
            assert request.headers["Content-Encoding"] == "gzip"
            assert urllib.parse.parse_qs(parts.query)["precision"] == ["ms"]
            points = parse(gzip.decompress(body).decode())
        except (ValueError, AssertionError) as fault:
            self.faults.append(repr(fault))
            self._answer(request, 400, {}, json.dumps({"message": repr(fault)}))
            return
        answer = self.refuse(points)
        if answer is not None:
            self._answer(request, *answer)
            return
        self.writes.append(points)
        for point in points:
            assert point.time is not None
            key = (point.measurement, point.tags, point.time)
            self.points.setdefault(key, {}).update(point.fields)
        self._answer(request, 204, {}, "")

    def _answer(self, request: BaseHTTPRequestHandler, status: int, headers: dict[str, str],
                text: str) -> None:
        body = text.encode()
        request.send_response(status)
        for name, value in headers.items():
            request.send_header(name, value)
        if status != 204:
            request.send_header("Content-Length", str(len(body)))
        request.end_headers()
        if status != 204:
            request.wfile.write(body)
