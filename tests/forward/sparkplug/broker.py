"""A real broker with TLS, client certificates and an access list; a line to it that can be cut."""

from __future__ import annotations

import contextlib
import getpass
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector.forward import BrokerSettings
from collector.forward.mqtt import _Handshake
from tests.forward.certificates import Authority

MOSQUITTO = shutil.which("mosquitto") or (
    "/usr/sbin/mosquitto" if Path("/usr/sbin/mosquitto").exists() else "")
needs_broker = pytest.mark.skipif(not MOSQUITTO, reason="no mosquitto on this machine")

ACCESS = """\
# The fleet end.
user observer
topic readwrite #

# A site may say what is its own, and hear what is meant for it. %u is its certificate's name.
pattern write spBv1.0/+/NBIRTH/%u
pattern write spBv1.0/+/NDATA/%u
pattern write spBv1.0/+/NDEATH/%u
pattern write spBv1.0/+/DBIRTH/%u/+
pattern write spBv1.0/+/DDATA/%u/+
pattern write spBv1.0/+/DDEATH/%u/+
pattern read spBv1.0/+/NCMD/%u
pattern read spBv1.0/STATE/+
pattern write quietpipe/%u/events
pattern write quietpipe/%u/mark
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Mosquitto:
    """The broker. ``restart`` keeps port and retained messages.

    With a bound on what is in flight, mosquitto 2.0.11 keeps messages back from a session that
    returns to a longer queue (see ``collector/fleet/hub_state.py``). An observer that sets no
    bound of its own must see all there is, so the broker has none.
    """

    def __init__(self, folder: Path, authority: Authority, *, extra: str = "") -> None:
        self.folder, self.authority = folder, authority
        self.port = free_port()
        certificate, key = authority.issue("broker")
        (folder / "access").write_text(ACCESS)
        (folder / "mosquitto.conf").write_text(f"""\
user {getpass.getuser()}
listener {self.port} 127.0.0.1
cafile {authority.ca}
certfile {certificate}
keyfile {key}
require_certificate true
use_identity_as_username true
acl_file {folder / "access"}
persistence true
persistence_location {folder}/
log_dest file {folder / "log"}
max_queued_messages 0
max_inflight_messages 0
queue_qos0_messages true
set_tcp_nodelay true
{extra}
""")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self.folder / "mosquitto.conf")],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )
        wait_for_port(self.port, self.process)

    def stop(self, *, kill: bool = False) -> None:
        if self.process is not None:
            self.process.kill() if kill else self.process.terminate()
            self.process.wait(10)
            self.process = None

    def restart(self) -> None:
        self.stop()
        self.start()

    def settings(self, name: str, port: int | None = None) -> BrokerSettings:
        certificate, key = self.authority.issue(name)
        return BrokerSettings(host="127.0.0.1", port=port or self.port, tls=True,
                              ca=self.authority.ca, certificate=certificate, key=key)


def wait_for_port(port: int, process: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + 10
    while time.monotonic() < end:
        assert process.poll() is None, "the broker ended"
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
            return
        time.sleep(0.02)
    raise AssertionError("the broker does not listen")


@dataclass(frozen=True)
class Seen:
    topic: str
    payload: bytes
    qos: int
    retain: bool

    @property
    def verb(self) -> str:
        parts = self.topic.split("/")
        return parts[2] if parts[0] == "spBv1.0" and len(parts) > 3 else parts[-1]

    @property
    def thing(self) -> str:
        parts = self.topic.split("/")
        return parts[4] if len(parts) > 4 else ""


class Observer:
    """A plain client that sees everything, with the QoS and retain flag it was published with."""

    def __init__(self, broker: BrokerSettings, name: str = "observer") -> None:
        self.seen: list[Seen] = []
        self._ready = threading.Event()
        self.client = client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
        # Closes a connection that ends while hands are shaken; paho would leave it open.
        context = _Handshake(ssl.PROTOCOL_TLS_CLIENT)
        context.load_verify_locations(str(broker.ca))
        context.load_cert_chain(str(broker.certificate), str(broker.key))
        client.tls_set_context(context)
        client.reconnect_delay_set(1, 1)
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_message = lambda _c, _u, m: self.seen.append(
            Seen(m.topic, m.payload, m.qos, m.retain))
        # A session that is kept: what passes while the broker restarts is not lost on this side.
        kept = Properties(PacketTypes.CONNECT)
        kept.SessionExpiryInterval = 3600
        client.connect("127.0.0.1", broker.port, keepalive=30, clean_start=False, properties=kept)
        client.loop_start()
        self.wait_ready()

    def _on_connect(self, client: Any, *_: Any) -> None:
        client.subscribe("#", options=SubscribeOptions(qos=1, retainAsPublished=True))

    def wait_ready(self) -> None:
        assert self._ready.wait(10), "not subscribed"

    def lost(self) -> None:
        """Forget that it is subscribed: the broker is about to go away."""
        self._ready.clear()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.client.publish(topic, payload, 1, retain).wait_for_publish(10)

    def of(self, *verbs: str) -> list[Seen]:
        return [s for s in list(self.seen) if s.verb in verbs]

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Line:
    """A TCP line to the broker that can be cut, held and mended."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self.whole = True
        self._open = True
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while self._open:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if not self.whole:
                near.close()
                continue
            try:
                far = socket.create_connection(("127.0.0.1", self._to), 2)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self._pairs.append((near, far))
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(a, b), daemon=True).start()

    def _pump(self, a: socket.socket, b: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := a.recv(4096):
                b.sendall(data)
        for one in (a, b):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def cut(self) -> None:
        """Break every connection, wherever its bytes are, and let none through."""
        self.whole = False
        for pair in self._pairs:
            for one in pair:
                with contextlib.suppress(OSError):
                    one.shutdown(socket.SHUT_RDWR)
        for pair in self._pairs:
            for one in pair:
                one.close()
        self._pairs.clear()

    def mend(self) -> None:
        self.whole = True

    def close(self) -> None:
        self._open = False
        self.cut()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


@contextlib.contextmanager
def closing(*things: Any) -> Iterator[None]:
    try:
        yield
    finally:
        for thing in things:
            thing.close()


Check = Callable[[], Any]
