"""Reports on the board: which are listed, how they are served, and what nobody gets by this way."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import os
import re
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from collector.domain.errors import QuietpipeError
from collector.reports.report_data import Heading, Paragraph, Report
from collector.reports.report_files import html_of, write
from collector.web import create_app
from tests.web.chromium import (
    DESKTOP,
    PHONE,
    browser,
    open_page,
    serving,
    sign_in_at,
    sound,
)
from tests.web.conftest import Signed, client_of, mark_in, sign_in
from tests.web.fakes import HOUR, NOW, TOKEN, FakeSite

__all__ = ["browser"]

MARCH = "fenmoor-2026-03-01-2026-03-31"


def a_report(start: int = NOW - 168 * HOUR, text: str = "Nothing to do.") -> Report:
    return Report(title="Review", site="Fenmoor Cold Store", period="a week", made=NOW,
                  start=start, end=start + 168 * HOUR, zone="Europe/London", version="0.1.0",
                  blocks=(Heading(text="What to do next", level=1), Paragraph(text=text)))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "data" / "reports"
    made.mkdir(parents=True)
    for form in ("html", "pdf", "txt"):
        (made / f"{MARCH}.{form}").write_bytes(
            html_of(a_report()).encode() if form == "html" else f"%{form} of March".encode())
    (made / "fenmoor-2026-02-01-2026-02-28.pdf").write_bytes(b"%PDF February")
    return made


@pytest.fixture
def app(site: FakeSite, folder: Path) -> FastAPI:
    return create_app(replace(site.services(), reports=folder))


async def test_what_lies_there_is_listed_the_latest_first(client: httpx.AsyncClient) -> None:
    text = (await client.get("/reports")).text
    assert re.findall(r'href="(/reports/[^"]+)"', text) == [
        f"/reports/{MARCH}.html", f"/reports/{MARCH}.pdf",
        "/reports/fenmoor-2026-02-01-2026-02-28.pdf"]
    assert "1 March 2026 to 31 March 2026" in text
    assert 'href="/reports" aria-current="page"' in text


async def test_the_page_is_shown_as_one_that_can_do_nothing(client: httpx.AsyncClient) -> None:
    answer = await client.get(f"/reports/{MARCH}.html")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.text == html_of(a_report())
    policy = answer.headers["content-security-policy"]
    style = answer.text.partition("<style>")[2].partition("</style>")[0].encode()
    digest = base64.b64encode(hashlib.sha256(style).digest()).decode()
    assert policy.split("; ") == [
        "default-src 'none'", f"style-src 'sha256-{digest}'", "form-action 'none'",
        "base-uri 'none'", "frame-ancestors 'none'", "sandbox"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["x-frame-options"] == "DENY"
    assert answer.headers["cache-control"] == "no-store"


async def test_the_pdf_is_fetched_and_never_shown_in_place(client: httpx.AsyncClient) -> None:
    answer = await client.get(f"/reports/{MARCH}.pdf")
    assert (answer.status_code, answer.content) == (200, b"%pdf of March")
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.headers["content-disposition"] == f'attachment; filename="{MARCH}.pdf"'
    assert "default-src 'none'" in answer.headers["content-security-policy"]


async def test_what_the_command_writes_is_found(
    client: httpx.AsyncClient, folder: Path,
) -> None:
    (file,) = write(a_report(text="Mend the <b>leak</b>."), "fenmoor", folder, ["html"])
    assert f"/reports/{file.name}" in (await client.get("/reports")).text
    page = await client.get(f"/reports/{file.name}")
    assert "Mend the &lt;b&gt;leak&lt;/b&gt;." in page.text


async def test_none_yet_and_none_at_all(site: FakeSite, tmp_path: Path) -> None:
    async with client_of(create_app(replace(site.services(), reports=tmp_path / "no"))) as client:
        assert "None yet." in (await client.get("/reports")).text
        assert (await client.get(f"/reports/{MARCH}.pdf")).status_code == 404
    async with client_of(create_app(site.services())) as client:
        assert (await client.get("/reports")).status_code == 404
        assert 'href="/reports"' not in (await client.get("/")).text


async def test_a_folder_that_cannot_be_read_says_so(site: FakeSite, tmp_path: Path) -> None:
    (tmp_path / "reports").write_text("a file in its place")
    services = replace(site.services(), reports=tmp_path / "reports")
    async with client_of(create_app(services)) as client:
        answer = await client.get("/reports")
    assert answer.status_code == 503
    assert answer.json()["error"].startswith("The reports cannot be read: ")


# -- abuse ---------------------------------------------------------------------------------------

SECRET = "nobody may read this"


@pytest.mark.parametrize("name", [
    "../people.sqlite", "..%2fpeople.sqlite", "%2e%2e/people.sqlite", "..%5cpeople.sqlite",
    f"..%2freports%2f{MARCH}.pdf", f"%2ftmp%2f{MARCH}.pdf", f"{MARCH}.pdf%00", f"{MARCH}.pdf%0a",
    f"{MARCH}.txt", f"{MARCH}.PDF", f".{MARCH}.pdf.part", f".{MARCH}.pdf",
    "secret.html", "secret-2026-03-01-2026-03-31.html.part", "%3Cscript%3E", "A" * 5000,
    f"{MARCH}.svg", "secret-2026-13-01-2026-03-31.js", "linked-2026-03-01-2026-03-31.pdf",
    "linked-2026-03-01-2026-03-31.html", "piped-2026-03-01-2026-03-31.pdf",
    "under-2026-03-01-2026-03-31.html",
])
async def test_nothing_but_reports_comes_out_and_only_out_of_their_folder(
    client: httpx.AsyncClient, folder: Path, name: str,
) -> None:
    for place in (folder.parent / "people.sqlite", folder / "secret.html",
                  folder / "secret-2026-03-01-2026-03-31.html.part"):
        place.write_text(SECRET)
    for form in ("pdf", "html"):
        (folder / f"linked-2026-03-01-2026-03-31.{form}").symlink_to("../people.sqlite")
    os.mkfifo(folder / "piped-2026-03-01-2026-03-31.pdf")
    (folder / "under-2026-03-01-2026-03-31.html").mkdir()
    answer = await client.get(f"/reports/{name}")
    assert answer.status_code == 404
    assert SECRET not in answer.text
    assert "script>" not in answer.text
    listed = (await client.get("/reports")).text
    for word in ("secret", "linked", "piped", "under-2026"):
        assert word not in listed


async def test_markup_in_a_report_that_somebody_else_wrote_cannot_run(
    client: httpx.AsyncClient, folder: Path,
) -> None:
    (folder / "evil-2026-01-01-2026-01-31.html").write_text(
        "<style>@import 'http://evil.test/x.css'</style><script>alert(1)</script>")
    policy = (await client.get("/reports/evil-2026-01-01-2026-01-31.html")).headers[
        "content-security-policy"]
    assert "script-src" not in policy  # so that default-src 'none' holds for it
    assert "unsafe" not in policy
    assert policy.endswith("sandbox")


@pytest.mark.parametrize("path", ["/reports", f"/reports/{MARCH}.html", f"/reports/{MARCH}.pdf"])
async def test_strangers_see_no_report_and_whoever_may_look_does(
    site: FakeSite, folder: Path, path: str,
) -> None:
    site.reading = None
    app = create_app(replace(site.services(), reports=folder))
    async with client_of(app) as stranger:
        answer = await stranger.get(path)
        assert answer.status_code == 401
        assert "March" not in answer.text
        page = await stranger.get(path, headers={"accept": "text/html"})
        assert (page.status_code, page.headers["location"].partition("?")[0]) == (303, "/sign-in")
        program = await stranger.get(path, headers={"authorization": f"Bearer {TOKEN}".encode()})
        assert program.status_code == 200


@pytest.mark.parametrize("name", ["L. Ames", "J. Whitlock", "R. Okafor"])
async def test_every_role_may_read(signed: Signed, site: FakeSite, name: str) -> None:
    site.reading = "signed-in"
    client = await signed(name)
    assert (await client.get(f"/reports/{MARCH}.html")).status_code == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
async def test_a_report_can_only_be_read(
    client: httpx.AsyncClient, folder: Path, method: str,
) -> None:
    headers = {"authorization": f"Bearer {TOKEN}".encode()}
    for path in ("/reports", f"/reports/{MARCH}.pdf"):
        assert (await client.request(method, path, headers=headers)).status_code == 405
    assert (folder / f"{MARCH}.pdf").read_bytes() == b"%pdf of March"


# -- in a browser --------------------------------------------------------------------------------

@pytest.fixture
async def address(app: FastAPI) -> AsyncIterator[str]:
    async for one in serving(app):
        yield one


@pytest.mark.browser
@pytest.mark.parametrize("view", [PHONE, DESKTOP], ids=["phone", "desktop"])
async def test_listed_read_and_fetched(
    browser: Any, address: str, view: dict[str, int],
) -> None:
    page, said = await open_page(browser, address, view)
    await sign_in_at(page, "L. Ames")
    menu = page.get_by_role("button", name="Menu")  # folds the pages on a phone
    if await menu.is_visible():
        await menu.click()
    await page.get_by_role("link", name="Reports", exact=True).click()
    await page.get_by_role("heading", name="Available reports").wait_for()
    await sound(page, view)
    async with page.expect_download() as waiting:
        await page.get_by_role("link", name="PDF").first.click()
    assert (await waiting.value).suggested_filename == f"{MARCH}.pdf"
    await page.get_by_role("link", name="Open").click()
    await page.get_by_role("heading", name="What to do next").wait_for()
    # Its own sheet is let in: the head is ruled off as the sheet has it.
    assert await page.evaluate(
        "getComputedStyle(document.querySelector('header')).borderBottomStyle") == "double"
    assert await page.evaluate("document.documentElement.scrollWidth") == view["width"]
    assert not [s for s in said if s.startswith(("error", "console"))]


async def test_one_is_made_on_the_board_with_progress_and_its_failure_is_said(
    site: FakeSite, folder: Path, signed: Signed,
) -> None:
    asked: list[tuple[int, int]] = []
    go_on = asyncio.Event()

    async def make(start: int, end: int) -> None:
        asked.append((start, end))
        await go_on.wait()
        if len(asked) > 1:
            raise QuietpipeError("quietpipe report: nothing was monitored then; --allow-empty …")
        (folder / "fenmoor-2026-06-01-2026-06-30.html").write_text("x")

    app = create_app(replace(site.services(), reports=folder, make_report=make))
    async with client_of(app) as client:
        assert "Make the report" not in (await client.get("/reports")).text
        assert (await sign_in(client, "J. Whitlock")).status_code == 303
        page = (await client.get("/reports")).text
        form = {"csrf": mark_in(page), "from": "2026-06-01", "to": "2026-06-30"}
        ahead = await client.post("/reports/make", data=form | {"from": "2030-01-01",
                                                                "to": "2030-02-01"})
        assert ahead.status_code == 400
        assert (await client.post("/reports/make", data=form | {"from": "June"})).status_code == 400
        assert (await client.post("/reports/make", data=form)).status_code == 303
        page = (await client.get("/reports")).text
        assert "The report of 2026-06-01 to 2026-06-30 is being made" in page
        assert 'data-follow="3"' in page
        assert (await client.post("/reports/make", data=form)).status_code == 409
        go_on.set()
        await asyncio.sleep(0)
        page = (await client.get("/reports")).text
        assert "/reports/fenmoor-2026-06-01-2026-06-30.html" in page
        assert "data-follow" not in page
        assert asked == [(1_780_268_400_000, 1_782_860_400_000)]  # midnights of London
        assert (await client.post("/reports/make", data=form)).status_code == 303
        await asyncio.sleep(0)
        failed = (await client.get("/reports")).text
        assert "was not made: nothing was monitored then</p>" in failed
        assert [n[0] for n in site.notes][-2:] == ["report-asked", "report-asked"]
