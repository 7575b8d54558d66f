"""Impairments on the board, in a real Chromium: declared, said on every page, ended."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest

from collector.domain.actions import ActionKind
from collector.web import create_app, serve
from tests.web.api.test_windows import Declared
from tests.web.chromium import CONTRAST, DESKTOP, PHONE, browser, open_page, sign_in_at, sound
from tests.web.fakes import FakeSite

__all__ = ["browser"]
pytestmark = pytest.mark.browser


@pytest.fixture
def declared(site: FakeSite) -> Declared:
    return Declared(site)


@pytest.fixture
async def address(declared: Declared) -> AsyncIterator[str]:
    services = replace(declared.site.services(), act=declared.act,
                       windows=lambda: declared.windows)
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(serve(create_app(services), "127.0.0.1", 0, ready.set_result))
    yield await asyncio.wait_for(ready, 5)
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running


@pytest.mark.parametrize("view", [PHONE, DESKTOP], ids=["phone", "desktop"])
async def test_declared_said_on_every_page_and_ended(
    browser: Any, address: str, declared: Declared, view: dict[str, int],
) -> None:
    page, _ = await open_page(browser, address, view)
    await sign_in_at(page, "R. Okafor")
    await page.goto(f"{address}/windows")
    none = page.get_by_text("None. No alarm is suppressed by an impairment or a visit.")
    assert await none.is_visible()
    await page.locator("summary", has_text="Declare an impairment").click()
    assert await page.get_by_text("follow the impairment procedure first").first.is_visible()
    await page.get_by_label("Asset").locator("visible=true").select_option(label="Dock riser")
    await page.get_by_label("Why").locator("visible=true").fill("branch line renewed")
    await page.get_by_label("Impairment coordinator").fill("B. Lee")
    await page.get_by_label("Authority having jurisdiction notified").fill("Fire marshal, 09:05")
    await page.get_by_role("button", name="Declare an impairment").locator("visible=true").click()
    await page.wait_for_url("**/windows")
    assert [(a.kind, a.alarm, a.by) for a in declared.asked] == [
        (ActionKind.DECLARE_IMPAIRMENT, "r1", "R. Okafor")]
    assert declared.asked[0].details == {
        "coordinator": "B. Lee", "notified_authority": "Fire marshal, 09:05"}
    done = page.get_by_role("status").get_by_text("Impairment declared: Dock riser.")
    assert await done.is_visible()
    await page.goto(f"{address}/windows")
    assert await done.count() == 0  # said once
    assert await page.get_by_text("B. Lee").is_visible()
    assert await page.get_by_role("heading", name="Impairment of Dock riser").is_visible()
    assert await page.get_by_text("Dock riser: pressure low.").is_visible()
    assert await page.evaluate("document.documentElement.scrollWidth") == view["width"]
    assert (await page.evaluate(CONTRAST))["found"] == []
    for path in ("/", "/explain", "/survey"):
        await page.goto(address + path)
        notice = page.get_by_text("Some alarms are suppressed.")
        assert await notice.is_visible()
    await page.get_by_role("link", name="Impairment of Dock riser until").click()
    await page.locator("summary", has_text="End now").click()
    await page.get_by_role("button", name="End now").locator("visible=true").click()
    await page.get_by_text("None. No alarm is suppressed by an impairment or a visit.").wait_for()
    assert declared.asked[-1].kind is ActionKind.END_IMPAIRMENT


async def test_whoever_may_only_look_declares_nothing(
    browser: Any, address: str, declared: Declared,
) -> None:
    page, _ = await open_page(browser, f"{address}/windows", PHONE)
    assert await page.locator("summary").count() == 0
    assert await page.get_by_text("to declare an impairment or a visit").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("view", [PHONE, DESKTOP], ids=["phone", "desktop"])
async def test_the_page_is_sound_signed_in_or_not_with_windows_or_without(
    browser: Any, address: str, declared: Declared, view: dict[str, int], scheme: str,
) -> None:
    page, said = await open_page(browser, f"{address}/windows", view, color_scheme=scheme)
    await sound(page, view)
    await sign_in_at(page, "R. Okafor")
    for fold in (await page.locator("summary").all())[:3]:
        await fold.click()
    await sound(page, view)
    await page.get_by_label("Why").locator("visible=true").first.fill("branch line renewed")
    await page.get_by_role("button", name="Declare an impairment").locator(
        "visible=true").first.click()
    await page.get_by_role("heading", name="Impairment of").wait_for()
    await sound(page, view)
    assert not [s for s in said if s.startswith(("error", "console"))]
