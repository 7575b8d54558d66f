"""A real SMTP server on loopback, in a thread of its own, that can be told to misbehave."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session


class MailServer:
    """Takes mail on ``port``. Set ``rcpt`` or ``data`` to the answer it shall give instead."""

    def __init__(self) -> None:
        self.port = 0
        self.mails: list[EmailMessage] = []
        self.rcpt: list[str] = []
        self.data: list[str] = []
        self.rcpts_asked = 0
        self.password: str | None = None

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str,
        options: list[str],
    ) -> str:
        self.rcpts_asked += 1
        if self.rcpt:
            return self.rcpt.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.data:
            return self.data.pop(0)
        assert isinstance(envelope.content, bytes)
        mail = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        return "250 taken"

    def authenticate(
        self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any
    ) -> AuthResult:
        good = isinstance(data, LoginPassword) and data.password.decode() == self.password
        return AuthResult(success=good, handled=False)

    @contextmanager
    def serving(self, port: int = 0) -> Iterator[MailServer]:
        extra: dict[str, Any] = {}
        if self.password is not None:
            # No TLS on loopback; the server must still offer to be logged in to.
            extra = {"authenticator": self.authenticate, "auth_required": True,
                     "auth_require_tls": False}
        controller = Controller(self, hostname="127.0.0.1", port=port or free_port(), **extra)
        controller.start()
        self.port = controller.port
        try:
            yield self
        finally:
            controller.stop()

    def address(self, *, password: str = "", to: str = "oncall@example.org") -> str:
        """Return the address of this server as a site file's secret would have it."""
        user = f"watch:{password}@" if password else ""
        return (f"mailto://{user}127.0.0.1:{self.port}/"
                f"?from=watch@example.org&to={to}&mode=insecure")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


@contextmanager
def hanging_server(greeting: bytes = b"") -> Iterator[int]:
    """Serve a port that takes connections, perhaps greets, and never says more."""
    ready, over = threading.Event(), threading.Event()
    ports: list[int] = []

    async def main() -> None:
        held: list[asyncio.StreamWriter] = []

        async def hold(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            held.append(writer)
            writer.write(greeting)
            await reader.read(-1)
            writer.close()

        async with await asyncio.start_server(hold, "127.0.0.1", 0) as server:
            ports.append(server.sockets[0].getsockname()[1])
            ready.set()
            await asyncio.to_thread(over.wait)
            for writer in held:
                writer.close()

    thread = threading.Thread(target=lambda: asyncio.run(main()))
    thread.start()
    ready.wait(5)
    try:
        yield ports[0]
    finally:
        over.set()
        thread.join()
