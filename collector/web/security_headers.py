"""Adds the security headers to every response, errors included, and limits request bodies."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.web.http_errors import HttpError

__all__ = ["SecurityHeaders"]

_POLICY = "content-security-policy"
_HEADERS = {
    # Everything a page needs comes from here, nothing is inline, no site may frame it.
    _POLICY: (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not no-referrer: browsers then send "Origin: null" with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}

_LONGEST_BODY = 262_144


class SecurityHeaders:
    """ASGI middleware; a response without a ``cache-control`` of its own is not stored."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and add the headers to its response."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    # Only the policy may be the response's own: a report's names its style sheet.
                    if name != _POLICY or name not in headers:
                        headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, _limited(receive), with_headers)


def _limited(receive: Receive) -> Receive:
    """Stop reading a body that is longer than any form."""
    taken = 0

    async def counted() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > _LONGEST_BODY:
            raise HttpError(413, f"The request is too long: {_LONGEST_BODY} bytes at most.")
        return message

    return counted
