"""Sessions and guessing, by a clock that the test moves."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.people import Accounts, Passwords, Role
from collector.people.sessions import (
    IDLE,
    LONGEST,
    AttemptLimiter,
    SessionManager,
    TooManyAttempts,
    WrongPassword,
)
from tests.people.test_accounts import CHEAP, GOOD

HERE = "203.0.113.7"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(1_784_448_605_000)


@pytest.fixture
def accounts(tmp_path: Path) -> Iterator[Accounts]:
    made = Accounts(tmp_path / "people.sqlite", Passwords(CHEAP))
    made.add("J. Whitlock", Role.RESPOND, GOOD, 0)
    yield made
    made.close()


@pytest.fixture
def keeper(accounts: Accounts, clock: ManualClock) -> SessionManager:
    return SessionManager(accounts, clock)


async def test_each_sign_in_has_an_id_of_its_own(keeper: SessionManager) -> None:
    first = await keeper.sign_in("j. whitlock", GOOD, HERE)
    second = await keeper.sign_in("J. Whitlock", GOOD, HERE)
    assert len({first, second}) == 2
    assert len(first) >= 43  # 256 bits in base 64
    found = keeper.find(first)
    assert found is not None
    assert (found.name, found.role) == ("J. Whitlock", Role.RESPOND)
    assert found.csrf not in repr(found)


async def test_the_file_does_not_hold_the_id(keeper: SessionManager, accounts: Accounts) -> None:
    token = await keeper.sign_in("J. Whitlock", GOOD, HERE)
    with accounts.reading() as db:
        (digest,) = db.execute("SELECT digest FROM sessions").fetchone()
    assert token.encode() not in digest
    assert keeper.find(digest.hex()) is None


async def test_a_session_that_is_used_lasts_a_week_and_no_longer(
    keeper: SessionManager, clock: ManualClock
) -> None:
    token = await keeper.sign_in("J. Whitlock", GOOD, HERE)
    for _ in range(LONGEST // (IDLE - 1000)):
        clock.advance(IDLE - 1000)
        assert keeper.find(token) is not None
    clock.advance(IDLE - 1000)
    assert keeper.find(token) is None


async def test_an_idle_session_ends(keeper: SessionManager, clock: ManualClock) -> None:
    token = await keeper.sign_in("J. Whitlock", GOOD, HERE)
    clock.advance(IDLE)
    assert keeper.find(token) is None
    clock.jump(-IDLE)  # not even when the machine's clock is set back
    assert keeper.find(token) is None


@pytest.mark.parametrize("change", ["password", "remove", "end"])
async def test_what_ends_a_session_at_once(
    keeper: SessionManager, accounts: Accounts, change: str
) -> None:
    token = await keeper.sign_in("J. Whitlock", GOOD, HERE)
    session = keeper.find(token)
    assert session is not None
    if change == "password":
        await keeper.change_password(session, GOOD, "another ten characters")
    elif change == "remove":
        accounts.remove("J. Whitlock")
    else:
        keeper.end(session.digest)
    assert keeper.find(token) is None


async def test_another_role_holds_at_once(keeper: SessionManager, accounts: Accounts) -> None:
    token = await keeper.sign_in("J. Whitlock", GOOD, HERE)
    accounts.set_role("J. Whitlock", Role.LOOK, 1)
    found = keeper.find(token)
    assert found is not None
    assert found.role is Role.LOOK


async def test_nobody_and_a_wrong_password_get_the_same_answer(keeper: SessionManager) -> None:
    said = []
    for name in ("J. Whitlock", "nobody at all"):
        with pytest.raises(WrongPassword) as error:
            await keeper.sign_in(name, "wrong", HERE)
        said.append(str(error.value))
    assert said[0] == said[1]


async def test_guessing_at_one_name_slows_down_wherever_it_comes_from(
    keeper: SessionManager, clock: ManualClock
) -> None:
    for number in range(5):
        with pytest.raises(WrongPassword):
            await keeper.sign_in("J. Whitlock", f"guess {number}", f"198.51.100.{number}")
    with pytest.raises(TooManyAttempts) as held:
        await keeper.sign_in("J. Whitlock", GOOD, "198.51.100.99")  # right, and not looked at
    assert (held.value.wait, held.value.first) == (1, True)
    with pytest.raises(TooManyAttempts) as again:
        await keeper.sign_in("J. Whitlock", "x", "198.51.100.98")
    assert not again.value.first
    clock.advance(1000)
    assert await keeper.sign_in("J. Whitlock", GOOD, HERE)
    with pytest.raises(WrongPassword):  # all is forgotten after a sign-in that went well
        await keeper.sign_in("J. Whitlock", "x", HERE)


async def test_one_address_that_tries_many_names_slows_down(keeper: SessionManager) -> None:
    for number in range(5):
        with pytest.raises(WrongPassword):
            await keeper.sign_in(f"name {number}", "guess", HERE)
    with pytest.raises(TooManyAttempts):
        await keeper.sign_in("name 9", "guess", HERE)


async def test_many_tries_at_once_gain_nothing(keeper: SessionManager) -> None:
    answers = await asyncio.gather(
        *(keeper.sign_in("J. Whitlock", f"guess {n}", HERE) for n in range(50)),
        return_exceptions=True)
    assert sum(isinstance(a, WrongPassword) for a in answers) == 5
    assert sum(isinstance(a, TooManyAttempts) for a in answers) == 45


def test_the_wait_doubles_up_to_a_minute_and_is_forgotten_after_an_hour() -> None:
    throttle, now, waits = AttemptLimiter(), 0, []
    for _ in range(14):
        wait = throttle.wait(("k",), now)
        waits.append(wait)
        now += wait
        throttle.begin(("k",), now)
    assert waits == [0] * 5 + [1000, 2000, 4000, 8000, 16_000, 32_000, 60_000, 60_000, 60_000]
    assert throttle.wait(("k",), now + 3_600_000) == 0
    throttle.begin(("k",), now + 3_600_000)
    assert throttle.wait(("k",), now + 3_600_001) == 0


def test_made_up_names_do_not_fill_the_memory() -> None:
    throttle = AttemptLimiter()
    for number in range(12_000):
        throttle.begin((f"name {number}",), number)
    assert repr(throttle) == "AttemptLimiter(10000 keys)"


async def test_without_accounts_nobody_gets_in(clock: ManualClock) -> None:
    keeper = SessionManager(None, clock)
    assert not keeper.has_people()
    assert keeper.find("x" * 43) is None
