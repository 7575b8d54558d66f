"""Guesses at the board: who guesses is delayed, and nobody else for long."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from collector.clock import ManualClock
from collector.people import Accounts, Passwords, Role
from collector.people.sessions import SessionManager, TooManyAttempts, WrongPassword
from collector.web import create_app
from collector.web.app import serve
from tests.config.conftest import Folder, folder
from tests.people.test_accounts import CHEAP, GOOD
from tests.web.conftest import client_of, sign_in
from tests.web.fakes import TOKEN, FakeSite

__all__ = ["folder"]

OFFICE, STRANGER = "203.0.113.7", "198.51.100.9"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(1_784_448_605_000)


@pytest.fixture
def keeper(tmp_path: Path, clock: ManualClock) -> Iterator[SessionManager]:
    people = Accounts(tmp_path / "people.sqlite", Passwords(CHEAP))
    people.add("J. Whitlock", Role.RESPOND, GOOD, 0)
    people.add("Ann", Role.RESPOND, GOOD, 0)
    yield SessionManager(people, clock)
    people.close()


async def guess(keeper: SessionManager, name: str, address: str, count: int = 12) -> None:
    for n in range(count):
        with pytest.raises((WrongPassword, TooManyAttempts)):
            await keeper.sign_in(name, f"guess {n}", address)


async def test_a_strangers_guesses_do_not_keep_the_owner_out(keeper: SessionManager) -> None:
    await guess(keeper, "J. Whitlock", STRANGER)
    assert await keeper.sign_in("J. Whitlock", GOOD, OFFICE)


@pytest.mark.parametrize("stranger", [OFFICE, STRANGER])
async def test_a_known_device_gets_in_whatever_is_guessed(
    keeper: SessionManager, stranger: str,
) -> None:
    mark = keeper.device_mark("J. Whitlock")
    for n in range(8):
        await guess(keeper, "J. Whitlock", stranger)
        await guess(keeper, f"made up {n}", stranger)
        await guess(keeper, "J. Whitlock", f"192.0.2.{n}")
    assert await keeper.sign_in("j.  whitlock", GOOD, OFFICE, mark)


async def test_an_address_where_the_name_signed_in_before_passes_made_up_names(
    keeper: SessionManager,
) -> None:
    await keeper.sign_in("Ann", GOOD, OFFICE)
    for n in range(20):
        await guess(keeper, f"made up {n}", OFFICE, 1)
    assert await keeper.sign_in("Ann", GOOD, OFFICE)


async def test_beside_made_up_names_a_new_device_waits_ten_seconds_at_most(
    keeper: SessionManager, clock: ManualClock,
) -> None:
    for n in range(40):
        await guess(keeper, f"made up {n}", OFFICE, 1)
        clock.advance(10_000)
    await guess(keeper, "made up", OFFICE, 1)
    with pytest.raises(TooManyAttempts) as held:
        await keeper.sign_in("Ann", GOOD, OFFICE)
    assert held.value.wait == 10
    clock.advance(10_000)
    assert await keeper.sign_in("Ann", GOOD, OFFICE)


async def test_a_device_guesses_no_faster_than_a_stranger(
    keeper: SessionManager, clock: ManualClock,
) -> None:
    mark, looked_at = keeper.device_mark("J. Whitlock"), 0
    for second in range(3600):
        try:
            await keeper.sign_in("J. Whitlock", f"guess {second}", f"192.0.2.{second % 250}", mark)
        except WrongPassword:
            looked_at += 1
        except TooManyAttempts:
            pass
        clock.advance(1000)
    assert looked_at < 80


@pytest.mark.parametrize("mark", [
    "", ".", "x.y", "x." + "0" * 64, "é" * 40, "a" * 10_000, "ö.ü", "\x00.\x00"])
async def test_a_made_up_mark_is_no_known_device(keeper: SessionManager, mark: str) -> None:
    await guess(keeper, "J. Whitlock", OFFICE)
    with pytest.raises(TooManyAttempts):
        await keeper.sign_in("J. Whitlock", GOOD, OFFICE, mark)


async def test_a_mark_is_of_one_name_and_of_one_password(keeper: SessionManager) -> None:
    mark = keeper.device_mark("Ann")
    await guess(keeper, "J. Whitlock", OFFICE)
    with pytest.raises(TooManyAttempts):
        await keeper.sign_in("J. Whitlock", GOOD, OFFICE, mark)
    keeper.accounts.set_password("Ann", "another ten characters", 1)
    await guess(keeper, "Ann", OFFICE)
    with pytest.raises(TooManyAttempts):
        await keeper.sign_in("Ann", "another ten characters", OFFICE, mark)


async def test_addresses_of_one_network_are_one(keeper: SessionManager) -> None:
    for n in range(5):
        await guess(keeper, "Ann", f"2001:db8::{n:x}", 1)
    with pytest.raises(TooManyAttempts):
        await keeper.sign_in("Ann", GOOD, "2001:db8::77:1")
    assert await keeper.sign_in("Ann", GOOD, "2001:db8:0:1::1")


async def test_a_token_that_was_right_before_is_not_delayed_by_wrong_ones(
    keeper: SessionManager,
) -> None:
    long = "f2a95e0c7d114b6e"
    assert keeper.check_token(long.encode(), long, OFFICE)
    for n in range(5):
        assert not keeper.check_token(f"guess {n}".encode(), long, OFFICE)
    with pytest.raises(TooManyAttempts):
        keeper.check_token(b"guess", long, OFFICE)
    assert keeper.check_token(long.encode(), long, OFFICE)


async def test_a_short_token_is_delayed_with_the_wrong_ones(keeper: SessionManager) -> None:
    assert keeper.check_token(b"short", "short", OFFICE)
    for n in range(5):
        keeper.check_token(f"guess {n}".encode(), "short", OFFICE)
    with pytest.raises(TooManyAttempts):
        keeper.check_token(b"short", "short", OFFICE)


async def test_wrong_tokens_delay_no_person(app: FastAPI) -> None:
    async with client_of(app) as client:
        for n in range(8):
            await client.get("/", headers={"authorization": f"Bearer guess{n}"})
        assert (await sign_in(client, "R. Okafor")).status_code == 303


async def test_the_browser_that_signed_in_is_known_again(app: FastAPI, site: FakeSite) -> None:
    async with client_of(app) as owner, client_of(app) as stranger:
        assert (await sign_in(owner, "R. Okafor")).status_code == 303
        for name in ("quietpipe", "quietpipe-door"):
            owner.cookies.pop(name, None)
        for _ in range(7):
            await sign_in(stranger, "R. Okafor", "guess")
        assert (await sign_in(stranger, "R. Okafor")).status_code == 429
        assert (await sign_in(owner, "R. Okafor")).status_code == 303


@pytest.mark.parametrize(("proxies", "statuses"), [
    ((), [401] * 5 + [429] * 3), (("127.0.0.1",), [401] * 8), (("127.0.0.0/8",), [401] * 8),
    (("192.0.2.1",), [401] * 5 + [429] * 3)])
async def test_the_address_that_a_configured_proxy_names_is_the_clients(
    app: FastAPI, proxies: tuple[str, ...], statuses: list[int],
) -> None:
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(
        serve(app, "127.0.0.1", 0, ready.set_result, proxies=proxies))
    got = []
    async with httpx.AsyncClient(base_url=await ready) as client:
        for n in range(8):
            # What a client claims stands left of what the proxy itself has added.
            client.headers["x-forwarded-for"] = f"127.0.0.1, 198.51.100.{n}"
            got.append((await client.get(
                "/api/v1/status", headers={"authorization": f"Bearer guess{n}"})).status_code)
        assert (await client.get("/account")).status_code in (401, 404)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    assert got == statuses


@pytest.mark.parametrize("text", ["proxy.example", "10.0.0.1/8", "*", "0.0.0.0/0", "::/0", "1.2"])
def test_a_proxy_that_is_no_address_is_a_mistake(folder: Folder, text: str) -> None:  # noqa: F811
    (mistake,) = folder.add(f'\n[board]\nproxies = ["{text}"]\n').mistakes()
    assert "board.proxies[0]" in mistake.place
    assert "not an address or a network" in mistake.problem


@pytest.mark.parametrize(("base", "sent"), [
    ("http://board.test", None), ("https://board.test", "max-age=31536000")])
async def test_a_browser_that_came_by_https_is_held_to_it(
    site: FakeSite, base: str, sent: str | None,
) -> None:
    site.public_address = "https://board.example"
    app = create_app(site.services())
    async with client_of(app, base=base) as client:
        answer = await client.get("/sign-in")
        assert answer.headers.get("strict-transport-security") == sent
    async with client_of(app, base="http://board.example") as behind_a_proxy:
        answer = await behind_a_proxy.get("/sign-in")
        assert answer.headers["strict-transport-security"] == "max-age=31536000"
        assert TOKEN not in answer.text
