"""One connection to an MQTT 5 broker, for use in an event loop.

paho reads and writes in a thread of its own; nothing here waits for it. A connection is used once:
opened, used, and closed or lost. The next one is another object, since each session of a site has
a will of its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.domain.errors import DeliveryError, DeliveryRefused, DeliveryUnreachable
from collector.forward import BrokerSettings

_log = logging.getLogger(__name__)

_RETRY_MAY_HELP = frozenset({
    "Server unavailable", "Server busy", "Quota exceeded", "Connection rate exceeded",
    "Use another server", "Unspecified error", "Implementation specific error",
})


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A message to publish."""

    topic: str
    payload: bytes = field(repr=False)
    qos: int = 0
    retain: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """A message of a subscription. ``number`` and ``qos`` are for :meth:`Connection.done`."""

    topic: str
    payload: bytes = field(repr=False)
    qos: int
    retain: bool
    number: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSettings:
    """The session as the broker knows it.

    ``clean`` discards what an earlier session left. A session that is kept lives ``expiry`` seconds
    after the connection. With ``manual`` a message counts as received once ``done`` is called, and
    at most ``window`` of them are under way.
    """

    client_id: str
    will: Message | None = None
    clean: bool = True
    expiry: int = 0
    manual: bool = False
    window: int = 100
    keepalive: int = 20


class _Handshake(ssl.SSLContext):
    """Does the TLS handshake within bounded time, and closes a socket that was refused."""

    timeout_s: float = 10.0

    def wrap_socket(self, sock: socket.socket, *args: Any, **more: Any) -> ssl.SSLSocket:
        """Return the socket after the peer's certificate was verified."""
        sock.settimeout(self.timeout_s)
        made = super().wrap_socket(sock, *args, **more)
        try:
            made.do_handshake()
        except BaseException:
            made.close()
            raise
        return made


