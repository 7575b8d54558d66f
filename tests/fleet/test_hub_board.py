"""A customer sees their own sites, by whatever route they ask; every route is named here."""

from __future__ import annotations

import asyncio
import html
import json
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from collector.clock import SystemClock
from collector.fleet import Customer, Group, HubSettings, folded
from collector.fleet.hub_board import HubServices, create_hub
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_reader import FleetReader
from collector.fleet.hub_store import Batch, GroupStore, group_file
from collector.people import Accounts, Role
from collector.people.sessions import SessionManager
from collector.web.access import AccessPolicy
from tests.fleet.support import FakeSite, alarm, came, estimate, fact, received, settings

PASSWORD = "a long enough password"
MINE, THEIRS = ("north", "mill-one"), ("north", "harbour")
SECRET = "Harbour"
"""In every word about the other customer's site: its name, alarms, facts, things."""
OTHER_GROUP = ("south", "mill-one")


def _fill(folder: Path, group: str, sites: list[FakeSite]) -> None:
    now = SystemClock().now()
    store = GroupStore(group_file(folder, group), group)
    handler = MessageHandler(Group(id=group, events_prefix="q"), {}, Counts(), 45_000)
    events = []
    for n, site in enumerate(sites):
        handler.handle(received(*site.births(now)), now)
        name = handler.states[site.site].name
        events += [
            came(n * 10 + 1, alarm(site.site, condition="pressure-low", at=now - 5000,
                                   asset=f"{name} riser")),
            came(n * 10 + 2, fact(site.site, f"{name} was looked at", now - 4000)),
            came(n * 10 + 3, estimate(site.site, "leak-rate", f"{name} riser", 2.0, now - 3000)),
            came(n * 10 + 4, alarm(site.site, condition="purge-blocked", at=now - 5000,
                                   asset=f"{name} vent")),
        ]
    store.keep(Batch(events=events, states=list(handler.states.values())), now)
    store.close()


@pytest.fixture(scope="module")
def hub_settings(tmp_path_factory: pytest.TempPathFactory) -> HubSettings:
    return settings(
        tmp_path_factory.mktemp("fleet"), groups=("north", "south"), staff=["Kim Marsh"],
        customers=[
            Customer(id="mill", name="Mill Estates", sites=("north/mill-*",),
                     people=frozenset({folded("Ann Mill")})),
            Customer(id="harbour", name="Harbour Trust", sites=("north/harbour", "south/*"),
                     people=frozenset({folded("Hal Harbour")})),
        ])


@pytest.fixture(scope="module")
def app(hub_settings: HubSettings) -> Iterator[Any]:
    folder = hub_settings.data
    _fill(folder, "north", [FakeSite("mill-one", name="Mill One", version="1.0.0"),
                            FakeSite("harbour", name="Harbour Sheds", version="0.9.0")])
    _fill(folder, "south", [FakeSite("mill-one", "south", name="Harbour South")])
    accounts = Accounts(folder / "people.sqlite")
    for name in ("Ann Mill", "Hal Harbour", "Kim Marsh", "Nobody's Own"):
        accounts.add(name, Role.MANAGE if name == "Ann Mill" else Role.LOOK, PASSWORD, 1)
    reader = FleetReader(folder, ["north", "south"])
    clock = SystemClock()
    yield create_hub(HubServices(
        settings=hub_settings, reader=reader, clock=clock, figures=lambda: {"sites": 3.0},
        access=AccessPolicy(sessions=SessionManager(accounts, clock), reading="signed-in"),
        healthy=lambda: ""))
    reader.close()
    accounts.close()


def client(app: Any) -> httpx.AsyncClient:
    return httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url="http://hub.example")


async def signed_in(app: Any, name: str) -> httpx.AsyncClient:
    who = client(app)
    form = await who.get("/sign-in")
    mark = re.search(r'name="mark" value="([^"]+)"', form.text)
    assert mark is not None
    answer = await who.post("/sign-in", data={"mark": mark[1], "name": name, "password": PASSWORD,
                                              "next": "/"})
    assert answer.status_code == 303, answer.text
    return who


@pytest.fixture(scope="module")
def ann_s_cookie(app: Any) -> str:
    return asyncio.run(signed_in(app, "ann mill")).cookies["quietpipe"]


@pytest.fixture
async def ann(app: Any, ann_s_cookie: str) -> AsyncIterator[httpx.AsyncClient]:
    """Of Mill Estates, with the highest role there is: roles open no other customer's sites."""
    async with client(app) as who:
        who.cookies.set("quietpipe", ann_s_cookie)
        yield who


