"""What somebody might try at the board, by name, and that none of it gets in."""

from __future__ import annotations

import httpx
import pytest
from fastapi import Depends, FastAPI

from collector.domain.actions import ActionKind
from collector.people import Role
from collector.people.sessions import IDLE
from collector.web import create_app
from collector.web.access import require
from collector.web.api.action_routes import ACTIONS
from tests.web.conftest import Signed, client_of, mark_in, sign_in
from tests.web.fakes import PASSWORD, TOKEN, FakeSite, declared

ACKNOWLEDGE = "/api/v1/alarms/compressor-long-run.gen1.1784447590/acknowledge"
FORM = ACKNOWLEDGE.removeprefix("/api/v1")
"""Where the board's form goes: the same path, which takes no JSON."""
TARGETS = {
    "alarm": "compressor-long-run.gen1.1784447590", "fill": "r1",
    "impairment": "r1", "visit": "gen1", "baseline": "compressor-delivery.gen1",
}
ASKED = {"why": "because", "for": "1 h"}


def path_of(deed: ActionKind) -> str:
    asked = ACTIONS[deed]
    base = asked.target.path.replace(f"{{{asked.target.parameter}}}",
                                      TARGETS[asked.target.name])
    return f"{base}/{asked.segment}"


async def mark(client: httpx.AsyncClient) -> str:
    return mark_in((await client.get("/account")).text)


# -- sign-in -------------------------------------------------------------------------------------

