"""Survey and acceptance in a real Chromium, on a phone and on a service: seen, done, audited."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from collector.acceptance import AcceptanceService, RecordStore, Result, Size
from collector.acceptance.record import render_record
from collector.web import create_app, serve
from tests.acceptance.step_readings import T0, a_plant
from tests.acceptance.test_acceptance_service import Shelf
from tests.web.chromium import DESKTOP, PHONE, browser, open_page, sign_in_at, sound
from tests.web.fakes import FakeSite
from tests.web.pages.test_acceptance import changed_over

pytestmark = pytest.mark.browser
__all__ = ["browser"]

PLANT = a_plant()
VIEWS = pytest.mark.parametrize("view", [PHONE, DESKTOP], ids=["phone", "desktop"])


@pytest.fixture
def service(tmp_path: Path) -> AcceptanceService:
    return AcceptanceService(lambda: PLANT, RecordStore(tmp_path / "acceptance"),
                             Shelf(*changed_over()), render=render_record)


@pytest.fixture
async def address(site: FakeSite, service: AcceptanceService) -> AsyncIterator[str]:
    site.clock.jump(T0 - site.clock.now())
    app = create_app(replace(site.services(), plant=lambda: PLANT, acceptance=service))
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(serve(app, "127.0.0.1", 0, ready.set_result))
    yield await asyncio.wait_for(ready, 5)
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running


@VIEWS
async def test_every_page_is_sound(
    browser: Any, address: str, service: AcceptanceService, site: FakeSite, view: dict[str, int],
) -> None:
    record = service.open(by="R. Okafor", size=Size.SMALL, now=T0)
    service.begin(record.id, "contact.gen1.trouble", by="R. Okafor", now=T0)
    site.clock.jump(40_000)
    page, said = await open_page(browser, f"{address}/survey", view)
    await sign_in_at(page, "R. Okafor")
    await sound(page, view)
    for path in ("/acceptance", "/acceptance/steps/contact.gen1.trouble",
                 "/acceptance/steps/purity.gen1", "/acceptance/steps/tightness-24h.r2"):
        await page.goto(f"{address}{path}")
        for fold in await page.locator("summary").all():
            await fold.click()
        await sound(page, view)
    assert not [s for s in said if s.startswith(("error", "console"))]


@VIEWS
async def test_opened_begun_followed_and_passed(
    browser: Any, address: str, service: AcceptanceService, site: FakeSite, view: dict[str, int],
) -> None:
    page, _ = await open_page(browser, f"{address}/acceptance", view)
    await sign_in_at(page, "R. Okafor")
    await page.get_by_label("Size of the unit").select_option("larger")
    await page.get_by_role("button", name="Start acceptance").click()
    await page.get_by_role("link", name="Both legs of the trouble contact").click()
    await page.get_by_role("button", name="Start").click()
    await page.get_by_text("Running", exact=True).wait_for()
    site.clock.jump(30_000)
    # Without a reload: the page reads itself again.
    await page.get_by_text("make it operate").wait_for(timeout=15_000)
    site.clock.jump(165_000)
    await page.get_by_text("Both legs changed over").first.wait_for(timeout=15_000)
    record = service.current()
    assert record is not None
    assert (record.size, record.entry("contact.gen1.trouble").result) == (
        Size.LARGER, Result.PASSED)


@VIEWS
async def test_typed_in_left_out_and_signed(
    browser: Any, address: str, service: AcceptanceService, view: dict[str, int],
) -> None:
    record = service.open(by="R. Okafor", size=Size.SMALL, now=T0)
    for step in service.steps(record):
        if step.id not in ("purity.gen1", "fill.r1"):
            service.skip(record.id, step.id, reason="later", by="R. Okafor", now=T0)
    page, _ = await open_page(browser, f"{address}/acceptance/steps/purity.gen1", view)
    await sign_in_at(page, "R. Okafor")
    await page.locator("summary", has_text="Enter an instrument reading").click()
    await page.get_by_label("Oxygen in the product, %").fill("0.8")
    await page.get_by_label("Instrument", exact=True).fill("Oxygen meter")
    await page.get_by_label("Serial number").fill("4711")
    await page.get_by_role("button", name="Enter reading").click()
    await page.get_by_text("serial number 4711").wait_for()
    await page.goto(f"{address}/acceptance/steps/fill.r1")
    assert await page.get_by_text("Filling, closing or testing").first.is_visible()
    await page.locator("summary", has_text="Skip test").click()
    await page.get_by_label("Reason").fill("no water yet")
    await page.get_by_role("button", name="Skip test", exact=True).click()
    await page.get_by_label("Name").first.fill("R. Okafor")
    await page.get_by_label("Role").first.fill("technician")
    await page.get_by_role("button", name="Sign the record").click()
    await page.get_by_role("link", name="(PDF)").wait_for()
    await sound(page, view)
    async with page.expect_download() as waiting:
        await page.get_by_role("link", name="(PDF)").click()
    saved = await (await waiting.value).path()
    kept, got = await asyncio.to_thread(
        lambda: (service.store.pdf_path(record.id).read_bytes(), Path(saved).read_bytes()))
    assert got == kept
