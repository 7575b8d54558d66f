"""The access policy: identity and role of the visitor, checked before every route.

Every route needs ``Role.LOOK`` to read and ``Role.RESPOND`` to change, unless it asks for more with
``require`` or is opened with ``public``. A request that changes something comes from our own page
and carries the session's CSRF token, or has a bearer token, which a browser never sends by itself.

The session cookie is ``SameSite=Strict``, so a request that another site started comes without it.
A person who follows a link in a mail would have to sign in again; such a request is answered with
an empty page that continues to the same address, and that second request carries the cookie. With
``Lax`` the other site's request itself would be answered as that of the session.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import TypeVar
from urllib.parse import quote, urlsplit

from starlette.requests import Request

from collector.people import Role
from collector.people.sessions import Session, SessionManager, TooManyAttempts


class HttpError(Exception):
    """A refused request. ``sentence`` is shown to the visitor.

    ``retry_after`` (s) says when the request may be repeated.
    """

    def __init__(self, status: int, sentence: str, *, retry_after: int | None = None) -> None:
        self.status = status
        self.sentence = sentence
        self.retry_after = retry_after
        super().__init__(sentence)


class SignInRequired(Exception):
    """The visitor must sign in and then continues to ``back`` (a path of ours, quoted)."""

    def __init__(self, back: str) -> None:
        self.back = back
        super().__init__("sign in first")


class CrossSiteNavigation(Exception):
    """A link of another site led here without the session cookie; the browser must ask again."""


FORM = "application/x-www-form-urlencoded"
MULTIPART = "multipart/form-data"
"""A form with a photo; only the routes of photos read one."""
_SAFE = frozenset({"GET", "HEAD"})
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
"""Names of this machine for itself."""
_PASSED_ON = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_COOKIE = "quietpipe"
REDIRECTED = "quietpipe-came"
"""Cookie set when a cross-site request was continued, so that it is continued once only."""

_Endpoint = TypeVar("_Endpoint", bound=Callable[..., object])


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """The sender of a request. ``name`` is empty without a session, also for a bearer token."""

    role: Role | None
    name: str = ""
    session: Session | None = field(default=None, repr=False)
    bearer: bool = False

    @property
    def csrf(self) -> str:
        """The token that a form must carry; empty without a session."""
        return self.session.csrf if self.session is not None else ""

    def may(self, role: Role) -> bool:
        return self.role is not None and self.role.may(role)


def public(endpoint: _Endpoint) -> _Endpoint:
    """Open a route to every visitor; the route itself checks what it has to."""
    endpoint.is_public = True  # type: ignore[attr-defined]
    return endpoint


def takes_files(most: int) -> Callable[[_Endpoint], _Endpoint]:
    """Let a route take a form with files, of ``most`` bytes in all."""
    def marked(endpoint: _Endpoint) -> _Endpoint:
        endpoint.takes_files = most  # type: ignore[attr-defined]
        return endpoint
    return marked


def changes_need(role: Role) -> Callable[[_Endpoint], _Endpoint]:
    """Set the role that a changing request on this route needs, in place of ``respond``."""
    def marked(endpoint: _Endpoint) -> _Endpoint:
        endpoint.changes_need = role  # type: ignore[attr-defined]
        return endpoint
    return marked


def visitor(request: Request) -> Visitor:
    """Return the visitor of a request that the policy has admitted."""
    found: Visitor = getattr(request.state, "visitor", None) or Visitor(role=None)
    return found


def require(role: Role) -> Callable[[Request], Awaitable[Visitor]]:
    """Return a dependency that admits visitors with ``role`` and returns the :class:`Visitor`.

    Example: ``visitor: Visitor = Depends(require(Role.MANAGE))``. Raises ``HttpError``
    (401, 403), or ``SignInRequired`` for a person's browser.
    """
    async def needed(request: Request) -> Visitor:
        found = visitor(request)
        if not found.may(role):
            raise _denied(request, found, role)
        return found
    return needed


def _denied(request: Request, who: Visitor, role: Role) -> Exception:
    if who.role is not None and (who.name or who.bearer):
        return HttpError(403, f"This needs the role '{role}'; yours is '{who.role}'.")
    if request.method in _SAFE and "text/html" in request.headers.get("accept", ""):
        return SignInRequired(_here(request))
    return HttpError(401, "Sign in first; a program sends the board's token.")


def _here(request: Request) -> str:
    query = f"?{request.url.query}" if request.url.query else ""
    return quote(f"{request.url.path}{query}", safe="")


def _is_cross_site(request: Request) -> bool:
    """Whether the browser says that a link of another site led to this page."""
    sent = request.headers
    return request.method == "GET" and sent.get("sec-fetch-site") == "cross-site" \
        and sent.get("sec-fetch-mode") == "navigate" and sent.get("sec-fetch-dest") == "document" \
        and REDIRECTED not in request.cookies


def address_of(request: Request) -> str:
    """Return the client's address; behind a proxy, the proxy's."""
    return request.client.host if request.client is not None else "unknown"


def check_origin(request: Request) -> None:
    """Refuse (403) a request that another site's page sent through a person's browser."""
    origin = request.headers.get("origin")
    fetch_site = request.headers.get("sec-fetch-site", "same-origin")
    # The scheme is left out: behind a proxy that ends TLS we see http where the browser says https.
    foreign = origin is not None and urlsplit(origin).netloc != request.headers.get("host", "")
    if foreign or fetch_site not in ("same-origin", "none"):
        raise HttpError(403, "This came from a page of another site and is refused. "
                           "Open the board itself and do it there.")


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessPolicy:
    """Identifies the visitor of a request and decides what they may do.

    ``token`` is the site file's bearer token, ``public_address`` the address that people use.
    ``reading`` is ``open``, ``signed-in``, or ``None`` for open from this machine alone.
    """

    sessions: SessionManager
    token: str | None = field(default=None, repr=False)
    reading: str | None = None
    listens_locally: bool = True
    public_address: str | None = None

    async def admit(self, request: Request) -> None:
        """Identify the visitor and refuse what they may not do; every route's first dependency."""
        endpoint = request.scope.get("endpoint")
        most = getattr(endpoint, "takes_files", 0)
        request.state.from_form = kind_of(request) == FORM or bool(
            most and kind_of(request) == MULTIPART)
        if most and not 0 < int(request.headers.get("content-length") or 0) <= most:
            raise HttpError(413, f"The photo is too large: {most} bytes at most.")
        request.state.visitor = who = self._who(request)
        if getattr(endpoint, "is_public", False):
            return
        changes = request.method not in _SAFE
        if who.session is None and not who.bearer and _is_cross_site(request):
            raise CrossSiteNavigation
        if changes:
            check_origin(request)
            await self._check_csrf(request, who)
        needed = getattr(endpoint, "changes_need", Role.RESPOND) if changes else Role.LOOK
        if not who.may(needed):
            raise self._closed(request, who, needed)

    def still_may_look(self, request: Request) -> bool:
        """Whether the visitor of an open stream may still read: the session may have ended."""
        before = visitor(request)
        if before.session is None:
            return before.may(Role.LOOK)
        return self._session(request) is not None

    def _session(self, request: Request) -> Session | None:
        automatic = request.url.path == "/live" or "x-refresh" in request.headers
        return self.sessions.find(request.cookies.get(self.cookie(request), ""), used=not automatic)

    def _closed(self, request: Request, who: Visitor, needed: Role) -> Exception:
        if needed is not Role.LOOK and not self.token and not self.sessions.has_people():
            return HttpError(403, "Nothing can be changed from here yet: there is no account. The "
                                "first is made on the command line with quietpipe people.")
        return _denied(request, who, needed)

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
                    self.sessions.check_token(given, self.token, address_of(request)):
                return Visitor(role=Role.MANAGE, bearer=True)
        except TooManyAttempts as wait:
            raise HttpError(429, str(wait), retry_after=wait.wait) from wait
        if not self.token:
            raise HttpError(403, "No token is set for this board in the site file.")
        raise HttpError(401, "That is not the board's token.")

    def _open(self, request: Request) -> bool:
        if self.reading is not None:
            return self.reading == "open"
        # A host name that only resolves to this machine (DNS rebinding), or a proxy, is not local.
        name = urlsplit(f"//{request.headers.get('host', '')}").hostname or ""
        return self.listens_locally and name in LOOPBACK and address_of(request) in LOOPBACK \
            and not any(header in request.headers for header in _PASSED_ON)

    async def _check_csrf(self, request: Request, who: Visitor) -> None:
        if who.session is None:
            return
        given = request.headers.get("x-csrf-token", "")
        if not given and request.state.from_form:
            sent = (await request.form()).get("csrf", "")
            given = sent if isinstance(sent, str) else ""
        try:
            self.check_csrf(given, who.session.csrf)
        except HttpError:
            await request.close()  # with the files of the form
            raise

    @staticmethod
    def check_csrf(given: str, expected: str) -> None:
        """Refuse (403) a form whose CSRF token is not the session's."""
        if not _same(given, expected):
            raise HttpError(403, "This form has expired. Reload the page and try again.")

    def is_secure(self, request: Request) -> bool:
        """Whether the browser uses https, also through a proxy that terminates it."""
        outside = urlsplit(self.public_address or "")
        return request.url.scheme == "https" or (
            outside.scheme == "https" and outside.netloc == request.headers.get("host", "")
        )

    def cookie(self, request: Request) -> str:
        """Return the session cookie's name; the prefix binds it to https and to this host."""
        return f"__Host-{_COOKIE}" if self.is_secure(request) else _COOKIE


def kind_of(request: Request) -> str:
    """Return the media type of a request's body, without its parameters."""
    return request.headers.get("content-type", "").partition(";")[0].strip().lower()


def _same(given: str, expected: str) -> bool:
    return bool(given) and hmac.compare_digest(given.encode(), expected.encode())