async def test_brute_force_on_one_account_is_held_up_even_with_the_right_password(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    answers = [await sign_in(client, "R. Okafor", f"guess number {n}") for n in range(8)]
    assert [a.status_code for a in answers] == [401] * 5 + [429] * 3
    assert answers[-1].headers["retry-after"] == "1"
    assert (await sign_in(client, "R. Okafor")).status_code == 429
    assert [n[0] for n in site.notes] == ["sign-in-held-up"]  # once, whatever the tries
    site.real.advance(60_000)
    assert (await sign_in(client, "R. Okafor")).status_code == 303


async def test_brute_force_from_many_addresses_is_held_up_by_the_account(app: FastAPI) -> None:
    codes = []
    for number in range(7):
        async with client_of(app, f"198.51.100.{number}") as client:
            codes.append((await sign_in(client, "R. Okafor", "guess")).status_code)
    assert codes == [401] * 5 + [429] * 2


async def test_many_names_from_one_address_are_held_up_by_the_address(
    client: httpx.AsyncClient
) -> None:
    codes = [(await sign_in(client, f"name {n}", "guess")).status_code for n in range(7)]
    assert codes == [401] * 5 + [429] * 2


async def test_a_forged_forwarded_address_does_not_escape_the_limit(
    client: httpx.AsyncClient
) -> None:
    codes = []
    for number in range(7):
        client.headers["x-forwarded-for"] = f"192.0.2.{number}"
        codes.append((await sign_in(client, f"name {number}", "guess")).status_code)
    assert codes[-1] == 429


async def test_which_names_exist_cannot_be_told(app: FastAPI) -> None:
    pages = []
    for name in ("R. Okafor", "nobody-here"):
        async with client_of(app) as client:
            answer = await sign_in(client, name, "wrong password")
            form = mark_in(answer.text, "mark")
            pages.append((answer.status_code, answer.text.replace(name, "").replace(form, "")))
    assert pages[0] == pages[1]


async def test_guessing_the_token_is_held_up(client: httpx.AsyncClient, site: FakeSite) -> None:
    codes = []
    for number in range(7):
        answer = await client.post(ACKNOWLEDGE, json={"by": "x"},
                                   headers={"authorization": f"Bearer guess{number}"})
        codes.append(answer.status_code)
    assert codes == [401] * 5 + [429] * 2
    right = {"authorization": f"Bearer {TOKEN}".encode()}
    held = await client.post(ACKNOWLEDGE, json={"by": "x"}, headers=right)
    assert held.status_code == 429
    assert site.actions == []


@pytest.mark.parametrize("field", ["name", "password", "next", "mark"])
async def test_a_sign_in_with_huge_or_missing_fields(
    client: httpx.AsyncClient, field: str
) -> None:
    form = {"name": "x", "password": "y", "next": "/",
            "mark": mark_in((await client.get("/sign-in")).text, "mark")}
    assert (await client.post("/sign-in", data=form | {field: "x" * 5000})).status_code == 400
    del form[field]
    assert (await client.post("/sign-in", data=form)).status_code in (401, 403)


async def test_signing_somebody_in_from_another_page_is_refused(client: httpx.AsyncClient) -> None:
    form = {"name": "R. Okafor", "password": PASSWORD}
    page = (await client.get("/sign-in")).text
    assert (await client.post("/sign-in", data=form)).status_code == 403
    mine = form | {"mark": mark_in(page, "mark")}
    other = await client.post("/sign-in", data=mine, headers={"origin": "http://evil.test"})
    assert other.status_code == 403
    client.cookies.clear()  # the mark of somebody else's visit
    assert (await client.post("/sign-in", data=mine)).status_code == 403


# -- sessions ------------------------------------------------------------------------------------

async def test_session_fixation_an_id_brought_along_is_never_taken_on(
    client: httpx.AsyncClient
) -> None:
    planted = "A" * 43
    client.cookies.set("quietpipe", planted, domain="board.test")
    answer = await sign_in(client, "R. Okafor")
    given = answer.cookies["quietpipe"]
    assert given != planted
    fresh = client_of(client._transport.app)  # type: ignore[attr-defined]
    async with fresh:
        fresh.cookies.set("quietpipe", planted, domain="board.test")
        assert (await fresh.get("/account")).status_code != 200


async def test_the_session_of_before_ends_when_somebody_signs_in(
    app: FastAPI, signed: Signed
) -> None:
    client = await signed("R. Okafor")
    old = client.cookies["quietpipe"]
    await sign_in(client, "L. Ames")
    async with client_of(app) as other:
        other.cookies.set("quietpipe", old, domain="board.test")
        assert (await other.get("/account")).status_code == 404


@pytest.mark.parametrize("cookie", [
    "", "x", "A" * 43, "' OR 1=1 --", "../../people.sqlite", "A" * 5000, "%00", "null",
])
async def test_forged_cookies_open_nothing(
    client: httpx.AsyncClient, site: FakeSite, cookie: str
) -> None:
    client.cookies.set("quietpipe", cookie, domain="board.test")
    assert (await client.get("/account")).status_code == 404
    assert (await client.post(FORM, data={"csrf": cookie})).status_code == 401
    assert site.actions == []


async def test_expired_and_signed_out_cookies_are_dead(signed: Signed, site: FakeSite) -> None:
    idle, left = await signed("R. Okafor"), await signed("J. Whitlock")
    stolen = left.cookies["quietpipe"]
    gone = await left.post("/sign-out", data={"csrf": await mark(left)})
    assert "Max-Age=0" in gone.headers["set-cookie"]
    left.cookies.set("quietpipe", stolen, domain="board.test")
    assert (await left.post(FORM, data=ASKED)).status_code == 401
    form = ASKED | {"csrf": await mark(idle)}
    site.real.advance(IDLE)
    assert (await idle.post(FORM, data=form)).status_code == 401
    assert site.actions == []


async def test_another_password_throws_out_whoever_stole_a_session(
    signed: Signed, site: FakeSite
) -> None:
    thief, owner = await signed("R. Okafor"), await signed("R. Okafor")
    form = {"csrf": await mark(owner), "old": PASSWORD, "new": "quite another one",
            "again": "quite another one"}
    assert (await owner.post("/account/password", data=form)).status_code == 303
    assert (await thief.get("/account")).status_code == 404


async def test_a_stolen_session_cannot_set_a_password_without_the_old_one(signed: Signed) -> None:
    thief = await signed("R. Okafor")
    form = {"csrf": await mark(thief), "new": "quite another one", "again": "quite another one"}
    codes = [(await thief.post("/account/password", data=form | {"old": f"guess {n}"})).status_code
             for n in range(7)]
    assert codes == [400] * 5 + [429] * 2


async def test_the_cookie_is_kept_from_scripts_other_sites_and_open_wires(site: FakeSite) -> None:
    site.public_address = "https://board.test"
    async with client_of(create_app(site.services()), base="https://board.test") as client:
        answer = await sign_in(client, "R. Okafor")
    cookie = next(c for c in answer.headers.get_list("set-cookie") if "Max-Age=604800" in c)
    assert cookie.startswith("__Host-quietpipe=")
    assert {"HttpOnly", "SameSite=strict", "Secure", "Path=/"} <= set(cookie.split("; "))
    assert "Domain" not in cookie


# -- cross-site requests -------------------------------------------------------------------------

@pytest.mark.parametrize("deed", list(ACTIONS))
@pytest.mark.parametrize("sent", ["missing", "wrong", "of another session"])
async def test_a_form_without_its_mark_does_nothing(
    signed: Signed, site: FakeSite, deed: ActionKind, sent: str
) -> None:
    site.fills = [declared()]
    client, other = await signed("R. Okafor"), await signed("J. Whitlock")
    form = ASKED | {"missing": {}, "wrong": {"csrf": "x" * 43},
                    "of another session": {"csrf": await mark(other)}}[sent]
    answer = await client.post(path_of(deed).removeprefix("/api/v1"), data=form)
    assert answer.status_code == 403
    assert "has expired" in answer.text
    assert site.actions == []


@pytest.mark.parametrize("headers", [
    {"origin": "http://evil.test"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"}, {"origin": "http://board.test.evil.test"},
], ids=str)
@pytest.mark.parametrize("path", [FORM, ACKNOWLEDGE, "/sign-out", "/sign-in", "/account/password"])
async def test_cross_origin_posts_are_refused_even_with_the_mark(
    signed: Signed, site: FakeSite, path: str, headers: dict[str, str]
) -> None:
    client = await signed("R. Okafor")
    answer = await client.post(path, data={"csrf": await mark(client)}, headers=headers)
    assert answer.status_code == 403
    assert site.actions == []


async def test_json_of_a_signed_in_browser_needs_the_mark_too(
    signed: Signed, site: FakeSite
) -> None:
    client = await signed("R. Okafor")
    assert (await client.post(ACKNOWLEDGE, json={"by": "x"})).status_code == 403
    assert site.actions == []
    done = await client.post(ACKNOWLEDGE, json={"by": "somebody else"},
                             headers={"x-csrf-token": await mark(client)})
    assert done.status_code == 200
    assert [a.by for a in site.actions] == ["R. Okafor"]  # nobody signs for another


# -- roles ---------------------------------------------------------------------------------------

@pytest.mark.parametrize("deed", list(ACTIONS))
@pytest.mark.parametrize("name", ["L. Ames", "J. Whitlock"])
async def test_too_small_a_role_is_refused_for_each_deed(
    signed: Signed, site: FakeSite, name: str, deed: ActionKind
) -> None:
    client = await signed(name)
    mine = Role.LOOK if name == "L. Ames" else Role.RESPOND
    answer = await client.post(path_of(deed).removeprefix("/api/v1"),
                               data=ASKED | {"csrf": await mark(client)})
    if mine.may(ACTIONS[deed].role):
        assert answer.status_code != 403
    else:
        assert (answer.status_code, site.actions) == (403, [])
        assert "This needs the role" in answer.text


async def test_a_role_taken_away_holds_for_the_next_request(
    signed: Signed, site: FakeSite
) -> None:
    client = await signed("R. Okafor")
    form = ASKED | {"csrf": await mark(client)}
    assert site.accounts is not None
    site.accounts.set_role("R. Okafor", Role.LOOK, 1)
    assert (await client.post(FORM, data=form)).status_code == 403
    site.accounts.remove("R. Okafor")
    assert (await client.post(FORM, data=form)).status_code == 401
    assert site.actions == []


async def test_a_route_that_somebody_adds_and_forgets_to_guard_is_shut(
    site: FakeSite, signed: Signed, app: FastAPI
) -> None:
    site.reading = "signed-in"
    shut = create_app(site.services())

    @shut.get("/forgotten")
    async def forgotten() -> str:
        return "secret"

    @shut.post("/forgotten")
    async def changed() -> str:
        return "changed"

    @app.get("/managers", dependencies=[Depends(require(Role.MANAGE))])
    async def managers() -> str:
        return "for managers"

    async with client_of(shut) as client:
        assert (await client.get("/forgotten")).status_code == 401
        assert (await client.post("/forgotten")).status_code == 401
    assert (await (await signed("J. Whitlock")).get("/managers")).status_code == 403
    assert (await (await signed("R. Okafor")).get("/managers")).status_code == 200


# -- reading -------------------------------------------------------------------------------------

READING = ("/", "/api/v1/status", "/api/v1/alarms", "/api/v1/estimates", "/metrics", "/explain",
           "/api/v1/series?point=gen1.tank_pressure", "/api/v1/fills", "/api/v1/baselines")


@pytest.mark.parametrize("path", READING)
async def test_a_board_on_the_network_shows_nothing_to_strangers(
    site: FakeSite, path: str
) -> None:
    site.reading = None
    async with client_of(create_app(site.services())) as stranger:
        assert (await stranger.get(path)).status_code == 401
        page = await stranger.get(path, headers={"accept": "text/html"})
        assert (page.status_code, page.headers["location"].partition("?")[0]) == (303, "/sign-in")
        program = await stranger.get(path, headers={"authorization": f"Bearer {TOKEN}".encode()})
        assert program.status_code == 200


@pytest.mark.parametrize(("host", "headers", "address", "opens"), [
    ("127.0.0.1:8600", {}, "127.0.0.1", True), ("localhost", {}, "127.0.0.1", True),
    ("[::1]:8600", {}, "::1", True),
    ("rebound.evil.test", {}, "127.0.0.1", False),  # a name made to point at this machine
    ("127.0.0.1", {"x-forwarded-for": "203.0.113.9"}, "127.0.0.1", False),  # through a proxy
    ("127.0.0.1", {"forwarded": "for=203.0.113.9"}, "127.0.0.1", False),
    ("127.0.0.1", {}, "203.0.113.9", False), ("127.0.0.1.evil.test", {}, "127.0.0.1", False),
    ("", {}, "127.0.0.1", False),
], ids=str)
async def test_only_who_sits_at_the_machine_reads_without_signing_in(
    site: FakeSite, host: str, headers: dict[str, str], address: str, opens: bool
) -> None:
    site.reading = None
    async with client_of(create_app(site.services()), address) as client:
        answer = await client.get("/api/v1/status", headers=headers | {"host": host})
    assert (answer.status_code == 200) is opens


async def test_signed_in_only_means_so_at_the_machine_too(site: FakeSite) -> None:
    site.reading = "signed-in"
    async with client_of(create_app(site.services()), "127.0.0.1") as client:
        assert (await client.get("/", headers={"host": "localhost"})).status_code == 401
        assert (await client.get("/healthz")).status_code == 200
        assert (await client.get("/sign-in")).status_code == 200


# -- injection and redirects ---------------------------------------------------------------------

@pytest.mark.parametrize("back", [
    "https://evil.test/", "//evil.test/", "/\\evil.test", "\\\\evil.test", "/%09/evil.test\n",
    "javascript:alert(1)", "/\t/evil.test", "http:evil.test", " //evil.test",
    "/a\r\nset-cookie: x=y",
])
async def test_no_open_redirect_after_signing_in_or_acting(
    client: httpx.AsyncClient, site: FakeSite, back: str
) -> None:
    answer = await sign_in(client, "R. Okafor", next=back)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    acted = await client.post(FORM, data={"csrf": await mark(client), "back": back})
    assert (acted.status_code, acted.headers["location"]) == (303, "/alarms#live")
    assert "x" not in {c.partition("=")[0] for c in acted.headers.get_list("set-cookie")}


async def test_html_in_a_reason_a_name_and_an_address_stays_text(
    signed: Signed, site: FakeSite
) -> None:
    evil = '"><script>alert(1)</script><img src=x onerror=alert(1)>'
    client = await signed("R. Okafor")
    path = FORM.replace("acknowledge", "shelve")
    await client.post(path, data=ASKED | {"why": evil, "csrf": await mark(client)})
    assert site.alarms[1].why == evil
    for address in ("/", "/account"):
        page = (await client.get(address)).text
        assert "<script>alert" not in page
        assert "<img src=x" not in page
    for place in (f"/sign-in?next={evil}", f"/explain/{evil}", f"/{evil}"):
        text = (await client.get(place, headers={"accept": "text/html"})).text
        assert "<script>alert" not in text
    failed = await sign_in(client, evil, "wrong")
    assert "<script>alert" not in failed.text
    assert "&lt;script&gt;" in failed.text


@pytest.mark.parametrize("path", [
    "/static/..%2fdoor.py", "/static/%2e%2e/door.py", "/static/board.css%00", "/static//etc/passwd",
    "/static/....//door.py", "/explain/..%2f..%2fpeople.sqlite",
])
async def test_no_path_leads_out_of_the_folder(client: httpx.AsyncClient, path: str) -> None:
    answer = await client.get(path)
    assert answer.status_code == 404
    assert "import" not in answer.text


async def test_headers_do_not_fool_the_door(client: httpx.AsyncClient, site: FakeSite) -> None:
    for headers in ({"x-forwarded-user": "R. Okafor"}, {"remote-user": "R. Okafor"},
                    {"x-original-url": "/account"}, {"x-http-method-override": "POST"},
                    {"authorization": "Basic Ui4gT2thZm9yOng="}, {"x-csrf-token": "x"}):
        answer = await client.post(FORM, data={"by": "x"}, headers=headers)
        assert answer.status_code == 401
        assert (await client.get(ACKNOWLEDGE, headers=headers)).status_code == 405
    assert site.actions == []


async def test_a_body_without_end_is_cut_off(signed: Signed, site: FakeSite) -> None:
    client = await signed("R. Okafor")
    form = {"csrf": await mark(client), "why": "x" * 300_000}
    assert (await client.post(FORM, data=form)).status_code == 413
    assert site.actions == []


@pytest.mark.parametrize("path", ["/", "/sign-in", "/account", "/nowhere", "/static/board.css"])
async def test_every_answer_carries_the_strict_headers(
    client: httpx.AsyncClient, path: str
) -> None:
    headers = (await client.get(path)).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
