"""Impairments, visits, and alarms taken out of service: asked for over HTTP."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import replace

import httpx
import pytest

from collector.clock import format_instant
from collector.domain.actions import ActionKind, OperatorAction, Window, WindowKind
from collector.domain.events import Event
from collector.web import create_app
from tests.web.conftest import client_of
from tests.web.fakes import HOUR, NOW, TOKEN, FakeSite

BEARER = {"authorization": f"Bearer {TOKEN}".encode()}
ASK = {"by": "R. Okafor", "why": "branch line renewed", "for": "4 h"}


class Declared:
    """A site that keeps the windows it is asked for."""

    def __init__(self, site: FakeSite) -> None:
        self.site = site
        self.windows: list[Window] = []
        self.asked: list[OperatorAction] = []

    async def act(self, action: OperatorAction) -> Sequence[Event]:
        self.asked.append(action)
        kind = WindowKind.VISIT if "visit" in action.kind else WindowKind.IMPAIRMENT
        self.windows = [w for w in self.windows if (w.kind, w.asset) != (kind, action.alarm)]
        if action.until is not None:
            self.windows.append(Window(
                kind=kind, asset=action.alarm, since=action.time, until=action.until,
                by=action.by, why=action.why, inhibits=("pressure-low.r1",),
                details=action.details))
        return []


@pytest.fixture
def declared(site: FakeSite) -> Declared:
    return Declared(site)


@pytest.fixture
async def client(declared: Declared) -> AsyncIterator[httpx.AsyncClient]:
    services = replace(declared.site.services(), act=declared.act,
                       windows=lambda: declared.windows)
    transport = httpx.ASGITransport(app=create_app(services))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as client:
        yield client


@pytest.mark.parametrize(("path", "begin", "end", "deeds"), [
    ("impairments/r1", "declare", "end",
     (ActionKind.DECLARE_IMPAIRMENT, ActionKind.END_IMPAIRMENT)),
    ("impairments/fenmoor", "declare", "end",
     (ActionKind.DECLARE_IMPAIRMENT, ActionKind.END_IMPAIRMENT)),
    ("visits/gen1", "begin", "end", (ActionKind.BEGIN_VISIT, ActionKind.END_VISIT)),
    ("visits/gen1-controller", "begin", "end", (ActionKind.BEGIN_VISIT, ActionKind.END_VISIT)),
])
async def test_declared_seen_and_ended(client, declared, path, begin, end, deeds):
    asset = path.rpartition("/")[2]
    done = await client.post(f"/api/v1/{path}/{begin}", json=ASK, headers=BEARER)
    assert done.status_code == 200, done.text
    window = done.json()["window"]
    assert (window["asset"], window["by"], window["until"]) == (
        asset, "R. Okafor", format_instant(NOW + 4 * HOUR))
    (listed,) = (await client.get("/api/v1/windows")).json()["windows"]
    assert listed == window
    assert listed["quiet"] == ["pressure-low.r1"]
    over = await client.post(f"/api/v1/{path}/{end}", json={"by": "x"}, headers=BEARER)
    assert over.json()["window"] is None
    assert [(a.kind, a.alarm) for a in declared.asked] == [(d, asset) for d in deeds]


@pytest.mark.parametrize(("path", "body", "status", "says"), [
    ("impairments/r1/declare", {**ASK, "why": ""}, 400, "Why is the system impaired?"),
    ("impairments/r1/declare", {"by": "x", "why": "y"}, 400, "Say how long the impairment lasts"),
    ("impairments/r1/declare", {**ASK, "for": "8 d"}, 400, "within 7 days"),
    ("impairments/plant-room/declare", ASK, 404, "no such riser or generator"),
    ("impairments/r1-vent/declare", ASK, 404, "no such riser or generator"),
    ("visits/fenmoor/begin", ASK, 404, "no such asset or device"),
    ("visits/gen1/begin", {**ASK, "why": " "}, 400, "What for?"),
    ("visits/gen1/begin", {**ASK, "for": "31 d"}, 400, "within 30 days"),
    ("alarms/pressure-low.r1/take-out", {"by": "x", "for": "1 h"}, 400,
     "Why is it taken out of service?"),
    ("alarms/pressure-low.r1/take-out", {**ASK, "until": "2027-01-01T00:00:00Z"}, 400,
     "Say how long it is out of service"),
])
async def test_what_is_refused_is_not_asked(client, declared, path, body, status, says):
    answer = await client.post(f"/api/v1/{path}", json=body, headers=BEARER)
    assert (answer.status_code, says in answer.json()["error"]) == (status, True), answer.text
    assert declared.asked == []


@pytest.mark.parametrize("path", ["impairments/r1/declare", "visits/gen1/begin",
                                  "alarms/pressure-low.r1/take-out"])
async def test_without_the_token_nothing_is_asked(client, declared, path):
    assert (await client.post(f"/api/v1/{path}", json=ASK)).status_code == 401
    evil = await client.post(f"/api/v1/{path}", json=ASK,
                             headers={**BEARER, "origin": "https://evil.example"})
    assert evil.status_code == 403
    assert declared.asked == []


async def test_one_alarm_is_taken_out_and_put_back(client, declared):
    out = await client.post("/api/v1/alarms/pressure-low.r1/take-out", json=ASK, headers=BEARER)
    assert out.status_code == 200
    await client.post("/api/v1/alarms/pressure-low.r1/put-back", json={"by": "x"}, headers=BEARER)
    assert [(a.kind, a.until) for a in declared.asked] == [
        (ActionKind.TAKE_OUT, NOW + 4 * HOUR), (ActionKind.PUT_BACK, None)]


@pytest.mark.parametrize("reading", ["open", "signed-in"])
async def test_only_whoever_may_look_reads_what_is_impaired(declared, reading):
    declared.site.reading = reading
    services = replace(declared.site.services(), act=declared.act,
                       windows=lambda: declared.windows)
    async with client_of(create_app(services)) as stranger:
        begun = await stranger.post("/api/v1/impairments/r1/declare", json=ASK, headers=BEARER)
        assert begun.status_code == 200
        for path, told in (("/sign-in", reading == "open"), ("/nowhere", False)):
            text = (await stranger.get(path, headers={"accept": "text/html"})).text
            assert ("Some alarms are suppressed" in text) is told, path
            assert ("Dock riser" in text) is told, path