class Connection:
    """One connection. ``received`` is called in the event loop with messages, in their order.

    ``timeout`` is in seconds of real time: how long connecting, or an answer of the broker, may
    take.
    """

    def __init__(
        self, broker: BrokerSettings, session: SessionSettings, *,
        received: Callable[[Sequence[Received]], None] | None = None, timeout: float = 20.0,
    ) -> None:
        self._broker, self._session = broker, session
        self._received = received
        self._timeout = timeout
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[bool] = self._loop.create_future()
        self.lost: asyncio.Future[str] = self._loop.create_future()
        """Done when the connection is lost or closed, with the reason."""
        self._unanswered: dict[int, asyncio.Future[None]] = {}
        self._inbox: deque[Received] = deque()
        self._signalled = False
        self._closing = False
        self._client = self._make()
        self._thread = threading.Thread(target=self._work, name="mqtt connects", daemon=True)

    def __repr__(self) -> str:
        state = "lost" if self.lost.done() else "open" if self._opened.done() else "opening"
        return f"Connection({self._session.client_id} at {self._broker}, {state})"

    @property
    def resumed(self) -> bool:
        """Whether the broker still had our session. Valid once the connection is open."""
        return self._opened.done() and not self._opened.cancelled() and self._opened.result()

    # -- opening and closing ---------------------------------------------------------------------

    async def open(self) -> None:
        """Connect. Raises ``DeliveryRefused`` or ``DeliveryUnreachable``."""
        self._secure()
        self._thread.start()
        try:
            async with asyncio.timeout(self._timeout):
                await asyncio.shield(self._opened)
        except TimeoutError as exc:
            self._client.disconnect()
            raise DeliveryUnreachable(f"{self._broker} does not answer") from exc

    async def close(self, *last: Message, grace: float = 0.5) -> None:
        """Publish ``last`` and disconnect in order; the broker then discards the will."""
        self._closing = True
        if self._opened.done() and not self.lost.done() and not self._opened.exception():
            with contextlib.suppress(DeliveryError, TimeoutError):
                async with asyncio.timeout(grace):
                    await self.publish(*last)
        self._client.disconnect()
        if self._opened.done() and not self._opened.exception():
            await asyncio.wait({self.lost}, timeout=grace)
        self._fail("closed")

    def give_up(self) -> None:
        """Make :meth:`open` fail now, while the broker has not answered."""
        if not self._opened.done():
            self._ended("given up")

    def abort(self) -> None:
        """Drop the connection as a cut cable would: the broker publishes the will."""
        self._closing = True
        sock = self._client.socket()
        if isinstance(sock, socket.socket):
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    def _make(self) -> paho.Client:
        s = self._session
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=s.client_id, protocol=paho.MQTTv5,
            reconnect_on_failure=False, manual_ack=s.manual,
        )
        client.connect_timeout = self._timeout / 2
        client.max_inflight_messages_set(200)
        if s.will is not None:
            client.will_set(s.will.topic, s.will.payload, s.will.qos, s.will.retain)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_answer
        client.on_subscribe = self._on_subscribed
        client.on_message = self._on_message
        return client

    def _secure(self) -> None:
        b = self._broker
        if b.username is not None:
            self._client.username_pw_set(b.username, b.password)
        if not b.tls:
            return
        try:
            context = _Handshake(ssl.PROTOCOL_TLS_CLIENT)
            context.timeout_s = self._timeout / 2
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            if b.ca is not None:
                context.load_verify_locations(b.ca)
            else:
                context.load_default_certs()
            if b.certificate is not None:
                context.load_cert_chain(b.certificate, b.key)
        except (OSError, ssl.SSLError) as exc:
            raise DeliveryRefused(f"the certificates for {b} cannot be used: {exc}") from exc
        self._client.tls_set_context(context)

    def _work(self) -> None:
        """Connect, then leave the socket to the library's own thread.

        Only the connecting blocks; and only with that thread does the library leave writing to it.
        """
        s = self._session
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = s.expiry
        properties.ReceiveMaximum = s.window
        try:
            self._client.connect(self._broker.host, self._broker.port, keepalive=s.keepalive,
                                 clean_start=s.clean, properties=properties)
            self._client.loop_start()
        except (OSError, ValueError) as exc:  # ssl.SSLError is an OSError
            self._in_loop(self._ended, str(exc) or type(exc).__name__)

    def _in_loop(self, call: Callable[..., None], *values: Any) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed: no caller is left
            self._loop.call_soon_threadsafe(call, *values)

    def _ended(self, why: str) -> None:
        if not self._opened.done():
            self._opened.set_exception(DeliveryUnreachable(f"{self._broker}: {why}"))
            self._opened.exception()  # the caller may be gone
        self._fail(why)

    def _fail(self, why: str) -> None:
        if not self.lost.done():
            self.lost.set_result(why)
        for future in self._unanswered.values():
            if not future.done():
                future.set_exception(DeliveryUnreachable(f"{self._broker}: {why}"))
                future.exception()
        self._unanswered.clear()

    # -- callbacks of paho, in its thread --------------------------------------------------------

    def _on_connect(
        self, client: Any, data: Any, flags: Any, reason: Any, properties: Any,
    ) -> None:
        self._in_loop(self._connected, str(reason), bool(reason.is_failure), flags.session_present)

    def _connected(self, reason: str, failed: bool, resumed: bool) -> None:
        if self._opened.done():
            return
        if not failed:
            self._opened.set_result(resumed)
            return
        kind = DeliveryUnreachable if reason in _RETRY_MAY_HELP else DeliveryRefused
        self._opened.set_exception(kind(f"{self._broker} does not take us: {reason}"))
        self._opened.exception()

    def _on_disconnect(
        self, client: Any, data: Any, flags: Any, reason: Any, properties: Any,
    ) -> None:
        why = f"the broker says: {reason}" if flags.is_disconnect_packet_from_server \
            else f"the connection was lost ({reason})"
        self._in_loop(self._ended, why)

    def _on_answer(
        self, client: Any, data: Any, number: int, reason: Any, properties: Any,
    ) -> None:
        self._in_loop(self._answered, number, str(reason) if reason.is_failure else "")

    def _on_subscribed(
        self, client: Any, data: Any, number: int, reasons: Any, properties: Any,
    ) -> None:
        bad = next((str(r) for r in reasons if r.is_failure), "")
        self._in_loop(self._answered, number, bad)

    def _answered(self, number: int, refusal: str) -> None:
        # Messages of QoS 0 are answered by the library itself, and no caller waits for that.
        future = self._unanswered.pop(number, None)
        if future is None or future.done():
            return
        if refusal:
            future.set_exception(DeliveryRefused(f"{self._broker} refuses: {refusal}"))
            future.exception()
        else:
            future.set_result(None)

    def _on_message(self, client: Any, data: Any, message: Any) -> None:
        self._inbox.append(Received(
            topic=message.topic, payload=message.payload, qos=message.qos,
            retain=message.retain, number=message.mid,
        ))
        if not self._signalled:
            self._signalled = True
            self._in_loop(self._drain)

    def _drain(self) -> None:
        self._signalled = False
        batch = []
        while self._inbox:
            batch.append(self._inbox.popleft())
        if batch and self._received is not None:
            self._received(batch)

    # -- requests to the broker ------------------------------------------------------------------

    async def subscribe(self, *topics: tuple[str, int]) -> None:
        """Subscribe to each ``(filter, QoS)``. Raises as :meth:`publish` does."""
        code, number = self._client.subscribe(list(topics))
        await self._answer(self._waiting(code, number), "subscribing")

    async def publish(self, *messages: Message) -> None:
        """Publish in order; return when the broker has taken those of QoS 1.

        A broker takes what one connection sends in order: once it has taken a message of QoS 1 it
        has taken what went before it, whatever its QoS. Raises ``DeliveryUnreachable`` or
        ``DeliveryRefused``.
        """
        waiting = [self.send(message) for message in messages]
        for message, future in zip(messages, waiting, strict=True):
            if future is not None:
                await self._answer(future, message.topic)

    def send(self, message: Message) -> asyncio.Future[None] | None:
        """Queue a message; return the future of its confirmation, ``None`` for QoS 0."""
        if self.lost.done():
            raise DeliveryUnreachable(f"{self._broker}: {self.lost.result()}")
        sent = self._client.publish(message.topic, message.payload, message.qos, message.retain)
        if message.qos:
            return self._waiting(sent.rc, sent.mid)
        if sent.rc is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise DeliveryUnreachable(f"{self._broker}: {paho.error_string(sent.rc)}")
        return None

    def done(self, received: Received) -> None:
        """Confirm that a message was kept (``manual`` sessions)."""
        if received.qos and not self.lost.done():
            self._client.ack(received.number, received.qos)

    def _waiting(self, code: MQTTErrorCode, number: int | None) -> asyncio.Future[None]:
        future: asyncio.Future[None] = self._loop.create_future()
        if number is None or code is not MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise DeliveryUnreachable(f"{self._broker}: {paho.error_string(code)}")
        self._unanswered[number] = future
        return future

    async def _answer(self, future: asyncio.Future[None], what: str) -> None:
        try:
            async with asyncio.timeout(self._timeout):
                await asyncio.shield(future)
        except TimeoutError as exc:
            raise DeliveryUnreachable(f"{self._broker} gives no answer to {what}") from exc
