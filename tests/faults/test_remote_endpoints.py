"""Servers that are not who they should be, or come and go."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from http.client import HTTPException
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from collector.domain.errors import DeliveryError, DeliveryRefused, DeliveryUnreachable
from collector.domain.messages import Delivery
from collector.forward import BrokerSettings
from collector.forward.mqtt import Connection, SessionSettings
from collector.notify import Message
from collector.notify.channels import WebHookChannel, check_address, exchange
from collector.notify.delivery import Sender
from collector.notify.recipients import Recipient
from tests.forward.certificates import Authority
from tests.forward.conftest import authority, broker, observer
from tests.forward.sparkplug.broker import Line, Mosquitto, Observer, closing
from tests.forward.sparkplug.test_live import missing
from tests.forward.support import SmallSite, until
from tests.servers import served

__all__ = ["authority", "broker", "observer"]


class Server:
    """A web server that answers as told and keeps what it was sent."""

    def __init__(self, status: int = 204, location: str = "") -> None:
        self.got: list[tuple[str, str, bytes]] = []
        server = self

        class Handler(BaseHTTPRequestHandler):
            def answer(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                server.got.append((self.command, self.path, body))
                self.send_response(status)
                if location:
                    self.send_header("Location", location)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST = do_HEAD = answer

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.port = self.server.server_port

    @contextmanager
    def serving(self, certificate: tuple[Path, Path] | None = None) -> Iterator[Server]:
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(*certificate)
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)
        with served(self.server):
            yield self


async def post(address: str) -> None:
    await WebHookChannel(timeout=3).send(Recipient(id="h", to=address),
                                         Message(subject="x", body='{"kind":"well"}'))


# -- addresses ------------------------------------------------------------------------------------

@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
async def test_no_redirect_leads_a_message_elsewhere(status: int) -> None:
    inside = Server()
    with inside.serving():
        outside = Server(status, f"http://127.0.0.1:{inside.port}/latest/meta-data")
        with outside.serving():
            with pytest.raises(DeliveryRefused):
                await post(f"http://127.0.0.1:{outside.port}/x")
            assert exchange(f"http://127.0.0.1:{outside.port}/x", method="GET")[0] == status
    assert len(outside.got) == 2
    assert inside.got == []


@pytest.mark.parametrize("address", [
    "file:///etc/passwd", "webhook+file:///etc/passwd", "gopher://127.0.0.1/x",
    "webhook+ftp://127.0.0.1/x", "http://", "http:///x", "https://:8080/", "http://\x00/",
    "webhook+unix:///run/docker.sock", "data:text/plain,x", "//127.0.0.1/x", "http://a b/",
])
def test_an_address_that_is_no_web_address_is_not_asked(address: str) -> None:
    with pytest.raises((ValueError, HTTPException)):
        exchange(address, timeout=0.5)
    assert check_address(address)


@pytest.mark.parametrize("kind", [
    "report:../../etc/passwd", "report:/etc/passwd", "report:http://169.254.169.254/x",
    "report:..", "report:.", "report:", "report:a/b.pdf", "report:a\\..\\b", "raised:march.pdf",
    "report:\x00", "report:file:///etc/passwd",
])
def test_a_message_carries_no_file_from_elsewhere(tmp_path: Path, kind: str) -> None:
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "march.pdf").write_text("x")
    sender = object.__new__(Sender)
    sender._files = tmp_path / "reports"
    given = Delivery(id=1, recipient="a", subject="", body="", event_seq=1, created=0, due=0,
                     kind=kind)
    found = sender._attachment(given)
    assert found is None or not _is_file(found)
    right = Delivery(id=1, recipient="a", subject="", body="", event_seq=1, created=0, due=0,
                     kind="report:march.pdf")
    assert sender._attachment(right) == tmp_path / "reports" / "march.pdf"


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except ValueError:  # a NUL in it
        return False


# -- certificates ---------------------------------------------------------------------------------

CERTIFICATES = {
    "right": {}, "expired": {"days": -2}, "of another address": {"address": "192.0.2.1"},
}


@pytest.mark.parametrize("name", [*CERTIFICATES, "of another authority"])
async def test_a_web_hook_with_a_wrong_certificate_is_sent_nothing(
    tmp_path: Path, authority: Authority, monkeypatch: pytest.MonkeyPatch, name: str,  # noqa: F811
) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.ca))
    signer = authority
    if name == "of another authority":
        (tmp_path / "other").mkdir()
        signer = Authority(tmp_path / "other")
    server = Server()
    pair = signer.issue(f"hook {name}", **CERTIFICATES.get(name, {}))
    with server.serving(pair):
        if name == "right":
            await post(f"https://127.0.0.1:{server.port}/x")
        else:
            with pytest.raises(DeliveryUnreachable, match="certificate"):
                await post(f"https://127.0.0.1:{server.port}/x")
    assert len(server.got) == (name == "right")


@pytest.mark.parametrize("name", ["expired", "of another address"])
async def test_a_broker_with_a_wrong_certificate_is_sent_nothing(
    tmp_path: Path, authority: Authority, name: str,  # noqa: F811
) -> None:
    class Wrong(Authority):
        def issue(self, who: str, **_: object) -> tuple[Path, Path]:
            return authority.issue(f"{who} {name}", **CERTIFICATES[name])

    wrong = object.__new__(Wrong)
    wrong.ca = authority.ca
    made = Mosquitto(tmp_path, wrong)
    made.start()
    try:
        certificate, key = authority.issue("fenmoor")
        settings = BrokerSettings(host="127.0.0.1", port=made.port, tls=True, ca=authority.ca,
                                  certificate=certificate, key=key)
        connection = Connection(settings, SessionSettings(client_id="fenmoor"), timeout=5)
        with pytest.raises(DeliveryError, match="certificate"):
            await connection.open()
        await connection.close()
    finally:
        made.stop()


# -- a broker that comes and goes -----------------------------------------------------------------

@pytest.mark.slow
async def test_a_flapping_line_to_the_broker_loses_no_reading(
    tmp_path: Path, broker: Mosquitto, observer: Observer,  # noqa: F811
) -> None:
    line = Line(broker.port)
    site = SmallSite(tmp_path, broker.settings("fenmoor", line.port))
    with closing(line, site):
        site.read()
        async with site.published():
            await until(lambda: observer.of("DBIRTH"), "births")
            for n in range(12):
                line.cut()
                site.read(2)
                await asyncio.sleep(0.02 * (n % 4))
                line.mend()
                site.read(2)
                await asyncio.sleep(0.15 * (n % 3))
            await until(lambda: not missing(site, observer), "what was missed", 30)


@pytest.mark.slow
async def test_a_flapping_broker_loses_no_reading(
    tmp_path: Path, broker: Mosquitto, observer: Observer,  # noqa: F811
) -> None:
    site = SmallSite(tmp_path, broker.settings("fenmoor"))
    with closing(site):
        site.read()
        async with site.published():
            await until(lambda: observer.of("DBIRTH"), "births")
            for _ in range(4):
                observer.lost()
                await asyncio.to_thread(broker.stop)
                site.read(2)
                await asyncio.to_thread(broker.start)
                site.read(2)
                await asyncio.to_thread(observer.wait_ready)
            await until(lambda: not missing(site, observer), "what was missed", 40)
