"""The page of a commissioning: who may see and answer it, in each of its states."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from dataclasses import replace
from typing import Any

import httpx
import pytest

from collector.web import create_app
from collector.web.services import CommissioningView
from tests.web.conftest import client_of, mark_in, sign_in
from tests.web.fakes import FakeSite
from tests.web.pages.test_browser import VIEWS, Board, browser

__all__ = ["browser"]

LINES = ("The plant. Enter takes what is in brackets.",
         "  gen1.tank_pressure: found, input-registers 11 as int16, x 0.1 psi",
         "* input-registers 11        026B    619    619     61.9     6.19      40568507 / 163250")
STATES = {
    "asking": CommissioningView(state="asking", lines=LINES, question="Name of <the> site"),
    "looking": CommissioningView(
        state="asking", lines=LINES, question="Enter ends the look", title="Registers now",
        head=("", "register", "hex", "uint16", "int16", "x 0.1", "x 0.01", "float HL", "bits"),
        rows=(("*", "input 11", "026B", "619", "619", "61.9", "6.19", "", "0000001001101011"),
              ("", "coil 3", "", "1", "", "", "", "", "")),
        notes=("* moved since the start; c rises and falls with the compressor",)),
    "waiting": CommissioningView(
        state="asking", lines=LINES, question="Enter reads the display again",
        title="Values that are not sure yet", head=("value", "last shown", "a reading tells more"),
        rows=(("gen1 cabinet temperature", "76.4 °F", "when it has moved by 2.5 °F"),
              ("gen1 compressor running", "", "when it has changed"))),
    "password": CommissioningView(state="asking", lines=LINES, question="Password there",
                                  secret=True),
    "working": CommissioningView(state="working", lines=LINES, question=""),
    "stopped": CommissioningView(state="stopped", lines=(), question=""),
}


class FakeCommissioning:
    def __init__(self) -> None:
        self.state = "asking"
        self.done: list[tuple[str, ...]] = []

    def view(self) -> CommissioningView:
        return STATES[self.state]

    def start(self) -> None:
        self.done.append(("start",))

    def answer(self, question: str, text: str) -> None:
        self.done.append(("answer", question, text))

    def stop_asking(self) -> None:
        self.done.append(("stop",))

    def leave(self) -> None:
        self.done.append(("leave",))


@pytest.fixture
def fake() -> FakeCommissioning:
    return FakeCommissioning()


@pytest.fixture
async def board(site: FakeSite, fake: FakeCommissioning) -> AsyncIterator[httpx.AsyncClient]:
    async with client_of(create_app(replace(site.services(), commissioning=fake))) as client:
        yield client


MANAGER, RESPONDER = "R. Okafor", "J. Whitlock"


@pytest.mark.parametrize(("state", "button"), [
    ("asking", "Answer"), ("looking", "Answer"), ("working", "Stop asking"),
    ("stopped", "Start, or go on")])
async def test_each_state_has_its_form(
    board: httpx.AsyncClient, fake: FakeCommissioning, state: str, button: str,
) -> None:
    await sign_in(board, MANAGER)
    fake.state = state
    text = (await board.get("/commissioning")).text
    assert f"<button>{button}</button>" in text
    assert "<the>" not in text
    assert ("data-follow" in text) is (state in ("working", "looking"))
    # Without script it is loaded again all the same.
    assert ('http-equiv="refresh"' in text) is ("data-follow" in text)


async def test_a_password_is_not_shown_while_it_is_typed(
    board: httpx.AsyncClient, fake: FakeCommissioning,
) -> None:
    await sign_in(board, MANAGER)
    fake.state = "password"
    assert '<input name="answer" type="password"' in (await board.get("/commissioning")).text


async def test_an_answer_is_taken_from_those_who_manage_alone(
    board: httpx.AsyncClient, fake: FakeCommissioning,
) -> None:
    sent = {"question": "Name of <the> site", "answer": "Fenmoor"}
    assert (await board.post("/commissioning/answer", data=sent)).status_code in (401, 403)
    assert (await board.get("/commissioning")).status_code in (303, 401)
    await sign_in(board, MANAGER)
    csrf = mark_in((await board.get("/commissioning")).text)
    assert (await board.post("/commissioning/answer", data=sent)).status_code == 403
    for path in ("answer", "stop", "leave", "start"):
        done = await board.post(f"/commissioning/{path}", data=sent | {"csrf": csrf})
        assert done.status_code == 303
    assert fake.done == [("answer", "Name of <the> site", "Fenmoor"), ("stop",), ("leave",),
                         ("start",)]


async def test_those_who_respond_may_not_even_look(
    board: httpx.AsyncClient, fake: FakeCommissioning, site: FakeSite,
) -> None:
    await sign_in(board, RESPONDER)
    assert (await board.get("/commissioning")).status_code == 403
    assert fake.done == []


async def test_a_board_without_it_has_no_such_page(client: httpx.AsyncClient) -> None:
    assert (await client.get("/commissioning")).status_code == 404
    assert "/commissioning" not in (await client.get("/")).text


@pytest.fixture
def live(
    tmp_path: Any, fake: FakeCommissioning, monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Board]:
    real = FakeSite.services
    monkeypatch.setattr(FakeSite, "services", lambda s: replace(real(s), commissioning=fake))
    made = Board(tmp_path)
    yield made
    made.close()


@pytest.mark.browser
@pytest.mark.parametrize("view", VIEWS.values(), ids=list(VIEWS))
def test_it_is_accessible_and_fits(
    browser: Any, live: Board, fake: FakeCommissioning, view: dict[str, int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    from tests.web.fakes import PASSWORD
    page = browser.new_context(viewport=view).new_page()
    page.goto(f"{live.address}/sign-in?next=/commissioning")
    page.get_by_label("Name").fill(MANAGER)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    for state in STATES:
        fake.state = state
        page.goto(f"{live.address}/commissioning")
        found = Axe().run(page).response
        assert found["passes"]
        assert [(v["id"], [n["html"][:160] for n in v["nodes"]]) for v in found["violations"]
                if v["impact"] in ("serious", "critical")] == []
        assert page.evaluate("document.documentElement.scrollWidth") == view["width"]
        assert page.evaluate("""() => [...document.querySelectorAll(
            'main button, main input:not([type=hidden])')].map(
            e => e.getBoundingClientRect().height).filter(h => h < 43.5)""") == []
    fake.state = "looking"
    page.goto(f"{live.address}/commissioning")
    page.keyboard.type("r")
    moved = replace(STATES["looking"], rows=(("*", "input 11", "0270", *[""] * 6),))
    with monkeypatch.context() as patch:
        patch.setitem(STATES, "looking", moved)
        page.get_by_text("0270").wait_for()  # by itself, and what is being typed stays
    assert page.locator("[name=answer]").input_value() == "r"
    fake.state = "asking"
    page.goto(f"{live.address}/commissioning")
    page.keyboard.type("Fenmoor")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Answer").wait_for()
    assert fake.done == [("answer", "Name of <the> site", "Fenmoor")]
