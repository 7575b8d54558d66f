"""Signing in and out, and one's own password."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from typing import Protocol

from fastapi import Depends, FastAPI
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from collector.domain.errors import UsageError
from collector.people import Role, TooManyAttempts, WrongPassword
from collector.people.sessions import LONGEST
from collector.web.asks import local_path
from collector.web.door import (
    Door,
    Visitor,
    address_of,
    changes_need,
    check_origin,
    public,
    require,
    visitor,
)
from collector.web.refusals import Refusal
from collector.web.render import page

__all__ = ["SigningServices", "add_signing"]

Note = Callable[[str, str, Mapping[str, str]], None]

_LONGEST_FIELD = 400


def _text(form: FormData, name: str) -> str:
    value = form.get(name, "")
    if not isinstance(value, str) or len(value) > _LONGEST_FIELD:
        raise Refusal(400, f"'{name}' is too long.")
    return value


class SigningServices(Protocol):
    """What signing in takes."""

    @property
    def door(self) -> Door:
        """Who may come in."""

    @property
    def note(self) -> Note:
        """Keeps what was done."""


def add_signing(app: FastAPI, services: SigningServices) -> None:
    """Add the sign-in, the sign-out and the page of one's own account."""
    signing = _Signing(services)
    app.get("/sign-in", include_in_schema=False)(signing.ask)
    app.post("/sign-in", include_in_schema=False)(signing.sign_in)
    app.post("/sign-out", include_in_schema=False)(signing.sign_out)
    app.get("/account", include_in_schema=False)(signing.account)
    app.post("/account/password", include_in_schema=False)(signing.password)


_SIGNED_IN = Depends(require(Role.LOOK))


class _Signing:
    def __init__(self, services: SigningServices) -> None:
        self._note, self._door = services.note, services.door

    def _before(self, request: Request) -> str:
        """Return the cookie of somebody at the door: their form must match it."""
        return f"{self._door.cookie(request)}-door"

    def _form(self, request: Request, *, status: int = 200, sentence: str = "", name: str = "",
              wait: int | None = None, back: str = "/") -> Response:
        mine = request.cookies.get(self._before(request), "")
        if not 20 <= len(mine) <= 100:
            mine = secrets.token_urlsafe(24)
        response = page(
            request, "sign_in.html", status=status, sentence=sentence, name=name, next=back,
            mark=self._door.keeper.mark(mine), has_people=self._door.keeper.has_people(),
            headers={"retry-after": str(wait)} if wait else None,
        )
        response.set_cookie(self._before(request), mine, httponly=True, samesite="strict",
                            secure=self._door.is_secure(request), path="/")
        return response

    @public
    async def ask(self, request: Request) -> Response:
        back = local_path(request.query_params.get("next", ""), "/")
        return self._form(request, back=back)

    @public
    async def sign_in(self, request: Request) -> Response:
        check_origin(request)
        form = await request.form(max_fields=10, max_files=0)
        self._door.check_mark(_text(form, "mark"), self._door.keeper.mark(
            request.cookies.get(self._before(request), "")))
        name, back = _text(form, "name"), local_path(_text(form, "next"), "/")
        address = address_of(request)
        try:
            token = await self._door.keeper.sign_in(name, _text(form, "password"), address)
        except TooManyAttempts as slow:
            if slow.first:
                self._note("sign-in-held-up", "Somebody failed to sign in too often at "
                                    f"the board, from {address}.", {"from": address})
            return self._form(request, status=429, sentence=str(slow), name=name, wait=slow.wait,
                              back=back)
        except WrongPassword as wrong:
            return self._form(request, status=401, sentence=str(wrong), name=name, back=back)
        self._end_present(request)
        session = self._door.keeper.find(token)
        if session is not None:
            self._note("signed-in", f"{session.name} signed in at the board.",
                                {"by": session.name, "from": address})
        return self._with_cookie(request, back, token)

    def _with_cookie(self, request: Request, back: str, token: str) -> Response:
        response = RedirectResponse(back, status_code=303)
        response.set_cookie(
            self._door.cookie(request), token, max_age=LONGEST // 1000, httponly=True,
            samesite="strict", secure=self._door.is_secure(request), path="/",
        )
        response.delete_cookie(self._before(request), path="/")
        return response

    def _end_present(self, request: Request) -> None:
        # A session that was there before is over: two people never share one.
        session = visitor(request).session
        if session is not None:
            self._door.keeper.end(session.digest)

    @public
    async def sign_out(self, request: Request) -> Response:
        check_origin(request)
        who = visitor(request)
        if who.session is not None:
            form = await request.form(max_fields=10, max_files=0)
            self._door.check_mark(_text(form, "csrf"), who.session.csrf)
            self._door.keeper.end(who.session.digest)
            self._note("signed-out", f"{who.name} signed out at the board.",
                                {"by": who.name})
        response = RedirectResponse("/", status_code=303)
        response.delete_cookie(self._door.cookie(request), path="/")
        return response

    async def account(self, request: Request, who: Visitor = _SIGNED_IN) -> Response:
        if who.session is None:
            raise Refusal(404, "Nobody is signed in.")
        return page(request, "account.html", sentence="")

    @changes_need(Role.LOOK)
    async def password(self, request: Request, who: Visitor = _SIGNED_IN) -> Response:
        if who.session is None:
            raise Refusal(401, "Sign in first.")
        form = await request.form(max_fields=10, max_files=0)
        new = _text(form, "new")
        if new != _text(form, "again"):
            return page(request, "account.html", status=400,
                        sentence="The two new passwords differ. Nothing was changed.")
        try:
            await self._door.keeper.change_password(
                who.session, _text(form, "old"), new, address_of(request))
        except TooManyAttempts as slow:
            return page(request, "account.html", status=429, sentence=str(slow),
                        headers={"retry-after": str(slow.wait)})
        except (WrongPassword, UsageError) as error:
            return page(request, "account.html", status=400,
                        sentence=f"Nothing was changed: {error}")
        self._note("password-changed", f"{who.name} set another password.",
                            {"by": who.name})
        return RedirectResponse("/sign-in", status_code=303)
