"""Who is asking, and may they? Asked before every route; what is not opened on purpose is shut.

A route says more with ``require(Role.RESPOND)`` as its dependency, or is taken out of the rule with
``public``. A request that changes something needs at least ``Role.RESPOND``, comes from our own
page, and brings the session's mark, or a bearer token (which a browser never sends by itself).

The session's cookie is ``SameSite=Strict``: whatever another site makes a browser ask, the cookie
stays behind. That would ask somebody who follows a link in a mail to sign in once more. So a page
asked for in that way, and without a session, is answered by one that says nothing and leads on to
the same address: that second step is ours, and brings the cookie. With ``Lax`` the answer to the
other site's request itself would be that of the session.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import TypeVar
from urllib.parse import quote, urlsplit

from starlette.requests import Request

from collector.people import Role, Session, SessionManager, TooManyAttempts
from collector.web.refusals import AskedFromElsewhere, Refusal, SignInFirst

__all__ = [
    "CAME", "FORM", "LOCAL", "Door", "Visitor", "address_of", "changes_need", "check_origin",
    "public", "require", "visitor",
]

FORM = "application/x-www-form-urlencoded"
_SAFE = frozenset({"GET", "HEAD"})
LOCAL = frozenset({"127.0.0.1", "::1", "localhost"})
"""This machine, as one calls it from itself."""
_PASSED_ON = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_COOKIE = "quietpipe"
CAME = "quietpipe-came"
"""Cookie of somebody who was led on a moment ago: nobody is led in a circle."""

_Endpoint = TypeVar("_Endpoint", bound=Callable[..., object])


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Whoever asks. ``name`` is empty for somebody not signed in, and for a bearer of the token."""

    role: Role | None
    name: str = ""
    session: Session | None = field(default=None, repr=False)
    bearer: bool = False

    @property
    def csrf(self) -> str:
        """The mark that a form has to bring back; empty where there is no session."""
        return self.session.csrf if self.session is not None else ""

    def may(self, role: Role) -> bool:
        """Whether this is somebody of that role."""
        return self.role is not None and self.role.may(role)


def public(endpoint: _Endpoint) -> _Endpoint:
    """Let everybody ask this route, signed in or not; it then answers for itself."""
    endpoint.is_public = True  # type: ignore[attr-defined]
    return endpoint


def changes_need(role: Role) -> Callable[[_Endpoint], _Endpoint]:
    """Let those of a smaller role than ``respond`` change something by this route."""
    def marked(endpoint: _Endpoint) -> _Endpoint:
        endpoint.changes_need = role  # type: ignore[attr-defined]
        return endpoint
    return marked


def visitor(request: Request) -> Visitor:
    """Return who asks, once the door has let them in."""
    found: Visitor = getattr(request.state, "visitor", None) or Visitor(role=None)
    return found


def require(role: Role) -> Callable[[Request], Awaitable[Visitor]]:
    """Return the dependency that lets in whoever has ``role``, and gives the :class:`Visitor`.

    Example: ``visitor: Visitor = Depends(require(Role.MANAGE))``. Raises ``Refusal`` (401, 403) or
    sends a person to the sign-in.
    """
    async def needed(request: Request) -> Visitor:
        who = visitor(request)
        if not who.may(role):
            raise _turned_away(request, who, role)
        return who
    return needed


def _turned_away(request: Request, who: Visitor, role: Role) -> Exception:
    if who.role is not None and (who.name or who.bearer):
        return Refusal(403, f"This needs the role '{role}'; yours is '{who.role}'.")
    if request.method in _SAFE and "text/html" in request.headers.get("accept", ""):
        return SignInFirst(_here(request))
    return Refusal(401, "Sign in first; a program sends the board's token.")


def _here(request: Request) -> str:
    query = f"?{request.url.query}" if request.url.query else ""
    return quote(f"{request.url.path}{query}", safe="")


def _followed_from_elsewhere(request: Request) -> bool:
    """Whether a browser says that another site's link led a person to this page."""
    sent = request.headers
    return request.method == "GET" and sent.get("sec-fetch-site") == "cross-site" \
        and sent.get("sec-fetch-mode") == "navigate" and sent.get("sec-fetch-dest") == "document" \
        and CAME not in request.cookies


def address_of(request: Request) -> str:
    """Return where a request comes from; behind a proxy that is the proxy."""
    return request.client.host if request.client is not None else "unknown"


