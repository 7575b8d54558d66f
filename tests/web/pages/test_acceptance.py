"""Survey and acceptance on the board: who may look, who may act, what is shown and kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from collector.acceptance import AcceptanceService, RecordStore, Result
from collector.acceptance.record import render_record
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.web import create_app
from tests.acceptance.step_readings import T0, a_plant, series
from tests.acceptance.test_acceptance_service import Shelf
from tests.web.conftest import Signed, mark_in
from tests.web.fakes import FakeSite

PLANT = a_plant()


def changed_over() -> tuple[Sequence[Reading], Sequence[Reading]]:
    seconds = [n * 5 for n in range(40)]
    return (series("gen1.trouble_no", lambda s: float(s > 50), seconds),
            series("gen1.trouble_nc", lambda s: float(s <= 50), seconds))


def service_of(plant: Plant, folder: Path) -> AcceptanceService:
    return AcceptanceService(lambda: plant, RecordStore(folder / "acceptance"),
                             Shelf(*changed_over()), render=render_record)


def app_of(plant: Plant, site: FakeSite, service: AcceptanceService) -> FastAPI:
    site.clock.jump(T0 - site.clock.now())
    return create_app(replace(site.services(), plant=lambda: plant, acceptance=service))


@pytest.fixture
def service(tmp_path: Path) -> AcceptanceService:
    return service_of(PLANT, tmp_path)


@pytest.fixture
def app(site: FakeSite, service: AcceptanceService) -> FastAPI:
    return app_of(PLANT, site, service)


async def post(client: httpx.AsyncClient, path: str, page: str, **fields: str) -> httpx.Response:
    mark = mark_in((await client.get(page)).text)
    return await client.post(path, data={"csrf": mark, **fields})


async def test_whoever_may_look_reads_the_survey(signed: Signed) -> None:
    client = await signed("L. Ames")
    page = await client.get("/survey")
    assert page.status_code == 200
    for words in ("Riser r1", "450.0 gal", "Not known", "Pass", "Assumptions",
                  "limit to be confirmed by the authority having jurisdiction"):
        assert words in page.text, words
    assert "as quoted by" not in page.text
    assert "from memory" not in page.text


async def test_from_opening_to_the_signed_pdf(
    signed: Signed, service: AcceptanceService, site: FakeSite,
) -> None:
    client = await signed("R. Okafor")
    assert (await post(client, "/acceptance/open", "/acceptance", size="small")).status_code == 303
    record = service.current()
    assert record is not None
    assert record.by == "R. Okafor"
    step = "/acceptance/steps/contact.gen1.trouble"
    page = await client.get(step)
    assert "Make the contact operate" in page.text
    assert "Compressors start by themselves" in page.text
    assert (await post(client, f"{step}/begin", step)).status_code == 303
    site.clock.jump(30_000)
    waiting = await client.get(step)
    assert "make it operate" in waiting.text
    assert 'data-follow="5"' in waiting.text
    assert "/static/follow.js" in waiting.text
    site.clock.jump(160_000)
    passed = await client.get(step)
    assert "Both legs changed over" in passed.text
    assert "<svg" in passed.text
    assert "data-follow" not in passed.text
    await _purity(client)
    assert "has a result" not in (await client.get("/acceptance")).text
    await _the_rest(client, service)
    signing = await post(client, "/acceptance/sign", "/acceptance", name1="R. Okafor",
                         role1="technician", name2="B. Lee", role2="owner")
    assert signing.status_code == 303
    overview = await client.get("/acceptance")
    assert "B. Lee (owner)" in overview.text
    pdf = await client.get(f"/acceptance/records/{record.id}.pdf")
    assert pdf.headers["content-type"] == "application/pdf"
    assert pdf.content == service.store.pdf_path(record.id).read_bytes()


async def _purity(client: httpx.AsyncClient) -> None:
    purity = "/acceptance/steps/purity.gen1"
    lacking = await post(client, f"{purity}/type-in", purity, value="0.8", instrument="Meter",
                         serial="")
    assert lacking.status_code == 409
    assert "serial number is needed" in lacking.text
    wrong = await post(client, f"{purity}/type-in", purity, value="much", instrument="a",
                       serial="b")
    assert wrong.status_code == 400
    await post(client, f"{purity}/type-in", purity, value="0.8 %", instrument="Meter <i>",
               serial="4711")
    shown = (await client.get(purity)).text
    assert "Meter &lt;i&gt;, serial number 4711, typed in by R. Okafor" in shown


async def _the_rest(client: httpx.AsyncClient, service: AcceptanceService) -> None:
    record = service.current()
    assert record is not None
    early = await post(client, "/acceptance/sign", "/acceptance/steps/fill.r1", name1="A",
                       role1="b")
    assert early.status_code == 409
    for step in service.steps(record):
        if not service.store.load(record.id).entry(step.id).settled:
            path = f"/acceptance/steps/{step.id}"
            await post(client, f"{path}/leave-out", path, why="not wired yet")
    assert all(service.store.load(record.id).entry(s.id).settled for s in service.steps(record))


@pytest.mark.parametrize(("who", "path", "allowed"), [
    ("L. Ames", "/acceptance/open", False), ("J. Whitlock", "/acceptance/open", False),
    ("R. Okafor", "/acceptance/open", True), ("J. Whitlock", "/acceptance/sign", False),
    ("L. Ames", "/acceptance/steps/fill.r1/begin", False),
    ("L. Ames", "/acceptance/steps/fill.r1/leave-out", False),
    ("L. Ames", "/acceptance/steps/purity.gen1/type-in", False),
    ("J. Whitlock", "/acceptance/steps/fill.r1/begin", True),
])
async def test_only_those_who_may(
    signed: Signed, service: AcceptanceService, who: str, path: str, allowed: bool,
) -> None:
    if "steps" in path:
        service.open(by="R. Okafor", size="small", now=T0)  # type: ignore[arg-type]
    client = await signed(who)
    mark = mark_in((await client.get("/survey")).text)
    answer = await client.post(path, data={"csrf": mark, "size": "small", "why": "x"})
    assert answer.status_code == (303 if allowed else 403), answer.text


async def test_a_stranger_or_a_form_without_its_mark_changes_nothing(
    client: httpx.AsyncClient, signed: Signed, service: AcceptanceService,
) -> None:
    assert (await client.post("/acceptance/open", data={"size": "small"})).status_code in (401, 403)
    inside = await signed("R. Okafor")
    assert (await inside.post("/acceptance/open", data={"size": "small"})).status_code == 403
    foreign = await inside.post("/acceptance/open", data={"size": "small"},
                                headers={"origin": "http://evil.test"})
    assert foreign.status_code == 403
    assert service.records() == []


@pytest.mark.parametrize("path", [
    "/acceptance/records/..%2F..%2Fpeople.pdf", "/acceptance/records/none.pdf",
    "/acceptance/records/%2e%2e.pdf",
])
async def test_no_other_file_comes_out(signed: Signed, path: str) -> None:
    client = await signed("R. Okafor")
    assert (await client.get(path)).status_code in (404, 409)


async def test_what_does_not_fit_is_told_in_words(
    signed: Signed, service: AcceptanceService,
) -> None:
    client = await signed("R. Okafor")
    nowhere = await client.get("/acceptance/steps/fill.r1")
    assert nowhere.status_code == 409
    assert "No acceptance in progress" in nowhere.text
    odd = await post(client, "/acceptance/open", "/acceptance", size="huge")
    assert odd.status_code == 400
    service.open(by="A", size="small", now=T0)  # type: ignore[arg-type]
    unknown = await client.get("/acceptance/steps/fill.r9")
    assert "no step fill.r9" in unknown.text
    assert service.current().entry("fill.r1").result is Result.OPEN  # type: ignore[union-attr]


async def test_json_is_no_form(signed: Signed) -> None:
    client = await signed("R. Okafor")
    token = mark_in((await client.get("/acceptance")).text)
    answer = await client.post("/acceptance/open", json={"size": 1},
                               headers={"x-csrf-token": token})
    assert (answer.status_code, answer.json()["error"]) == (
        415, "Send application/x-www-form-urlencoded.")
