"""The handbook on the board: pages, links to them, and nothing that runs."""

from __future__ import annotations

from dataclasses import replace

import httpx

from collector.handbook import find_html, find_picture
from collector.web import create_app
from tests.web.api.test_reading import Page
from tests.web.conftest import client_of
from tests.web.fakes import FakeSite


async def test_a_page_is_shown_with_the_way_back(client: httpx.AsyncClient) -> None:
    answer = await client.get("/explain/pressure-low")
    page = Page(answer.text)
    assert answer.status_code == 200
    assert "About pressure-low" in page.text
    assert {"/", "/explain"} <= {a.get("href") for a in page.all("a")}
    assert len(page.all("h1")) == 1
    assert len(page.all("main")) == 1
    assert not page.all("b")  # what was escaped stays so
    assert "default-src 'none'" in answer.headers["content-security-policy"]


async def test_the_list_of_pages(client: httpx.AsyncClient) -> None:
    assert "About contents" in (await client.get("/explain")).text


async def test_a_picture_of_a_page_is_shown_and_no_other_file(site: FakeSite) -> None:
    services = replace(site.services(), handbook=find_html, handbook_picture=find_picture)
    async with client_of(create_app(services)) as client:
        text = (await client.get("/explain/first-site")).text
        pictures = [str(i.get("src")) for i in Page(text).all("img")]
        assert pictures == ["/explain/first-site-board.png"]
        answer = await client.get(pictures[0])
        assert answer.headers["content-type"] == "image/png"
        assert answer.content == find_picture("first-site-board.png")
        for name in ("no-such.png", "first-site.md", "..%2Fpages%2Fboard.png"):
            assert (await client.get(f"/explain/{name}")).status_code == 404


async def test_a_page_that_is_none(client: httpx.AsyncClient) -> None:
    for name in ("pressure-lo", "..%2Fcommands", "%3Cscript%3E"):
        answer = await client.get(f"/explain/{name}", headers={"accept": "text/html"})
        assert answer.status_code == 404
        assert "script" not in answer.text.replace("/static/", "")


async def test_alarms_gaps_and_estimates_lead_to_their_pages(
    client: httpx.AsyncClient, site: FakeSite,
) -> None:
    pages = [(await client.get(p)).text for p in
             ("/alarms", "/health", "/things/gen1", "/things/r1-vent")]
    links = {a.get("href") for text in pages for a in Page(text).all("a")}
    wanted = {a.condition for a in site.alarms} | {g.condition for g in site.not_monitored} \
        | {e.quantity for e in site.estimates}
    assert len(wanted) > 5
    assert {f"/explain/{name}" for name in wanted} <= links
    assert "/explain" in links
