"""The board in a real Chromium: each page and each action, on a phone and on a desk.

One browser, one board and one site for the whole file: the site is told its story anew for each
test. ``axe-core`` comes with the package ``axe-playwright-python``.
"""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import fields
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from collector.domain.live import AlarmState
from collector.web import create_app, serve
from tests.web.fakes import PASSWORD, FakeSite, accounts, declared

pytestmark = pytest.mark.browser

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync"]
VIEWS = {"phone": {"width": 390, "height": 844}, "desk": {"width": 1280, "height": 900}}
EXPECTED = re.compile(r"status of 4\d\d|ERR_FAILED")
"""What Chromium itself says of a refusal, or of a request that a test cuts off."""
PAGES = (
    "/", "/alarms", "/work", "/health", "/things/gen1", "/things/r1", "/things/r2-vent",
    "/things/plant-room", "/things/gen1/compressor", "/things/r2-vent/purge",
    "/points/r1.pressure", "/explain", "/account", "/sign-in",
)


class Board:
    """A board on a real socket, in a thread with a loop of its own."""

    def __init__(self, folder: Path, app: Any = None) -> None:
        self.people = accounts(folder)
        self.site = FakeSite(accounts=self.people)
        self.app = app or create_app(self.site.services())
        self.address = ""
        self._ready = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(20)

    def _run(self) -> None:
        with suppress(asyncio.CancelledError):
            self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        self._task = asyncio.current_task()

        def ready(address: str) -> None:
            self.address = address
            self._ready.set()

        await serve(self.app, "127.0.0.1", 0, ready, self.site.live.close)

    def anew(self) -> FakeSite:
        """Tell the story from the beginning."""
        fresh = FakeSite(accounts=self.people)
        for one in fields(FakeSite):
            if one.name not in ("accounts", "live", "real", "clock", "picture"):
                setattr(self.site, one.name, getattr(fresh, one.name))
        vars(self.site.picture).update(vars(fresh.picture))  # the board has the object itself
        return self.site

    def soon(self, call: Callable[[], object]) -> None:
        self._loop.call_soon_threadsafe(call)

    def close(self) -> None:
        assert self._task is not None
        self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(10)
        self.people.close()


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    made = Board(tmp_path_factory.mktemp("board"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if not CHROMIUM.exists():
        pytest.skip(f"no Chromium at {CHROMIUM}")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture
def site(board: Board) -> FakeSite:
    return board.anew()


@pytest.fixture(params=list(VIEWS))
def view(request: pytest.FixtureRequest) -> dict[str, int]:
    return VIEWS[request.param]


Opened = Callable[..., Any]


@pytest.fixture
def opened(browser: Any, board: Board, site: FakeSite) -> Iterator[Opened]:
    """Open a page in a context of its own, somebody signed in; nothing may go wrong on it."""
    contexts, said = [], list[str]()

    def open_page(path: str, view: dict[str, int], name: str = "", **more: Any) -> Any:
        context = browser.new_context(viewport=view, **more)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda r: said.append(r.url))
        page.on("pageerror", lambda e: said.append(f"error: {e}"))
        page.on("console", lambda m: said.append(f"error: {m.text}")
                if m.type == "error" and not EXPECTED.search(m.text) else None)
        if name:
            page.goto(f"{board.address}/sign-in")
            page.get_by_label("Name").fill(name)
            page.get_by_label("Password").fill(PASSWORD)
            page.get_by_role("button", name="Sign in").click()
            page.get_by_role("link", name=name).wait_for()
        page.goto(f"{board.address}{path}")
        return page

    yield open_page
    for context in contexts:
        context.close()
    hosts = {urlsplit(url).netloc for url in said if not url.startswith("error")}
    assert hosts == {urlsplit(board.address).netloc}  # nothing is asked of any other host
    assert [line for line in said if line.startswith("error")] == []


@pytest.mark.parametrize(("size", "scheme"), [("phone", "light"), ("desk", "dark")])
def test_every_page_fits_is_legible_and_passes_axe(
    opened: Opened, board: Board, size: str, scheme: str
) -> None:
    view = VIEWS[size]
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    board.site.fills = [declared()]
    page = opened("/", view, "R. Okafor", color_scheme=scheme)
    for path in PAGES:
        page.goto(f"{board.address}{path}")
        for shut in page.locator("details.action > summary").all()[:2]:
            shut.click()
        assert page.evaluate("document.documentElement.scrollWidth") == view["width"], path
        found = axe.run(page).response
        assert found["passes"]
        serious = [(path, v["id"], [n["html"][:160] for n in v["nodes"]][:3])
                   for v in found["violations"] if v["impact"] in ("serious", "critical")]
        assert serious == []
        small = page.evaluate("""() => [...document.querySelectorAll(
            'summary, button, input:not([type=hidden]):not([type=checkbox]), select, nav a')]
            .filter(e => e.getClientRects().length && e.getBoundingClientRect().height < 43.5)
            .filter(e => !e.closest('.more, .handbook')).map(e => e.outerHTML.slice(0, 120))""")
        assert small == [], path  # WCAG 2.2, 2.5.5 target size


def _action(page: Any, label: str, entry: str = "") -> Any:
    place = page.locator("article.entry", has_text=entry) if entry else page
    summary = place.locator("summary", has_text=label).first
    summary.click()
    return place.locator("details[open] form").first


@pytest.mark.parametrize("path", ["/", "/alarms", "/things/gen1"])
def test_acknowledge(opened: Opened, site: FakeSite, view: dict[str, int], path: str) -> None:
    page = opened(path, view, "J. Whitlock")
    form = _action(page, "Acknowledge", "Compressor running too long")
    form.get_by_role("button", name="Acknowledge").click()
    page.locator("article", has_text="Compressor running too long").get_by_text(
        "by J. Whitlock").wait_for()
    assert urlsplit(page.url).path == path  # back where it was done
    assert [(a.kind.value, a.by) for a in site.actions] == [("acknowledge", "J. Whitlock")]
    assert site.alarms[1].state is AlarmState.ACKNOWLEDGED


def test_shelve_and_unshelve(opened: Opened, site: FakeSite, view: dict[str, int]) -> None:
    page = opened("/alarms", view, "J. Whitlock")
    form = _action(page, "Shelve", "Device not responding")
    form.get_by_label("Why").fill("switch is being replaced")
    form.get_by_label("For").select_option("12 h")
    form.get_by_role("button", name="Shelve").click()
    entry = page.locator("article.entry", has_text="Device not responding")
    entry.get_by_text("until 21:10, by J. Whitlock: switch is being replaced").wait_for()
    assert not entry.locator("summary", has_text="Take out").count()  # that is for managers
    form = _action(page, "Unshelve", "Device not responding")
    form.get_by_role("button", name="Unshelve").click()
    entry.locator("summary", has_text="Acknowledge").wait_for()
    assert [a.kind.value for a in site.actions] == ["shelve", "unshelve"]


def test_take_out_and_put_back(opened: Opened, site: FakeSite, view: dict[str, int]) -> None:
    page = opened("/alarms", view, "R. Okafor")
    form = _action(page, "Take out of service", "Oxygen not falling")
    form.get_by_label("Why").fill("vent is off for its yearly visit")
    form.get_by_role("button", name="Take out of service").click()
    entry = page.locator("article.entry", has_text="Oxygen not falling")
    entry.get_by_text("out of service", exact=True).wait_for()
    form = _action(page, "Put back in service", "Oxygen not falling")
    form.get_by_role("button", name="Put back in service").click()
    entry.locator("summary", has_text="Shelve").wait_for()
    assert [a.kind.value for a in site.actions] == ["take-out", "put-back"]


def test_a_fill_is_declared_seen_everywhere_and_ended(
    opened: Opened, site: FakeSite, board: Board, view: dict[str, int]
) -> None:
    page = opened("/work", view, "J. Whitlock")
    place = page.locator("li", has=page.get_by_text("Dock riser", exact=True))
    place.locator("summary", has_text="Declare a system fill").click()
    form = place.locator("form")
    assert form.get_by_text("Filling, closing or testing a system is an impairment").is_visible()
    form.get_by_label("Why").fill("head replaced")
    form.get_by_label("For").select_option("2 h")
    form.get_by_role("button", name="Declare a system fill").click()
    banner = page.get_by_role("article", name="System fill of Dock riser, declared until 11:10")
    banner.get_by_text("Declared by J. Whitlock at 09:10: head replaced").wait_for()
    page.goto(board.address)
    assert banner.bounding_box()["y"] < view["height"]  # seen on the overview without scrolling
    banner.locator("summary", has_text="End the fill").click()
    banner.get_by_role("button", name="End the fill").click()
    page.locator(".filling").wait_for(state="detached")
    assert site.fills == []


def test_reset_a_baseline(opened: Opened, site: FakeSite, view: dict[str, int]) -> None:
    page = opened("/work", view, "R. Okafor")
    place = page.locator("#baselines li", has_text="41.23 scfh")
    place.locator("summary", has_text="Reset").click()
    place.get_by_label("Why").fill("new intake filter")
    place.get_by_role("button", name="Reset").click()
    page.locator("#baselines").get_by_text("learning, 0 of 3 days").wait_for()
    assert [a.why for a in site.actions] == ["new intake filter"]


def test_sign_in_by_keyboard_refused_then_let_in_and_out(
    opened: Opened, view: dict[str, int]
) -> None:
    page = opened("/alarms", view)
    page.get_by_role("link", name="Sign in", exact=True).first.focus()
    page.keyboard.press("Enter")
    page.get_by_label("Name").focus()
    for word in ("J. Whitlock", "wrong"):
        page.keyboard.type(word)
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.get_by_role("alert").filter(has_text="Name or password is wrong").wait_for()
    page.get_by_label("Password").focus()
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="Alarms", exact=True).wait_for()  # where one came from
    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("link", name="Sign in", exact=True).first.wait_for()


