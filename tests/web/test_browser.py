"""The board in a real Chromium: what is seen, what is asked of the network, what a click does."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from collector.domain.live import AlarmState
from collector.web import create_app, serve
from tests.web.fakes import PASSWORD, FakeSite

pytestmark = pytest.mark.browser

CHROMIUM = Path("/usr/bin/chromium")
INSTALLED = CHROMIUM.exists()
ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync"]
PHONE, DESKTOP = {"width": 390, "height": 844}, {"width": 1280, "height": 900}

# Contrast as WCAG 2.2 defines it: relative luminance of text over the nearest painted background.
CONTRAST = """() => {
  const canvas = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
  const rgba = (c) => { canvas.clearRect(0, 0, 1, 1); canvas.fillStyle = c;
    canvas.fillRect(0, 0, 1, 1); return canvas.getImageData(0, 0, 1, 1).data; };
  const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
    .reduce((s, v, i) => s + v * [.2126, .7152, .0722][i], 0);
  const behind = (el) => { for (; el; el = el.parentElement) {
    const style = getComputedStyle(el), wash = style.backgroundImage.match(/rgb\\([^)]*\\)/);
    if (wash) return rgba(wash[0]);
    const c = rgba(style.backgroundColor); if (c[3] === 255) return c; } return [255, 255, 255]; };
  const found = []; let looked = 0;
  for (const el of document.querySelectorAll('body *')) {
    const words = [...el.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    if (!words || !el.getClientRects().length) continue;
    looked += 1;
    const [a, b] = [light(rgba(getComputedStyle(el).color)), light(behind(el))];
    const ratio = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
    if (ratio < 4.5) found.push([el.tagName, el.className, ratio.toFixed(2)]);
  }
  return {looked, found}; }"""


@pytest.fixture
async def address(site: FakeSite) -> AsyncIterator[str]:
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(
        serve(create_app(site.services()), "127.0.0.1", 0, ready.set_result))
    yield await asyncio.wait_for(ready, 5)
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running


@pytest.fixture
async def browser() -> AsyncIterator[Any]:
    if not INSTALLED:
        pytest.skip(f"no Chromium at {CHROMIUM}")
    playwright = pytest.importorskip("playwright.async_api")
    async with playwright.async_playwright() as driver:
        opened = await driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield opened
        await opened.close()


async def _open(browser: Any, address: str, view: dict[str, int], **more: Any) -> tuple[Any, list]:
    context = await browser.new_context(viewport=view, **more)
    page = await context.new_page()
    said: list[str] = []
    page.on("request", lambda r: said.append(r.url))
    page.on("pageerror", lambda e: said.append(f"error: {e}"))
    page.on("console", lambda m: said.append(f"console: {m.text}") if m.type == "error" else None)
    await page.goto(address)
    return page, said


async def _sign_in(page: Any, name: str) -> None:
    back = page.url
    await page.get_by_role("link", name="Sign in").first.click()
    await page.get_by_label("Name").fill(name)
    await page.get_by_label("Password").fill(PASSWORD)
    await page.get_by_role("button", name="Sign in").click()
    await page.get_by_role("link", name=name).wait_for()
    await page.goto(back)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("view", [PHONE, DESKTOP], ids=["phone", "desktop"])
async def test_it_fits_is_legible_and_asks_no_other_host(
    browser: Any, address: str, view: dict[str, int], scheme: str
) -> None:
    page, said = await _open(browser, address, view, color_scheme=scheme)
    assert await page.get_by_role("heading", name="Compressor runs too long").is_visible()
    await _sign_in(page, "R. Okafor")
    await page.locator("summary", has_text="Shelve").first.click()
    assert await page.evaluate("document.documentElement.scrollWidth") == view["width"]
    contrast = await page.evaluate(CONTRAST)
    assert contrast["looked"] > 100
    assert contrast["found"] == []
    targets = await page.locator("summary:visible, button:visible, input:visible").all()
    assert len(targets) > 4
    for target in targets:
        assert (await target.bounding_box())["height"] >= 44  # WCAG 2.2, 2.5.5 target size
    hosts = {urlsplit(url).netloc for url in said}
    assert hosts == {urlsplit(address).netloc}, said


async def test_acknowledge_by_keyboard_alone(
    browser: Any, address: str, site: FakeSite
) -> None:
    page, _ = await _open(browser, address, PHONE)
    await page.get_by_role("link", name="Sign in").first.focus()
    await page.keyboard.press("Enter")
    await page.get_by_label("Name").focus()
    for word in ("J. Whitlock", "wrong"):
        await page.keyboard.type(word)
        await page.keyboard.press("Tab")
    await page.keyboard.press("Enter")
    await page.get_by_role("alert").filter(has_text="Name or password is wrong").wait_for()
    await page.get_by_label("Password").focus()
    await page.keyboard.type(PASSWORD)
    await page.keyboard.press("Enter")
    await page.locator("summary", has_text="Acknowledge").first.focus()
    for key in ("Enter", "Tab", "Enter"):
        await page.keyboard.press(key)
    await page.wait_for_url("**/")
    await page.get_by_text("acknowledged by J. Whitlock").first.wait_for()
    assert [a.by for a in site.actions] == ["J. Whitlock"]
    assert site.alarms[1].state is AlarmState.ACKNOWLEDGED
    assert "1 not acknowledged" in await page.get_by_role("status").inner_text()


async def test_a_declared_fill_is_seen_and_ended(
    browser: Any, address: str, site: FakeSite
) -> None:
    page, said = await _open(browser, address, PHONE)
    assert not await page.locator(".filling").count()
    await _sign_in(page, "R. Okafor")
    place = page.locator("li", has=page.get_by_text("Dock riser", exact=True))
    await place.locator("summary", has_text="Declare a system fill").click()
    form = place.locator("form")
    assert await form.get_by_text("Filling, closing or testing a system is an impairment") \
        .is_visible()
    await form.get_by_label("Why").fill("head replaced")
    await form.get_by_label("For").select_option("2 h")
    await form.get_by_role("button", name="Declare a system fill").click()
    banner = page.get_by_role("article", name="A fill of Dock riser is declared until 11:10")
    assert await banner.get_by_text("Declared by R. Okafor at 09:10: head replaced").is_visible()
    assert await banner.get_by_text("Not raised meanwhile:").is_visible()
    box = await banner.bounding_box()
    assert box["y"] < PHONE["height"]  # seen without scrolling from where the form leads
    assert await page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
    assert (await page.evaluate(CONTRAST))["found"] == []
    await banner.locator("summary", has_text="End the fill").click()
    await banner.get_by_role("button", name="End the fill").click()
    await page.locator(".filling").wait_for(state="detached")
    assert site.fills == []
    assert not [line for line in said if line.startswith(("error", "console"))]


async def test_without_a_script_it_works_the_same(
    browser: Any, address: str, site: FakeSite
) -> None:
    page, _ = await _open(browser, address, PHONE, java_script_enabled=False)
    await _sign_in(page, "R. Okafor")
    await page.locator("summary", has_text="Acknowledge").first.click()
    form = page.locator("details[open] form")
    await form.get_by_role("button").click()
    await page.get_by_text("acknowledged by R. Okafor").first.wait_for()
    assert [a.by for a in site.actions] == ["R. Okafor"]


async def test_it_follows_the_site_and_spares_a_form_under_a_hand(
    browser: Any, address: str, site: FakeSite
) -> None:
    page, _ = await _open(browser, address, DESKTOP)
    await _sign_in(page, "R. Okafor")
    await page.locator("summary", has_text="Shelve").first.click()
    name = page.locator("details[open]").get_by_label("Why")
    await name.fill("half a rea")
    site.alarms[:] = site.alarms[:2]
    await page.get_by_role("status").filter(has_text="1 condition is not normal").wait_for(
        timeout=15_000)
    assert await name.input_value() == "half a rea"
    await page.locator("details[open] summary").click()
    await page.evaluate("document.activeElement.blur()")
    await page.get_by_role("heading", name="Live alarms 2").wait_for(timeout=15_000)
    assert await page.locator(".entry").count() == 2


async def test_silence_of_the_collector_is_said(browser: Any, address: str) -> None:
    page, _ = await _open(browser, address, PHONE)
    await page.clock.install()
    await page.reload()
    await page.route("**/board/sheet", lambda route: route.abort())
    assert not await page.locator("#stale").is_visible()
    for _ in range(8):
        await page.clock.run_for(4000)
    await page.wait_for_selector("text=No word from the collector", timeout=5000)
