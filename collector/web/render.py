"""Fills templates with the parts of every page: visitor, navigation, cautions, active windows."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.conditions import CAUTIONS
from collector.people import Role
from collector.web.access import visitor

__all__ = ["NAVIGATION", "NavigationItem", "page", "static_file", "templates"]

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class NavigationItem:
    """One entry of the navigation: its path and its label."""

    path: str
    word: str


NAVIGATION = (
    NavigationItem("/", "Overview"),
    NavigationItem("/alarms", "Alarms"),
    NavigationItem("/work", "Work"),
    NavigationItem("/windows", "Impairments"),
    NavigationItem("/commissioning", "Commissioning"),
    NavigationItem("/acceptance", "Acceptance"),
    NavigationItem("/survey", "Survey"),
    NavigationItem("/reports", "Reports"),
    NavigationItem("/health", "Health"),
    NavigationItem("/explain", "Handbook"),
)
"""In the order shown; entries without a page in the application are left out."""


@cache
def static_file(name: str) -> tuple[bytes, str]:
    """Return a static file and its digest."""
    content = (_HERE / "static" / name).read_bytes()
    return content, hashlib.sha256(content).hexdigest()[:12]


def _address(name: str) -> str:
    # The content's digest in the address lets browsers keep the file for ever, and yet never
    # show a new page with an old style sheet.
    return f"/static/{name}?v={static_file(name)[1]}"


@cache
def templates() -> Environment:
    """Return the environment that fills the templates; every word is escaped."""
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, auto_reload=False,
    )
    environment.globals["static"] = _address
    environment.filters["segment"] = lambda text: quote(text, safe="")
    return environment


def _navigation(request: Request) -> list[tuple[str, str, bool]]:
    path = request.url.path
    there = {getattr(route, "path", "") for route in request.app.routes}

    def here(item: NavigationItem) -> bool:
        return path == item.path or (item.path != "/" and path.startswith(f"{item.path}/"))
    return [(item.path, item.word, here(item)) for item in NAVIGATION if item.path in there]


def page(
    request: Request, template: str, *, status: int = 200,
    headers: Mapping[str, str] | None = None, **context: object,
) -> HTMLResponse:
    """Fill a template that extends ``base.html``.

    Beside ``context`` it gets ``visitor`` (a :class:`~collector.web.access.Visitor`), ``csrf`` (for
    the macro ``parts.token``), ``cautions``, ``navigation``, ``here`` (the request's path),
    ``active_windows`` (a line each, for visitors who may read) and ``can``: ``can("respond")`` is
    whether a person with that role is signed in.
    """
    found = visitor(request)

    def can(role: str) -> bool:
        return bool(found.name) and found.may(Role(role))

    filled = templates().get_template(template).render({
        "visitor": found, "csrf": found.csrf, "cautions": CAUTIONS, "here": request.url.path,
        "navigation": _navigation(request), "can": can,
        "version": request.app.version, "site_name": request.app.state.site_name(),
        # Impairments are not shown to visitors who may not read.
        "active_windows": request.app.state.active_windows() if found.may(Role.LOOK) else (),
        **context,
    })
    return HTMLResponse(filled, status_code=status, headers=dict(headers or {}))