def test_another_password(opened: Opened, board: Board) -> None:
    page = opened("/account", VIEWS["phone"], "L. Ames")
    for label, word in (("Current password", PASSWORD), ("New password, ten", "ten lives of a cat"),
                        ("Confirm new password", "ten lives of a cat")):
        page.get_by_label(label).fill(word)
    page.get_by_role("button", name="Change password").click()
    page.get_by_role("heading", name="Sign in").wait_for()
    assert board.people.verify("L. Ames", "ten lives of a cat")
    board.people.set_password("L. Ames", PASSWORD, 1)


def test_search_the_history(opened: Opened, site: FakeSite, view: dict[str, int]) -> None:
    page = opened("/alarms", view)
    page.get_by_label("Words").fill("pressure")
    page.get_by_label("Asset").select_option(label="Office riser")
    page.get_by_role("button", name="Search").click()
    page.wait_for_url("**q=pressure**")
    entries = page.locator(".history li")
    assert entries.count() == 3
    assert all("Office riser" in text for text in entries.all_inner_texts())


def test_ranges_are_links(opened: Opened, site: FakeSite, view: dict[str, int]) -> None:
    page = opened("/things/r1", view, java_script_enabled=False)
    page.get_by_role("link", name="30 days").click()
    page.wait_for_url("**span=1m**")
    assert page.get_by_role("link", name="30 days").get_attribute("aria-current") == "true"
    page.get_by_role("link", name="Earlier").click()
    page.get_by_role("link", name="Later").wait_for()
    page.get_by_role("link", name="Full chart").first.click()
    page.get_by_role("heading", name="Data").wait_for()


