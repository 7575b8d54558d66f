"""A link in a mail opens the page one is signed in for, though the cookie never crosses sites."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from starlette.responses import HTMLResponse

from collector.web import create_app
from tests.web.chromium import PHONE, browser, open_page, serving, sign_in_at
from tests.web.conftest import Signed, client_of
from tests.web.fakes import TOKEN, FakeSite

__all__ = ["browser"]

FOLLOWED = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate",
            "sec-fetch-dest": "document", "accept": "text/html"}


async def test_whoever_comes_from_elsewhere_without_a_cookie_is_led_on_once(
    site: FakeSite, app: FastAPI,
) -> None:
    site.reading = "signed-in"
    async with client_of(create_app(site.services())) as client:
        first = await client.get("/alarms?q=pressure&thing=r1", headers=FOLLOWED)
        assert first.status_code == 200
        assert 'content="0; url=/alarms?q=pressure&amp;thing=r1"' in first.text
        assert "Fenmoor" not in first.text
        assert first.headers["cache-control"] == "no-store"
        cookie = first.headers["set-cookie"]
        assert {"HttpOnly", "Max-Age=5", "SameSite=lax"} <= set(cookie.split("; "))
        again = await client.get("/alarms", headers=FOLLOWED)  # a browser that says it each time
        assert (again.status_code, again.headers["location"]) == (303, "/sign-in?next=%2Falarms")
        client.cookies.clear()
        for name in FOLLOWED:  # nobody else is held up
            if name != "accept":
                other = await client.get("/", headers=FOLLOWED | {name: "none"})
                assert other.status_code == 303, name


async def test_who_has_a_session_or_a_token_is_not_led_anywhere(signed: Signed) -> None:
    client = await signed("R. Okafor")
    assert "Active alarms" in (await client.get("/", headers=FOLLOWED)).text
    async with client_of(client._transport.app) as program:  # type: ignore[attr-defined]
        answer = await program.get("/", headers=FOLLOWED | {
            "authorization": f"Bearer {TOKEN}".encode()})  # type: ignore[dict-item]
        assert "Active alarms" in answer.text


@pytest.mark.parametrize("path", [
    "//evil.test/", "/%2f%2fevil.test/", "/\\evil.test", '/alarms?q="><script>alert(1)</script>',
    "/things/x%22%3E%3Cscript%3E", "/things/" + "x" * 400, "/alarms?q=x;url=https://evil.test",
])
async def test_it_leads_nowhere_else_and_takes_no_markup(
    client: httpx.AsyncClient, path: str,
) -> None:
    text = (await client.get(path, headers=FOLLOWED)).text
    assert "<script>alert" not in text
    assert 'url=//' not in text
    assert 'content="0; url=h' not in text


async def test_changes_from_elsewhere_are_refused_and_not_led_on(
    client: httpx.AsyncClient, site: FakeSite,
) -> None:
    answer = await client.post("/api/v1/alarms/x/acknowledge", headers=FOLLOWED)
    assert answer.status_code == 403
    assert site.actions == []


@pytest.fixture
async def address(site: FakeSite) -> AsyncIterator[str]:
    site.reading = "signed-in"
    async for one in serving(create_app(site.services())):
        yield one


@pytest.fixture
async def mail(address: str) -> AsyncIterator[str]:
    """A web mail of another site, with a link to the board."""
    other = FastAPI()

    @other.get("/")
    async def message() -> HTMLResponse:
        return HTMLResponse(f'<title>Mail</title><a href="{address}/alarms?q=pressure">look</a>'
                            f'<iframe src="{address}/alarms"></iframe>')
    async for one in serving(other):
        yield one.replace("127.0.0.1", "localhost")


@pytest.mark.browser
@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
async def test_a_link_in_a_mail_opens_the_page_without_signing_in_again(
    browser: Any, address: str, mail: str, script: bool,
) -> None:
    page, _ = await open_page(browser, f"{address}/sign-in", PHONE, java_script_enabled=script)
    await sign_in_at(page, "L. Ames")
    await page.goto(mail)
    await page.get_by_role("link", name="look").click()
    await page.get_by_role("heading", name="Alarms", exact=True).wait_for()
    assert page.url == f"{address}/alarms?q=pressure"
    assert await page.get_by_role("link", name="L. Ames").is_visible()
    (cookie,) = [c for c in await page.context.cookies(address) if c["name"] == "quietpipe"]
    assert cookie["sameSite"] == "Strict"


@pytest.mark.browser
async def test_a_stranger_who_follows_it_is_asked_to_sign_in(
    browser: Any, mail: str,
) -> None:
    page, _ = await open_page(browser, mail, PHONE)
    await page.get_by_role("link", name="look").click()
    await page.get_by_role("heading", name="Sign in").wait_for()
    assert page.url.endswith("/sign-in?next=%2Falarms%3Fq%3Dpressure")