def check_origin(request: Request) -> None:
    """Refuse (403) a request that another site's page sent through a person's browser."""
    origin = request.headers.get("origin")
    fetch_site = request.headers.get("sec-fetch-site", "same-origin")
    # The scheme is left out: behind a proxy that ends TLS we see http where the browser says https.
    foreign = origin is not None and urlsplit(origin).netloc != request.headers.get("host", "")
    if foreign or fetch_site not in ("same-origin", "none"):
        raise Refusal(403, "This came from a page of another site and is refused. "
                           "Open the board itself and do it there.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """What decides. ``token`` is the site file's; ``public_address`` how people reach the board.

    ``reading`` is ``open``, ``signed-in``, or ``None``: open for whoever sits at this machine.
    """

    keeper: SessionManager
    token: str | None = field(default=None, repr=False)
    reading: str | None = None
    listens_locally: bool = True
    public_address: str | None = None

    async def admit(self, request: Request) -> None:
        """Find out who asks, and refuse what they may not; the application's first dependency."""
        endpoint = request.scope.get("endpoint")
        request.state.from_form = _kind(request) == FORM
        request.state.visitor = who = self._who(request)
        if getattr(endpoint, "is_public", False):
            return
        changes = request.method not in _SAFE
        if who.session is None and not who.bearer and _followed_from_elsewhere(request):
            raise AskedFromElsewhere
        if changes:
            check_origin(request)
            await self._check_mark(request, who)
        needed = getattr(endpoint, "changes_need", Role.RESPOND) if changes else Role.LOOK
        if not who.may(needed):
            raise self._closed(request, who, needed)

    def still_may_look(self, request: Request) -> bool:
        """Whether whoever was let in before may go on looking: a session may have ended since."""
        before = visitor(request)
        if before.session is None:
            return before.may(Role.LOOK)
        return self._session(request) is not None

    def _session(self, request: Request) -> Session | None:
        by_itself = request.url.path == "/live" or "x-refresh" in request.headers
        return self.keeper.find(request.cookies.get(self.cookie(request), ""), used=not by_itself)

    def _closed(self, request: Request, who: Visitor, needed: Role) -> Exception:
        if needed is not Role.LOOK and not self.token and not self.keeper.has_people():
            return Refusal(403, "Nothing can be changed from here yet: there is no account. The "
                                "first is made on the command line with quietpipe people.")
        return _turned_away(request, who, needed)

    def _who(self, request: Request) -> Visitor:
        scheme, _, value = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return self._bearer(request, value.strip())
        session = self._session(request)
        if session is not None:
            return Visitor(role=session.role, name=session.name, session=session)
        return Visitor(role=Role.LOOK if self._open(request) else None)

    def _bearer(self, request: Request, value: str) -> Visitor:
        given = value.encode("latin-1")  # the bytes as they came: headers are read so
        try:
            if self.token and given and \
                    self.keeper.check_token(given, self.token, address_of(request)):
                return Visitor(role=Role.MANAGE, bearer=True)
        except TooManyAttempts as wait:
            raise Refusal(429, str(wait), retry_after=wait.wait) from wait
        if not self.token:
            raise Refusal(403, "No token is set for this board in the site file.")
        raise Refusal(401, "That is not the board's token.")

    def _open(self, request: Request) -> bool:
        if self.reading is not None:
            return self.reading == "open"
        # A name that only points here (a rebound one), or a proxy, is somebody from elsewhere.
        name = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
        return self.listens_locally and name in LOCAL and address_of(request) in LOCAL \
            and not any(header in request.headers for header in _PASSED_ON)

    async def _check_mark(self, request: Request, who: Visitor) -> None:
        if who.session is None:
            return
        given = request.headers.get("x-csrf-token", "")
        if not given and request.state.from_form:
            sent = (await request.form()).get("csrf", "")
            given = sent if isinstance(sent, str) else ""
        self.check_mark(given, who.session.csrf)

    @staticmethod
    def check_mark(given: str, expected: str) -> None:
        """Refuse (403) a form that does not bring back the mark it was given."""
        if not _same(given, expected):
            raise Refusal(403, "This form has gone stale, or is not one of ours. Go back, load the "
                               "page again, and send it once more.")

    def is_secure(self, request: Request) -> bool:
        """Whether the browser reaches us over https, be it through a proxy that ends it."""
        outside = urlsplit(self.public_address or "")
        return request.url.scheme == "https" or (
            outside.scheme == "https" and outside.netloc == request.headers.get("host", "")
        )

    def cookie(self, request: Request) -> str:
        """Return the session cookie's name; the prefix binds it to https and to this host."""
        return f"__Host-{_COOKIE}" if self.is_secure(request) else _COOKIE


def _kind(request: Request) -> str:
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def _same(given: str, expected: str) -> bool:
    return bool(given) and hmac.compare_digest(given.encode(), expected.encode())