LISTS = [
    "/", "/?q=harbour", "/?q=north", "/api/v1/sites", "/api/v1/alarms", "/api/v1/events",
    "/api/v1/events?limit=1000", "/api/v1/events?from=2020-01-01T00:00:00Z",
    "/api/v1/search?q=harbour", "/api/v1/search?q=north", "/api/v1/search?q=south",
    "/api/v1/search?q=mill-one", "/api/v1/search?q=%25", "/api/v1/search?q=*",
    *(f"/api/v1/questions/{q}" for q in (
        "in-trouble", "leaking-more", "compressor-tiring", "purge-late", "out-of-date")),
    "/sites/north/mill-one", "/api/v1/sites/north/mill-one",
    # Tricks: what is not a parameter must not become one.
    "/api/v1/sites?group=south", "/api/v1/sites?customer=harbour", "/api/v1/sites?all=true",
    "/api/v1/alarms?site=north/harbour", "/api/v1/search?q=mill&group=south",
    "/?customer=harbour", "/?person=Hal+Harbour", "/api/v1/questions/in-trouble?customer=harbour",
]

ANOTHERS = [
    f"{prefix}/{group}/{site}" for prefix in ("/sites", "/api/v1/sites")
    for group, site in (
        THEIRS, OTHER_GROUP, ("north", "HARBOUR"), ("north", "harbour%2f"),
        ("north", "harbour%00"), ("north", "..%2fnorth%2fharbour"),
        ("north", "mill-one%2f..%2fharbour"),
        ("north%2fharbour", "x"), ("*", "harbour"), ("north", "*"), ("north", "h%61rbour"),
        ("north", "never-there"), ("south", "mill-one%20"), ("%6eorth", "harbour"),
    )
] + [
    "/api/v1/events?site=north/harbour", "/api/v1/events?site=south/mill-one",
    "/api/v1/events?site=north/*", "/api/v1/events?site=north/never-there",
    "/api/v1/events?site=north/mill-one&site=north/harbour", "/api/v1/events?site=harbour",
    "/metrics", "/api/v1/dead-letters", "/openapi.json/../api/v1/sites/north/harbour",
]


def silent_about_others(text: str) -> bool:
    plain = html.unescape(text).replace('value="harbour"', "").replace("customer=harbour", "")
    return SECRET not in plain and "north/harbour" not in plain and "south" not in plain


@pytest.mark.parametrize("route", LISTS)
async def test_no_list_shows_another_s_site(ann: httpx.AsyncClient, route: str) -> None:
    answer = await ann.get(route, headers={"accept": "text/html"})
    assert answer.status_code == 200
    assert silent_about_others(answer.text), answer.text
    if "harbour" not in route and "south" not in route.replace("group=south", "") \
            and "compressor" not in route and "leaking" not in route and "out-of" not in route \
            and "%25" not in route and "q=*" not in route:
        assert "mill-one" in answer.text or "Mill One" in answer.text


@pytest.mark.parametrize("route", ANOTHERS)
async def test_another_s_site_is_one_that_does_not_exist(
    ann: httpx.AsyncClient, route: str,
) -> None:
    answer = await ann.get(route)
    missing = await ann.get("/api/v1/sites/north/never-there")
    assert answer.status_code == 404
    assert silent_about_others(answer.text)
    if route.startswith(("/sites", "/api/v1/sites")) and "%2f" not in route:
        assert answer.json() == missing.json(), "not even that it exists may show"


