"""Chromium for tests that run in a loop of their own: opening, signing in, an audit."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from collector.web import serve
from tests.web.fakes import PASSWORD

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
async def browser() -> AsyncIterator[Any]:
    if not INSTALLED:
        pytest.skip(f"no Chromium at {CHROMIUM}")
    playwright = pytest.importorskip("playwright.async_api")
    async with playwright.async_playwright() as driver:
        opened = await driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield opened
        await opened.close()


async def serving(app: FastAPI) -> AsyncIterator[str]:
    """Serve an application on a real socket; its address is the one thing that comes."""
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(serve(app, "127.0.0.1", 0, ready.set_result))
    yield await asyncio.wait_for(ready, 5)
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running


async def open_page(
    browser: Any, address: str, view: dict[str, int], **more: Any,
) -> tuple[Any, list]:
    context = await browser.new_context(viewport=view, **more)
    page = await context.new_page()
    said: list[str] = []
    page.on("request", lambda r: said.append(r.url))
    page.on("pageerror", lambda e: said.append(f"error: {e}"))
    page.on("console", lambda m: said.append(f"console: {m.text}") if m.type == "error" else None)
    await page.goto(address)
    return page, said


async def sign_in_at(page: Any, name: str) -> None:
    back = page.url
    await page.get_by_role("link", name="Sign in").first.click()
    await page.get_by_label("Name").fill(name)
    await page.get_by_label("Password").fill(PASSWORD)
    await page.get_by_role("button", name="Sign in").click()
    await page.get_by_role("link", name=name).wait_for()
    await page.goto(back)


async def sound(page: Any, view: dict[str, int]) -> None:
    """The page fits, can be read, can be hit with a thumb, and an audit finds nothing serious."""
    assert await page.evaluate("document.documentElement.scrollWidth") == view["width"]
    assert (await page.evaluate(CONTRAST))["found"] == []
    for target in await page.locator("summary:visible, button:visible, input:visible").all():
        assert (await target.bounding_box())["height"] >= 44
    axe = pytest.importorskip("axe_playwright_python.async_playwright")
    found = (await axe.Axe().run(page)).response["violations"]
    serious = [(v["id"], v["nodes"][0]["html"]) for v in found
               if v["impact"] in ("serious", "critical")]
    assert serious == []
