"""The first 600 px of a phone say state, what, where and the next action, in ten drawn states."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.clock import SystemClock
from collector.fleet import Group
from collector.fleet.hub_board import HubServices, create_hub
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_reader import FleetReader
from collector.fleet.hub_store import Batch, GroupStore, group_file
from collector.people import Accounts, Role
from collector.people.sessions import SessionManager
from collector.web.access import AccessPolicy
from tests.fleet import support
from tests.web.fakes import PASSWORD
from tests.web.pages.states import STATES, Drawn
from tests.web.pages.test_browser import VIEWS, Board, board, browser, opened, site

__all__ = ["board", "browser", "opened", "site"]
pytestmark = pytest.mark.browser

SHOWN = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const range = document.createRange();
    range.selectNodeContents(walk.currentNode);
    for (const box of range.getClientRects())
      if (box.width > 2 && box.bottom <= 600 && box.top >= 0) {
        found.push(walk.currentNode.textContent); break; }
  }
  return found.join(" ").replace(/\\s+/g, " "); }"""
"""The text whose first line lies within the first 600 px."""
PICTURES = os.environ.get("QUIETPIPE_PICTURES", "")
"""A folder; pictures of each state are kept there where it is given."""


def picture(page: Any, name: str) -> None:
    if PICTURES:
        page.screenshot(path=str(Path(PICTURES) / f"{name}.png"), full_page=True)


@pytest.mark.parametrize("drawn", STATES, ids=lambda d: d.id)
def test_a_phone_says_it_at_a_glance(opened: Any, board: Board, drawn: Drawn) -> None:
    drawn.draw(board.site)
    page = opened("/", VIEWS["phone"], "J. Whitlock", color_scheme="dark")
    shown = page.evaluate(SHOWN)
    picture(page, f"{drawn.id}-phone-dark")
    assert [part for part in drawn.says if part not in shown] == []
    assert "Maintenance monitoring only, not a fire alarm." in shown
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    if "Acknowledge" in drawn.says:
        button = page.locator(".next").get_by_role("button", name="Acknowledge").bounding_box()
        assert button["y"] + button["height"] <= 600
        assert button["height"] >= 44
    if PICTURES:
        page = opened("/", VIEWS["desk"], "J. Whitlock")
        picture(page, f"{drawn.id}-desk-light")


def test_one_press_acknowledges_the_worst(opened: Any, board: Board) -> None:
    next(d for d in STATES if d.id == "high-alarm").draw(board.site)
    page = opened("/", VIEWS["phone"], "J. Whitlock")
    page.locator(".next").get_by_role("button", name="Acknowledge").click()
    page.get_by_role("status").get_by_text("All acknowledged.").wait_for()
    assert [(a.kind.value, a.by) for a in board.site.actions] == [("acknowledge", "J. Whitlock")]


def test_the_pages_fold_behind_a_button(opened: Any, board: Board) -> None:
    page = opened("/", VIEWS["phone"])
    link = page.get_by_role("link", name="Handbook", exact=True)
    assert not link.is_visible()
    page.get_by_role("button", name="Menu").click()
    picture(page, "menu-phone-light")
    link.click()
    page.wait_for_url("**/explain")
    page = opened("/", VIEWS["desk"])
    assert page.get_by_role("link", name="Handbook", exact=True).is_visible()
    assert not page.get_by_role("button", name="Menu").is_visible()


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Any]:
    """A hub of fifty sites; three have an active alarm."""
    configured = support.settings(tmp_path, groups=("north",), staff=["Kim Marsh"])
    now = SystemClock().now()
    store = GroupStore(group_file(tmp_path, "north"), "north")
    handler = MessageHandler(Group(id="north", events_prefix="q"), {}, Counts(), 45_000)
    for n in range(50):
        site = support.FakeSite(f"site{n}", name=f"Warehouse {n}")
        handler.handle(support.received(*site.births(now)), now)
    store.keep(Batch(states=list(handler.states.values()), events=[
        support.came(1, support.alarm(f"site{n}", asset="Dock riser", at=now - 5000))
        for n in (7, 23, 41)]), now)
    store.close()
    people = Accounts(tmp_path / "people.sqlite")
    people.add("Kim Marsh", Role.LOOK, PASSWORD, 1)
    reader, clock = FleetReader(tmp_path, ["north"]), SystemClock()
    yield create_hub(HubServices(
        settings=configured, reader=reader, clock=clock, figures=dict, healthy=lambda: "",
        access=AccessPolicy(sessions=SessionManager(people, clock), reading="signed-in")))
    reader.close()
    people.close()


def test_a_hub_of_fifty_names_the_three(browser: Any, hub: Any, tmp_path: Path) -> None:
    (tmp_path / "board").mkdir()
    server = Board(tmp_path / "board", hub)
    context = browser.new_context(viewport=VIEWS["phone"])
    page = context.new_page()
    page.goto(f"{server.address}/sign-in")
    page.get_by_label("Name").fill("Kim Marsh")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("link", name="Kim Marsh").wait_for()
    shown = page.evaluate(SHOWN)
    picture(page, "hub-phone-light")
    context.close()
    server.close()
    for part in ("3 of 50 sites need attention", "Warehouse 23", "Warehouse 41", "Pressure low",
                 "Dock riser", "the most urgent", "not a fire alarm"):
        assert part in shown