async def test_the_stream_shows_own_sites_only_and_ends_with_the_session(
    app: Any, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.fleet.hub_board._STREAM_EVERY", 0.05)
    ann = await signed_in(app, "Ann Mill")
    out = asyncio.create_task(_sign_out_soon(app, ann))
    answer = await asyncio.wait_for(ann.get("/api/v1/stream"), 10)
    await out
    assert answer.headers["content-type"].startswith("text/event-stream")
    sites = [json.loads(line.removeprefix("data: ")) for line in answer.text.splitlines()
             if line.startswith("data: ")]
    assert [(s["group"], s["site"]) for s in sites] == [MINE]
    assert silent_about_others(answer.text)


async def _sign_out_soon(app: Any, who: httpx.AsyncClient) -> None:
    await asyncio.sleep(0.4)
    page = await who.get("/")
    csrf = re.search(r'name="csrf" value="([^"]+)"', page.text)
    assert csrf is not None
    second = client(app)
    second.cookies.update(who.cookies)
    assert (await second.post("/sign-out", data={"csrf": csrf[1]})).status_code == 303
    await second.aclose()


async def test_staff_see_everything_and_somebody_in_no_list_sees_nothing(app: Any) -> None:
    kim, stranger, hal = [await signed_in(app, n) for n in (
        "Kim Marsh", "Nobody's Own", "HAL HARBOUR")]
    assert len((await kim.get("/api/v1/sites")).json()["sites"]) == 3
    assert "quietpipe_hub_sites 3" in (await kim.get("/metrics")).text
    assert (await stranger.get("/api/v1/sites")).json()["sites"] == []
    assert "You have no sites assigned" in (await stranger.get("/")).text
    assert (await stranger.get("/sites/north/mill-one")).status_code == 404
    assert {(s["group"], s["site"]) for s in (await hal.get("/api/v1/sites")).json()["sites"]} == {
        THEIRS, OTHER_GROUP}
    for one in (kim, stranger, hal):
        await one.aclose()


def _all_routes(app: Any) -> list[str]:
    return [r.path for r in app.routes if "GET" in getattr(r, "methods", ())]


async def test_without_a_session_every_route_is_shut(app: Any) -> None:
    open_to_all = {"/sign-in", "/healthz", "/static/{name}", "/openapi.json"}
    async with client(app) as nobody:
        for path in set(_all_routes(app)) - open_to_all:
            real = path.replace("{group}", "north").replace("{site}", "harbour") \
                .replace("{question}", "in-trouble")
            answer = await nobody.get(real)
            assert answer.status_code == 401, path
            assert silent_about_others(answer.text)
            page = await nobody.get(real, headers={"accept": "text/html"})
            assert page.status_code == 303, path
        for headers in ({"authorization": "Bearer x"}, {"cookie": "quietpipe=" + "x" * 43},
                        {"x-forwarded-for": "127.0.0.1"}, {"host": "127.0.0.1"}):
            answer = await nobody.get("/api/v1/sites", headers=headers)
            assert answer.status_code in (401, 403), headers
        assert (await nobody.get("/healthz")).json() == {"alive": True}


def test_every_route_that_shows_a_site_is_tried_above(app: Any) -> None:
    tried = {re.sub(r"\?.*", "", r) for r in [*LISTS, *ANOTHERS]} | {"/api/v1/stream"}
    about_nobody = {"/sign-in", "/account", "/healthz", "/static/{name}", "/openapi.json"}
    for path in set(_all_routes(app)) - about_nobody:
        real = path.replace("{group}", "north").replace("{site}", "harbour") \
            .replace("{question}", "in-trouble")
        assert real in tried, f"{path} is new: name it in the lists"


async def test_nothing_can_be_changed_here(ann: httpx.AsyncClient, app: Any) -> None:
    for path in _all_routes(app):
        real = path.replace("{group}", "north").replace("{site}", "mill-one").replace("{name}", "x")
        if real in ("/sign-in", "/account"):
            continue
        for method in ("POST", "PUT", "DELETE", "PATCH"):
            assert (await ann.request(method, real)).status_code in (403, 405), (method, path)


async def test_a_site_s_page_and_answer_say_what_is_known(ann: httpx.AsyncClient) -> None:
    page = (await ann.get("/sites/north/mill-one")).text
    assert "61.5" in page
    assert "was looked at" in page
    assert "<strong>active</strong>, not acknowledged" in page
    assert "Leak rate of Mill One riser: 2 scfh" in page
    assert re.search(r">compressor</th>\s*<td[^>]*>(?:running|stopped)", page)
    answer = (await ann.get("/api/v1/sites/north/mill-one")).json()
    assert answer["things"]["gen1"]["readings"]["tank_pressure"]["value"] == 61.5
    assert {a["condition"] for a in answer["alarms"]} == {"pressure-low", "purge-blocked"}
    assert answer["estimates"][0]["quantity"] == "leak-rate"
    events = (await ann.get("/api/v1/events?site=north/mill-one")).json()["events"]
    assert [e["kind"] for e in events] == ["estimate", "site-file-read", "alarm", "alarm"]


def test_a_pattern_does_not_reach_over_the_slash() -> None:
    customer = Customer(id="x", name="x", sites=("north/*", "s*th/mill"), people=frozenset())
    assert customer.has("north", "anything")
    assert customer.has("south", "mill")
    assert not customer.has("northern", "mill")
    assert not customer.has("south", "x/mill")
    assert not customer.has("NORTH", "mill")
