"""Signing in and out, and changing one's password."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from typing import Protocol

from fastapi import Depends, FastAPI
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.domain.errors import UsageError
from collector.domain.units import DAY
from collector.people import Role
from collector.people.sessions import LONGEST, TooManyAttempts, WrongPassword
from collector.web.access import (
    AccessPolicy,
    HttpError,
    Visitor,
    address_of,
    changes_need,
    check_origin,
    public,
    require,
    visitor,
)
from collector.web.api import local_path
from collector.web.render import page

RecordEvent = Callable[[str, str, Mapping[str, str]], None]

_LONGEST_FIELD = 400
_DEVICE_KNOWN = 365 * DAY


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    if not isinstance(value, str) or len(value) > _LONGEST_FIELD:
        raise HttpError(400, f"'{name}' is too long.")
    return value


class SignInServices(Protocol):
    """The services that signing in needs."""

    @property
    def access(self) -> AccessPolicy:
        """The access policy."""

    @property
    def record_event(self) -> RecordEvent:
        """Records an event in the journal."""


def add_sign_in_pages(app: FastAPI, services: SignInServices) -> None:
    """Add sign-in, sign-out and the page of one's own account."""
    signing = _Signing(services)
    app.get("/sign-in", include_in_schema=False)(signing.ask)
    app.post("/sign-in", include_in_schema=False)(signing.sign_in)
    app.post("/sign-out", include_in_schema=False)(signing.sign_out)
    app.get("/account", include_in_schema=False)(signing.account)
    app.post("/account/password", include_in_schema=False)(signing.password)


_SIGNED_IN = Depends(require(Role.LOOK))


class _Signing:
    def __init__(self, services: SignInServices) -> None:
        self._record_event, self._access = services.record_event, services.access

    def _form_cookie(self, request: Request) -> str:
        """Return the name of the cookie that the sign-in form must match."""
        return f"{self._access.cookie(request)}-door"

    def _device_cookie(self, request: Request) -> str:
        """Return the name of the cookie by which a browser that signed in is known again."""
        return f"{self._access.cookie(request)}-device"

    def _form(self, request: Request, *, status: int = 200, sentence: str = "", name: str = "",
              wait: int | None = None, back: str = "/") -> Response:
        mine = request.cookies.get(self._form_cookie(request), "")
        if not 20 <= len(mine) <= 100:
            mine = secrets.token_urlsafe(24)
        response = page(
            request, "sign_in.html", status=status, sentence=sentence, name=name, next=back,
            mark=self._access.sessions.mark(mine), has_people=self._access.sessions.has_people(),
            headers={"retry-after": str(wait)} if wait else None,
        )
        response.set_cookie(self._form_cookie(request), mine, httponly=True, samesite="strict",
                            secure=self._access.is_secure(request), path="/")
        return response

    @public
    async def ask(self, request: Request) -> Response:
        back = local_path(request.query_params.get("next", ""), "/")
        return self._form(request, back=back)

    @public
    async def sign_in(self, request: Request) -> Response:
        check_origin(request)
        form = await request.form(max_fields=10, max_files=0)
        self._access.check_csrf(_text(form, "mark"), self._access.sessions.mark(
            request.cookies.get(self._form_cookie(request), "")))
        name, back = _text(form, "name"), local_path(_text(form, "next"), "/")
        address = address_of(request)
        try:
            token = await self._access.sessions.sign_in(
                name, _text(form, "password"), address,
                request.cookies.get(self._device_cookie(request), ""))
        except TooManyAttempts as slow:
            if slow.first:
                self._record_event(
                    "sign-in-held-up",
                    f"Too many failed sign-ins at the board from {address}.", {"from": address})
            return self._form(request, status=429, sentence=str(slow), name=name, wait=slow.wait,
                              back=back)
        except WrongPassword as wrong:
            return self._form(request, status=401, sentence=str(wrong), name=name, back=back)
        self._end_previous(request)
        session = self._access.sessions.find(token)
        if session is not None:
            self._record_event("signed-in", f"{session.name} signed in at the board.",
                                {"by": session.name, "from": address})
        response = RedirectResponse(back, status_code=303)
        self._set_cookie(request, response, self._access.cookie(request), token, LONGEST)
        self._set_cookie(request, response, self._device_cookie(request),
                         self._access.sessions.device_mark(name), _DEVICE_KNOWN)
        response.delete_cookie(self._form_cookie(request), path="/")
        return response

    def _set_cookie(
        self, request: Request, response: Response, name: str, value: str, lasts: int,
    ) -> None:
        response.set_cookie(
            name, value, max_age=lasts // 1000, httponly=True, samesite="strict",
            secure=self._access.is_secure(request), path="/",
        )

    def _end_previous(self, request: Request) -> None:
        # The session that this browser had before ends: two people never share one.
        session = visitor(request).session
        if session is not None:
            self._access.sessions.end(session.digest)

    @public
    async def sign_out(self, request: Request) -> Response:
        check_origin(request)
        who = visitor(request)
        if who.session is not None:
            form = await request.form(max_fields=10, max_files=0)
            self._access.check_csrf(_text(form, "csrf"), who.session.csrf)
            self._access.sessions.end(who.session.digest)
            self._record_event("signed-out", f"{who.name} signed out at the board.",
                                {"by": who.name})
        response = RedirectResponse("/", status_code=303)
        response.delete_cookie(self._access.cookie(request), path="/")
        return response

    async def account(self, request: Request, who: Visitor = _SIGNED_IN) -> Response:
        if who.session is None:
            raise HttpError(404, "You are not signed in.")
        return page(request, "account.html", sentence="")

    @changes_need(Role.LOOK)
    async def password(self, request: Request, who: Visitor = _SIGNED_IN) -> Response:
        if who.session is None:
            raise HttpError(401, "Sign in first.")
        form = await request.form(max_fields=10, max_files=0)
        new = _text(form, "new")
        if new != _text(form, "again"):
            return page(request, "account.html", status=400,
                        sentence="The two new passwords differ. Nothing was changed.")
        try:
            await self._access.sessions.change_password(
                who.session, _text(form, "old"), new)
        except TooManyAttempts as slow:
            return page(request, "account.html", status=429, sentence=str(slow),
                        headers={"retry-after": str(slow.wait)})
        except (WrongPassword, UsageError) as error:
            return page(request, "account.html", status=400,
                        sentence=f"Nothing was changed: {error}")
        self._record_event("password-changed", f"{who.name} changed their password.",
                            {"by": who.name})
        return RedirectResponse("/sign-in", status_code=303)
