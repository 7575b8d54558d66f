"""The paper of an acceptance: three people sign from two devices; the outcome in large type."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from fastapi import FastAPI
from pypdf import PdfReader

from collector.acceptance import AcceptanceService, Size, grouped, plan
from collector.acceptance.steps import Kind
from collector.domain.basis import AdoptedCode
from tests.acceptance.step_readings import T0, a_plant
from tests.web.conftest import Signed
from tests.web.fakes import FakeSite
from tests.web.pages.test_acceptance import app_of, post, service_of

PLANT = replace(a_plant(), site=replace(
    a_plant().site, code=AdoptedCode(installation="NFPA 13 (2019), 8.2.6")))


@pytest.fixture
def service(tmp_path: Path) -> AcceptanceService:
    return service_of(PLANT, tmp_path)


@pytest.fixture
def app(site: FakeSite, service: AcceptanceService) -> FastAPI:
    return app_of(PLANT, site, service)


def test_one_form_of_the_tightness_test_is_chosen() -> None:
    kinds = {pipe: {s.kind for s in plan(PLANT, Size.SMALL, pipe)}
             & {Kind.TIGHTNESS_DAY, Kind.TIGHTNESS_TWO} for pipe in ("", "new", "in service")}
    assert kinds == {"": {Kind.TIGHTNESS_DAY, Kind.TIGHTNESS_TWO}, "new": {Kind.TIGHTNESS_DAY},
                     "in service": {Kind.TIGHTNESS_TWO}}


def test_steps_are_grouped_by_generator_and_riser() -> None:
    steps = plan(PLANT, Size.SMALL, "new")
    groups = grouped(PLANT, steps)
    assert [g.title for g in groups] == [
        PLANT.name_of(a) for a in (*PLANT.generators, *PLANT.risers)]
    assert sorted(s.id for g in groups for s in g.steps) == sorted(s.id for s in steps)
    for group, riser in zip(groups[1:], PLANT.risers, strict=True):
        vents = {v.id for v in PLANT.vents.values() if v.riser == riser}
        assert {s.asset for s in group.steps} == {riser, *vents}


async def test_three_people_sign_from_two_devices(
    signed: Signed, service: AcceptanceService,
) -> None:
    manager, technician = await signed("R. Okafor"), await signed("J. Whitlock")
    await post(manager, "/acceptance/open", "/acceptance", size="small", pipe="new")
    record = service.current()
    assert record is not None
    await post(manager, "/acceptance/details", "/acceptance", customer="Fenmoor Cold Stores Ltd",
               contractor="Marsh Sprinklers", address="1 Dock Road", serials="4711, 4712")
    early = await post(technician, "/acceptance/signature", "/survey", role="technician")
    assert early.status_code == 409
    first, *others = service.steps(record)
    await post(manager, f"/acceptance/steps/{first.id}/leave-out", "/acceptance", why="no tank")
    for step in others:
        service.skip(record.id, step.id, reason="not wired yet", by="R. Okafor", now=T0)
    await post(technician, "/acceptance/signature", "/acceptance", role="technician")
    # A change after a signature voids it: what was signed is no longer what is there.
    service.describe(record.id, {"customer": "Fenmoor Cold Stores Ltd", "address": "2 Dock Road"})
    assert service.current().signatures == ()  # type: ignore[union-attr]
    await post(technician, "/acceptance/signature", "/acceptance", role="technician")
    await post(manager, "/acceptance/signature", "/acceptance", role="service manager")
    page = (await technician.get("/acceptance")).text
    count = len(others) + 1
    assert f"Not accepted: {count} of {count} not done, 0 passed" in page
    assert "Sign as J. Whitlock" in page
    done = await post(manager, "/acceptance/sign", "/acceptance", name1="B. Lee", role1="owner")
    assert done.status_code == 303
    sealed = service.store.load(record.id)
    assert [(s.name, s.role) for s in sealed.signatures] == [
        ("J. Whitlock", "technician"), ("R. Okafor", "service manager"), ("B. Lee", "owner")]
    assert f"Not accepted: {count} of {count} not done" in (await manager.get("/acceptance")).text
    paper = service.store.pdf_path(record.id).read_bytes()
    text = " ".join(" ".join(p.extract_text() for p in PdfReader(io.BytesIO(paper)).pages).split())
    for words in (f"Not accepted: {count} of {count} not done", "Fenmoor Cold Stores Ltd",
                  "2 Dock Road", "J. Whitlock", "service manager", "B. Lee",
                  "NFPA 13 (2019), 8.2.6, adopted on site"):
        assert words in text, words
    assert "from memory" not in text
    sizes = {round(s) for page in PdfReader(io.BytesIO(paper)).pages[:1]
             for s in _sizes(page, "Not accepted")}
    assert sizes
    assert max(sizes) >= 24  # points: the largest type of the page


def _sizes(page: object, words: str) -> list[float]:
    found: list[float] = []

    def visit(text: str, cm: object, tm: object, font: object, size: float) -> None:
        if words in text:
            found.append(size)
    page.extract_text(visitor_text=visit)  # type: ignore[attr-defined]
    return found
