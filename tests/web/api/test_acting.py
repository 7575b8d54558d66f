"""Who may act, what is refused, and that a refusal leaves no trace."""

from __future__ import annotations

import dataclasses
import json

import httpx
import pytest

from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.live import AlarmState
from collector.web import create_app
from tests.web.conftest import Signed, mark_in
from tests.web.fakes import HOUR, NOW, TOKEN, FakeSite

LONG_RUN = "compressor-long-run.gen1.1784447590"
SHELVED = "contact-disagreement.gen1.trouble.1784334610"
BEARER: dict[str, str | bytes] = {"authorization": f"Bearer {TOKEN}".encode()}


def path(deed: str, alarm: str = LONG_RUN) -> str:
    return f"/api/v1/alarms/{alarm}/{deed}"


def form_path(deed: str, alarm: str = LONG_RUN) -> str:
    return f"/alarms/{alarm}/{deed}"


async def test_acknowledge_with_the_bearer_token(client: httpx.AsyncClient, site: FakeSite) -> None:
    answer = await client.post(path("acknowledge"), json={"by": "J. Whitlock"}, headers=BEARER)
    assert answer.status_code == 200
    assert answer.json()["alarm"]["state"] == "acknowledged"
    assert site.actions == [
        OperatorAction(kind=ActionKind.ACKNOWLEDGE, alarm=LONG_RUN, time=NOW, by="J. Whitlock"),
    ]