def test_without_a_script_it_works_the_same(opened: Opened, site: FakeSite) -> None:
    page = opened("/alarms", VIEWS["phone"], "R. Okafor", java_script_enabled=False)
    form = _action(page, "Acknowledge", "Compressor running too long")
    form.get_by_role("button").click()
    page.get_by_text("by R. Okafor", exact=False).first.wait_for()
    assert [a.by for a in site.actions] == ["R. Okafor"]
    assert 'http-equiv="refresh"' in page.content()


def test_it_hears_of_news_and_spares_a_form_under_a_hand(
    opened: Opened, site: FakeSite, board: Board
) -> None:
    page = opened("/", VIEWS["desk"], "R. Okafor")
    form = _action(page, "Shelve", "Compressor running too long")
    form.get_by_label("Why").fill("half a rea")
    site.alarms[:] = site.alarms[:2]
    board.soon(lambda: site.live.wake(site.events[1:2]))
    page.get_by_role("status").get_by_text("Compressor running too long", exact=True).wait_for(
        timeout=15_000)
    assert form.get_by_label("Why").input_value() == "half a rea"
    page.locator("details[open] summary").click()
    page.evaluate("document.activeElement.blur()")
    board.soon(lambda: site.live.wake(site.events[1:2]))
    page.get_by_role("heading", name="Active alarms 1").wait_for(timeout=15_000)


def test_silence_of_the_collector_is_said(opened: Opened) -> None:
    page = opened("/", VIEWS["phone"])
    page.clock.install()
    page.route("**/live", lambda route: route.abort())
    page.reload()
    page.route("**/*", lambda route: route.abort())
    assert not page.locator("#stale").is_visible()
    for _ in range(12):
        page.clock.run_for(4000)
    page.get_by_text("No contact with the collector").wait_for(timeout=5000)
