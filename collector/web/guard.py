"""Headers that every answer carries, put on below the framework so that errors have them too."""

from __future__ import annotations

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.web.refusals import Refusal

__all__ = ["Guard"]

_POLICY = "content-security-policy"
_HEADERS = {
    # Everything a page needs comes from here, nothing is inline, nobody may frame it.
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


class Guard:
    """Adds the headers; answers are never stored unless they say so themselves."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and dress the answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    # Only a policy may be an answer's own: that of a report names its sheet.
                    if name != _POLICY or name not in headers:
                        headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, _limited(receive), dressed)


def _limited(receive: Receive) -> Receive:
    """Give up reading a body that no page of ours would send, before it fills the memory."""
    taken = 0

    async def counted() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > _LONGEST_BODY:
            raise Refusal(413, f"That is too much: {_LONGEST_BODY} bytes at most.")
        return message

    return counted