async def test_acknowledge_with_the_form_of_the_board_in_ones_own_name(
    signed: Signed, site: FakeSite
) -> None:
    client = await signed("J. Whitlock")
    form = {"csrf": mark_in((await client.get("/")).text), "by": "R. Okafor", "back": "/?a=1"}
    answer = await client.post(
        form_path("acknowledge"), data=form,
        headers={"origin": "http://board.test", "sec-fetch-site": "same-origin"},
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/?a=1")
    assert site.actions[0].by == "J. Whitlock"


@pytest.mark.parametrize("span", [
    {"for": "4 h"}, {"for": 4 * 3600}, {"until": "2026-07-19T13:10:05+01:00"},
    {"until": (NOW + 4 * HOUR) // 1000},
])
async def test_shelve_for_a_span_or_until_a_time(
    client: httpx.AsyncClient, site: FakeSite, span: dict[str, object]
) -> None:
    body = {"by": "J. Whitlock", "why": "waiting for the part", **span}
    answer = await client.post(path("shelve"), json=body, headers=BEARER)
    assert answer.status_code == 200
    assert answer.json()["alarm"]["until"] == "2026-07-19T12:10:05Z"
    assert site.actions[0].why == "waiting for the part"


async def test_unshelve(client: httpx.AsyncClient, site: FakeSite) -> None:
    answer = await client.post(path("unshelve", SHELVED), json={"by": "R. Okafor"}, headers=BEARER)
    assert answer.status_code == 200
    assert answer.json()["alarm"]["state"] == "unacknowledged"


@pytest.mark.parametrize("headers", [
    {}, {"authorization": b"Bearer"}, {"authorization": b"Bearer "},
    {"authorization": b"Bearer wrong"}, {"authorization": f"Basic {TOKEN}".encode()},
    {"authorization": f"Bearer {TOKEN}x".encode()},
    {"authorization": f"Bearer {TOKEN[:-1]}".encode()},
    {"authorization": b"Bearer \xff\xfe"}, {"cookie": f"token={TOKEN}".encode()},
], ids=str)
@pytest.mark.parametrize("deed", ["acknowledge", "shelve", "unshelve"])
async def test_no_token_or_a_wrong_one_changes_nothing(
    client: httpx.AsyncClient, site: FakeSite, headers: dict[str, bytes], deed: str
) -> None:
    # A token in the body of JSON or in the address does not count.
    answer = await client.post(path(deed) + f"?token={TOKEN}", headers=headers,
                               json={"by": "x", "why": "y", "for": "1 h", "token": TOKEN})
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    assert site.actions == []


@pytest.mark.parametrize("token", ["", "wrong", TOKEN])
async def test_a_form_of_nobody_gets_a_page(
    client: httpx.AsyncClient, site: FakeSite, token: str
) -> None:
    answer = await client.post(form_path("acknowledge"), data={"by": "x", "token": token})
    assert answer.status_code == 401
    assert "Back to the board" in answer.text
    assert site.actions == []


@pytest.mark.parametrize("token", [None, ""])
async def test_without_account_and_token_nothing_can_be_changed(
    site: FakeSite, token: str | None
) -> None:
    site.token, site.accounts = token, None
    transport = httpx.ASGITransport(app=create_app(site.services()))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as closed:
        for headers, words in (({}, "no account"), ({"authorization": "Bearer "}, "No token"),
                               ({"authorization": "Bearer None"}, "No token")):
            answer = await closed.post(path("acknowledge"), json={"by": "x"}, headers=headers)
            assert answer.status_code == 403
            assert words in answer.json()["error"]
        page = (await closed.get("/")).text
    assert "<form" not in page
    assert "Sign in</a> to acknowledge" in page
    assert site.actions == []


@pytest.mark.parametrize("headers", [
    {"origin": "http://evil.test"}, {"origin": "null"}, {"origin": "http://board.test.evil.test"},
    {"origin": "http://board.test:81"}, {"origin": "http://evil.test#board.test"}, {"origin": ""},
    {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"},
], ids=str)
async def test_another_sites_page_is_refused_even_with_the_token(
    client: httpx.AsyncClient, site: FakeSite, headers: dict[str, str]
) -> None:
    answer = await client.post(path("acknowledge"), json={"by": "x"}, headers=BEARER | headers)
    assert answer.status_code == 403
    assert "another site" in answer.json()["error"]
    assert site.actions == []


@pytest.mark.parametrize("alarm", [
    "no-such.gen1.1", "compressor-long-run.nowhere.1", "x", "compressor-long-run", "..%2f..",
    "%3Cscript%3Ealert(1)%3C%2Fscript%3E",
])
async def test_unknown_alarms_are_not_found(
    client: httpx.AsyncClient, site: FakeSite, alarm: str
) -> None:
    answer = await client.post(path("acknowledge", alarm), json={"by": "x"}, headers=BEARER)
    assert answer.status_code == 404
    assert "<script>" not in answer.text
    assert site.actions == []


async def test_too_long_an_id_is_said_plainly(client: httpx.AsyncClient) -> None:
    answer = await client.post(path("acknowledge", "x" * 5000), json={"by": "x"}, headers=BEARER)
    assert answer.status_code == 422
    assert "'alarm_id'" in answer.json()["error"]


async def test_what_the_alarm_table_refuses_is_a_conflict(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    site.alarms[1] = dataclasses.replace(site.alarms[1], state=AlarmState.ACKNOWLEDGED)
    answer = await client.post(path("acknowledge"), json={"by": "x"}, headers=BEARER)
    assert answer.status_code == 409
    assert "cannot be acknowledged" in answer.json()["error"]


async def test_a_quiet_condition_of_this_site_is_known(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    answer = await client.post(path("acknowledge", "pressure-low.r1"), json={"by": "x"},
                               headers=BEARER)
    assert answer.status_code == 409
    assert "is normal" in answer.json()["error"]


@pytest.mark.parametrize(("deed", "body", "words"), [
    ("acknowledge", {}, "Who does this?"),
    ("acknowledge", {"by": "   "}, "Who does this?"),
    ("acknowledge", {"by": "x" * 81}, "too long"),
    ("acknowledge", {"by": "a\x00b"}, "cannot be printed"),
    ("acknowledge", {"by": "a\u202eb"}, "cannot be printed"),
    ("acknowledge", {"by": "a\ud800"}, "cannot be printed"),
    ("acknowledge", {"by": ["x"]}, "must be text"),
    ("acknowledge", {"by": None}, "must be text"),
    ("acknowledge", {"by": "x", "why": "y" * 501}, "too long"),
    ("shelve", {"by": "x", "for": "1 h"}, "Why is it shelved?"),
    ("shelve", {"by": "x", "why": "y"}, "Say how long"),
    ("shelve", {"by": "x", "why": "y", "for": "1 h", "until": "2026-07-19T12:10:05Z"},
     "Say how long"),
    ("shelve", {"by": "x", "why": "y", "for": "31 d"}, "within 30 days"),
    ("shelve", {"by": "x", "why": "y", "for": "forever"}, "'for' is not a duration"),
    ("shelve", {"by": "x", "why": "y", "for": True}, "must be text"),
    ("shelve", {"by": "x", "why": "y", "for": 1e300}, "'for' is not a duration"),
    ("shelve", {"by": "x", "why": "y", "until": "2026-07-19T07:00:00Z"}, "in the future"),
    ("shelve", {"by": "x", "why": "y", "until": "2026-07-19"}, "'until' is not a time"),
    ("shelve", {"by": "x", "why": "y", "until": "2999-01-01T00:00:00Z"}, "'until' is not a time"),
])
async def test_a_missing_or_wrong_field_is_said_plainly(
    client: httpx.AsyncClient, site: FakeSite, deed: str, body: dict[str, object], words: str
) -> None:
    answer = await client.post(path(deed), content=json.dumps(body),
                               headers=BEARER | {"content-type": "application/json"})
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert len(answer.text) < 400
    assert site.actions == []


@pytest.mark.parametrize(("kind", "content", "status"), [
    ("application/json", b"{", 400), ("application/json", b"[]", 400),
    ("application/json", b"\xff\xfe", 400), ("application/json", b"[" * 9000, 400),
    ("application/json", b'{"by":"' + b"x" * 20_000 + b'"}', 413),
    ("application/x-www-form-urlencoded", b"by=x", 415),
    ("multipart/form-data; boundary=x", b"--x--", 415), ("text/plain", b"by=x", 415),
    ("", b"", 415),
])
async def test_bodies_that_are_none(
    client: httpx.AsyncClient, site: FakeSite, kind: str, content: bytes, status: int
) -> None:
    answer = await client.post(path("acknowledge"), content=content,
                               headers=BEARER | ({"content-type": kind} if kind else {}))
    assert answer.status_code == status
    assert site.actions == []


@pytest.mark.parametrize(("kind", "content", "status"), [
    ("application/x-www-form-urlencoded", b"by=%ff%fe", 400),
    ("application/x-www-form-urlencoded", b"&".join(b"a=1" for _ in range(100)), 400),
    ("application/json", b'{"by":"x"}', 415),
    ("multipart/form-data; boundary=x", b"--x--", 415), ("text/plain", b"by=x", 415),
    ("", b"", 415),
])
async def test_forms_that_are_none(
    client: httpx.AsyncClient, site: FakeSite, kind: str, content: bytes, status: int
) -> None:
    answer = await client.post(form_path("acknowledge"), content=content,
                               headers=BEARER | ({"content-type": kind} if kind else {}))
    assert answer.status_code == status
    assert site.actions == []


@pytest.mark.parametrize("deed", ["suppress", "unsuppress", "delete", "raise"])
async def test_no_other_deed_is_offered(
    client: httpx.AsyncClient, site: FakeSite, deed: str
) -> None:
    answer = await client.post(path(deed), json={"by": "x"}, headers=BEARER)
    assert answer.status_code == 404
    assert site.actions == []


async def test_reading_an_action_address_does_nothing(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    assert (await client.get(path("acknowledge"), headers=BEARER)).status_code == 405
    assert site.actions == []
