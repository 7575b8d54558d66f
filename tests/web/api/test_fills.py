"""Declared fills and baselines over HTTP and on the board; what is refused leaves no trace."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import httpx
import pytest

from collector.clock import ManualClock
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.conditions import CAUTIONS
from collector.domain.events import Event
from collector.web import create_app
from tests.rules.support import HOUR as STORY_HOUR
from tests.rules.support import MINUTE as STORY_MINUTE
from tests.rules.support import T0, story
from tests.web.api.test_reading import Page
from tests.web.conftest import Signed, mark_in
from tests.web.fakes import HOUR, NOW, TOKEN, FakeSite, declared
from tests.web.views.test_views import seen, view

BEARER: dict[str, str | bytes] = {"authorization": f"Bearer {TOKEN}".encode()}
DECLARE, END = "/api/v1/fills/r1/declare", "/api/v1/fills/r1/end"
RESET = "/api/v1/baselines/compressor-delivery.gen1/reset"
ASKED = {"by": "R. Okafor", "why": "head replaced", "for": "4 h"}
PATHS = (DECLARE, END, RESET)


@pytest.mark.parametrize("span", [
    {"for": "4 h"}, {"for": 4 * 3600}, {"until": "2026-07-19T13:10:05+01:00"},
])
async def test_declare_a_fill(
    client: httpx.AsyncClient, site: FakeSite, span: dict[str, object]
) -> None:
    body = {"by": "R. Okafor", "why": "head replaced", **span}
    answer = await client.post(DECLARE, json=body, headers=BEARER)
    assert answer.status_code == 200
    assert site.actions == [OperatorAction(kind=ActionKind.DECLARE_FILL, alarm="r1", time=NOW,
                                           by="R. Okafor",
                                   why="head replaced", until=NOW + 4 * HOUR)]
    assert answer.json()["done"] == "declare-fill"
    fill = answer.json()["fill"]
    assert (fill["name"], fill["until"], fill["held"]) == (
        "Dock riser", "2026-07-19T12:10:05Z", ["compressor-overduty", "vent-stuck-open"])
    listed = (await client.get("/api/v1/fills")).json()
    assert (listed["site"], listed["fills"]) == ("fenmoor", [fill])


async def test_a_fill_is_ended_and_then_there_is_none(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    site.fills = [declared()]
    answer = await client.post(END, json={"by": "R. Okafor"}, headers=BEARER)
    assert (answer.status_code, answer.json()["fill"]) == (200, None)
    again = await client.post(END, json={"by": "R. Okafor"}, headers=BEARER)
    assert (again.status_code, again.json()) == (409, {"error": "no fill of r1 is declared"})


async def test_baselines_and_their_reset(client: httpx.AsyncClient, site: FakeSite) -> None:
    before = (await client.get("/api/v1/baselines")).json()["baselines"]
    assert [(b["id"], b["state"], b["value"], b["learned"]) for b in before] == [
        ("compressor-delivery.gen1", "learned", 41.234, "2026-07-18T08:10:05Z"),
        ("compressor-delivery.gen2", "learning", None, None),
        ("pump-up-time.gen1", "given", 240.0, None),
    ]
    answer = await client.post(RESET, json={"by": "x", "why": "new filter"}, headers=BEARER)
    assert answer.status_code == 200
    assert answer.json()["baseline"]["state"] == "learning"
    assert site.actions == [OperatorAction(kind=ActionKind.RESET_BASELINE,
                                           alarm="compressor-delivery.gen1",
                                   time=NOW, by="x", why="new filter")]


async def test_a_baseline_of_the_site_file_is_a_conflict(client: httpx.AsyncClient) -> None:
    answer = await client.post("/api/v1/baselines/pump-up-time.gen1/reset",
                               json={"by": "x", "why": "y"}, headers=BEARER)
    assert answer.status_code == 409
    assert "set in the site file" in answer.json()["error"]


@pytest.mark.parametrize(("path", "back"), [
    (DECLARE, "/work#fills"), (END, "/work#fills"), (RESET, "/work#baselines"),
])
async def test_the_forms_of_the_board_lead_back_to_it(
    signed: Signed, site: FakeSite, path: str, back: str
) -> None:
    site.fills = [declared()]
    client = await signed("R. Okafor")
    form = ASKED | {"csrf": mark_in((await client.get("/")).text)}
    answer = await client.post(path.removeprefix("/api/v1"), data=form,
                               headers={"origin": "http://board.test"})
    assert (answer.status_code, answer.headers["location"]) == (303, back)
    assert len(site.actions) == 1


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(("headers", "status"), [
    ({}, 401), ({"authorization": b"Bearer wrong"}, 401),
    ({"authorization": b"Bearer \xff\xfe"}, 401), ({"cookie": f"token={TOKEN}".encode()}, 401),
    (BEARER | {"origin": "http://evil.test"}, 403), (BEARER | {"origin": "null"}, 403),
    (BEARER | {"sec-fetch-site": "cross-site"}, 403),
], ids=str)
async def test_without_the_token_or_from_elsewhere_nothing_changes(
    client: httpx.AsyncClient, site: FakeSite, path: str, headers: dict[str, bytes], status: int
) -> None:
    answer = await client.post(path + f"?token={TOKEN}", json=ASKED | {"token": TOKEN},
                               headers=headers)
    assert answer.status_code == status
    assert site.actions == []


@pytest.mark.parametrize("token", [None, ""])
async def test_without_a_token_set_there_is_no_way(site: FakeSite, token: str | None) -> None:
    site.token, site.accounts, site.fills = token, None, [declared()]
    transport = httpx.ASGITransport(app=create_app(site.services()))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as closed:
        for path in PATHS:
            answer = await closed.post(path, json=ASKED, headers={"authorization": "Bearer "})
            assert answer.status_code == 403
        page = await closed.get("/")
    assert "<form" not in page.text
    assert "System fill of Dock riser, declared until 13:10" in Page(page.text).text
    assert site.actions == []


@pytest.mark.parametrize("path", [
    "/api/v1/fills/r9/declare", "/api/v1/fills/r1-vent/declare", "/api/v1/fills/plant-room/end",
    "/api/v1/fills/fenmoor/declare", "/api/v1/fills/gen1.mode/declare",
    "/api/v1/fills/%3Cscript%3E/declare", "/api/v1/fills/..%2fr1/declare",
    "/api/v1/fills/r1/reset", "/api/v1/fills/r1/acknowledge",
    "/api/v1/baselines/compressor-delivery.r1/reset", "/api/v1/baselines/gen1/reset",
    "/api/v1/baselines/compressor-delivery/reset", "/api/v1/alarms/r1/declare",
])
async def test_what_is_not_there_is_not_found(
    client: httpx.AsyncClient, site: FakeSite, path: str
) -> None:
    answer = await client.post(path, json=ASKED, headers=BEARER)
    assert answer.status_code == 404
    assert "<script>" not in answer.text
    assert site.actions == []


@pytest.mark.parametrize(("path", "body", "words"), [
    (DECLARE, {"why": "y", "for": "1 h"}, "Who does this?"),
    (DECLARE, {"by": "x", "for": "1 h"}, "Why is it filled?"),
    (DECLARE, {"by": "x", "why": " \t ", "for": "1 h"}, "Why is it filled?"),
    (DECLARE, {"by": "x", "why": "y"}, "Say how long the fill lasts"),
    (DECLARE, {"by": "x", "why": "y", "for": "1 h", "until": "2026-07-19T12:10:05Z"}, "either"),
    (DECLARE, {"by": "x", "why": "y", "for": "25 h"}, "within 24 h"),
    (DECLARE, {"by": "x", "why": "y", "for": "86400.001 s"}, "within 24 h"),
    (DECLARE, {"by": "x", "why": "y", "for": "-1 h"}, "'for' is not a duration"),
    (DECLARE, {"by": "x", "why": "y", "for": 1e300}, "'for' is not a duration"),
    (DECLARE, {"by": "x", "why": "y", "until": "2026-07-19T08:10:05Z"}, "in the future"),
    (DECLARE, {"by": "x", "why": "y" * 501, "for": "1 h"}, "too long"),
    (DECLARE, {"by": "a\u202eb", "why": "y", "for": "1 h"}, "cannot be printed"),
    (END, {}, "Who does this?"), (END, {"by": ["x"]}, "must be text"),
    (RESET, {"by": "x"}, "Why is it reset?"), (RESET, {"why": "y"}, "Who does this?"),
])
async def test_a_missing_or_wrong_field_is_said_plainly(
    client: httpx.AsyncClient, site: FakeSite, path: str, body: dict[str, object], words: str
) -> None:
    answer = await client.post(path, content=json.dumps(body),
                               headers=BEARER | {"content-type": "application/json"})
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert site.actions == []


async def test_a_whole_day_is_allowed(client: httpx.AsyncClient, site: FakeSite) -> None:
    answer = await client.post(DECLARE, json=ASKED | {"for": "24 h"}, headers=BEARER)
    assert answer.status_code == 200
    assert site.actions[0].until == NOW + 24 * HOUR


@pytest.mark.parametrize("path", PATHS)
async def test_other_bodies_and_methods_do_nothing(
    client: httpx.AsyncClient, site: FakeSite, path: str
) -> None:
    for kind, content, status in (("text/plain", b"by=x", 415), ("application/json", b"[", 400),
                                  ("application/json", b" " * 20_000, 413)):
        answer = await client.post(path, content=content,
                                   headers=BEARER | {"content-type": kind})
        assert answer.status_code == status
    assert (await client.get(path, headers=BEARER)).status_code == 405
    long = await client.post(path.replace("r1", "x" * 400).replace("gen1", "x" * 400),
                             json=ASKED, headers=BEARER)
    assert long.status_code == 422
    assert site.actions == []


async def test_the_board_shows_a_fill_and_what_it_holds_back(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    site.fills = [declared()]
    text = Page((await client.get("/")).text).text
    assert "System fill of Dock riser, declared until 13:10" in text
    assert "Declared by R. Okafor at 09:00: sprinkler head replaced" in text
    assert "Suppressed during the fill: compressor" in text
    assert "With a longer limit: compressor running too long." in text
    assert text.index("System fill of Dock riser") < text.index("Active alarms")


async def test_each_generator_and_riser_has_a_form_with_the_caution(signed: Signed) -> None:
    client = await signed("J. Whitlock")
    html = (await client.get("/work")).text
    forms = [f["action"] for f in Page(html).all("form") if "/fills/" in (f["action"] or "")]
    assert forms == [f"/fills/{a}/declare" for a in ("gen1", "gen2", "r1", "r2", "r3")]
    for part in html.split('action="/fills/')[1:]:
        assert CAUTIONS["impairment"] in part.partition("</form>")[0]


def test_baselines_as_lines() -> None:
    lines = view().baselines
    assert [(b.title, b.value, b.state, b.may_reset) for b in lines] == [
        ("Compressor delivery, Generator, dock end", "41.23 scfh", "learned 18 Jul 09:10", True),
        ("Compressor delivery, Generator, freezer", "–", "learning, 1 of 3 days", True),
        ("Pump up time, Generator, dock end", "240 s", "set in the site file", False),
    ]


def test_a_quiet_site_under_a_fill_is_not_called_normal_without_it() -> None:
    headline = view(alarms=[], points=seen(), fills=[declared()]).headline
    assert "1 fill declared: see below." in headline.detail


def test_a_fill_nobody_is_known_of_says_so() -> None:
    fill = declared(since=None, by="", why="", held=(), afterwards=(), longer=())
    shown = view(fills=[fill]).fills[0]
    assert shown.declared == "It is not known who declared it."
    assert [e.what for e in shown.effects] == ["It suppresses no alarm."]


async def test_with_the_watch_itself(site: FakeSite) -> None:
    s = story().advance(STORY_MINUTE)
    site.clock = ManualClock(T0 + STORY_MINUTE)

    async def act(action: OperatorAction) -> Sequence[Event]:
        return s.monitor.act(action)

    services = replace(site.services(), act=act, fills=s.monitor.fills,
                       baselines=s.monitor.baselines)
    transport = httpx.ASGITransport(app=create_app(services))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as client:
        fill = (await client.post(DECLARE, json=ASKED, headers=BEARER)).json()["fill"]
        assert (fill["by"], fill["why"], fill["since"]) == (
            "R. Okafor", "head replaced", "2026-03-01T00:01:00Z")
        assert "compressor-overduty" in fill["held"]
        assert fill["longer"] == ["air-fill-stuck", "compressor-long-run"]
        s.advance(5 * STORY_HOUR)
        assert (await client.get("/api/v1/fills")).json()["fills"] == []
        assert (await client.post(END, json=ASKED, headers=BEARER)).status_code == 409
