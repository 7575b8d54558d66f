"""The page behind a link in a message, in a real Chromium, on a phone and on a desk: audited."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any

import pytest

from collector.domain.events import Transition
from collector.domain.live import AlarmState
from collector.web import create_app
from tests.web.chromium import DESKTOP, PHONE, browser, open_page, serving, sound
from tests.web.fakes import NOW
from tests.web.pages.test_links import Linked

pytestmark = pytest.mark.browser
__all__ = ["browser"]

VIEWS = pytest.mark.parametrize("view", [PHONE, DESKTOP], ids=["phone", "desktop"])


@pytest.fixture
def linked() -> Linked:
    return Linked()


@pytest.fixture
async def address(linked: Linked) -> AsyncIterator[str]:
    async for one in serving(create_app(linked.services())):
        yield one


@pytest.mark.parametrize("scheme", ["light", "dark"])
@VIEWS
async def test_every_state_of_a_link_is_sound(
    browser: Any, address: str, linked: Linked, view: dict[str, int], scheme: str,
) -> None:
    link = f"{address}/a/{linked.token(linked.low, linked.cold)}"
    page, said = await open_page(browser, link, view, color_scheme=scheme)
    await page.get_by_role("button", name="Acknowledge all 2").wait_for()
    await sound(page, view)
    await page.get_by_role("button").click()
    await page.get_by_text("You acknowledged it with this link").first.wait_for()
    await sound(page, view)
    linked.ends(linked.cold, Transition.SHELVED, AlarmState.SHELVED, by="guard", why="door open")
    await page.goto(f"{address}/a/{linked.token(linked.cold)}")
    await page.get_by_text("Shelved by guard").first.wait_for()
    await sound(page, view)
    assert not [s for s in said if s.startswith(("error", "console"))]
    for refused, words in ((linked.token(expires=NOW), "expired"), ("guess.x", "not valid")):
        await page.goto(f"{address}/a/{refused}")
        await page.get_by_role("heading", name=words).wait_for()
        await sound(page, view)


@VIEWS
async def test_the_button_lies_under_the_thumb_however_long_the_page(
    browser: Any, address: str, linked: Linked, view: dict[str, int],
) -> None:
    page, _ = await open_page(
        browser, f"{address}/a/{linked.token(linked.low, linked.cold)}", view)
    button = page.get_by_role("button", name="Acknowledge all 2")
    place = await button.bounding_box()
    assert place["y"] + place["height"] <= view["height"]
    await button.click()
    await page.get_by_text("You acknowledged it with this link").first.wait_for()
    assert [a.by for a in linked.site.actions] == ["Ann Archer by link"] * 2
