"""The file of the accounts: what it keeps, who can read it, what it refuses."""

from __future__ import annotations

import sqlite3
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type

from collector.domain.errors import UsageError
from collector.people import Accounts, AccountsError, Passwords, Role

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
GOOD = "a riser and its vent"


@pytest.fixture
def accounts(tmp_path: Path) -> Iterator[Accounts]:
    made = Accounts(tmp_path / "people.sqlite", Passwords(CHEAP))
    yield made
    made.close()


def test_there_is_nobody_at_first(accounts: Accounts) -> None:
    assert accounts.people() == []


def test_an_account_and_its_changes(accounts: Accounts) -> None:
    accounts.add(" J.  Whitlock ", Role.RESPOND, GOOD, 1000)
    assert accounts.verify("j. whitlock", GOOD) == "J. Whitlock"
    assert accounts.verify("J. Whitlock", GOOD + " ") is None
    accounts.set_role("J. Whitlock", Role.MANAGE, 2000)
    accounts.set_password("J. WHITLOCK", "quite another one", 3000)
    (one,) = accounts.people()
    assert (one.name, one.role, one.created, one.changed, one.seen) == (
        "J. Whitlock", Role.MANAGE, 1000, 3000, None)
    assert accounts.verify("J. Whitlock", GOOD) is None
    accounts.remove("J. Whitlock")
    assert accounts.people() == []


def test_a_password_survives_another_keyboard(accounts: Accounts) -> None:
    accounts.add("x", Role.LOOK, "Tür zum Kühlraum", 0)  # composed
    assert accounts.verify("x", "Tür zum Kühlraum") == "x"  # the same, decomposed


def test_nothing_that_is_kept_can_be_used(accounts: Accounts, tmp_path: Path) -> None:
    accounts.add("J. Whitlock", Role.LOOK, GOOD, 0)
    assert stat.S_IMODE((tmp_path / "people.sqlite").stat().st_mode) == 0o600
    (kept,) = sqlite3.connect(tmp_path / "people.sqlite").execute(
        "SELECT hash FROM people").fetchone()
    assert GOOD not in kept
    assert extract_parameters(kept).type is Type.ID


def test_the_real_settings_are_those_of_rfc_9106() -> None:
    kept = extract_parameters(Passwords().hash(GOOD, "x"))
    # RFC 9106, section 4, second recommended option: t = 3, p = 4, m = 64 MiB, 16-byte salt.
    assert (kept.type, kept.time_cost, kept.parallelism, kept.memory_cost, kept.salt_len) == (
        Type.ID, 3, 4, 65_536, 16)


@pytest.mark.parametrize("password", [
    "", "short", "123456789", "aaaaaaaaaaaaaaa", "abababababab", "x" * 201, "J. Whitlock",
])
def test_weak_passwords_are_refused(accounts: Accounts, password: str) -> None:
    with pytest.raises(UsageError, match="password"):
        accounts.add("J. Whitlock", Role.LOOK, password, 0)
    assert accounts.people() == []


@pytest.mark.parametrize("name", ["", "   ", "x" * 61, "a\x00b", "a\u202eb"])
def test_names_that_cannot_be_shown_are_refused(accounts: Accounts, name: str) -> None:
    with pytest.raises(UsageError, match="a name has"):
        accounts.add(name, Role.LOOK, GOOD, 0)


def test_one_name_is_one_person(accounts: Accounts) -> None:
    accounts.add("J. Whitlock", Role.LOOK, GOOD, 0)
    with pytest.raises(UsageError, match="already"):
        accounts.add("j.  WHITLOCK", Role.MANAGE, GOOD, 0)


def test_whoever_is_not_there_cannot_be_changed(accounts: Accounts) -> None:
    for change in (lambda: accounts.set_role("x", Role.LOOK, 0), lambda: accounts.remove("x"),
                   lambda: accounts.set_password("x", GOOD, 0)):
        with pytest.raises(UsageError, match='no account "x"'):
            change()


def test_a_damaged_file_is_said(tmp_path: Path) -> None:
    path = tmp_path / "people.sqlite"
    path.write_bytes(b"not a database, whatever it says" * 40)
    with pytest.raises(AccountsError, match="cannot be used"):
        Accounts(path)


def test_a_file_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "people.sqlite"
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(AccountsError, match="newer"):
        Accounts(path)


def test_a_hash_made_with_older_settings_is_replaced_at_sign_in(tmp_path: Path) -> None:
    path = tmp_path / "people.sqlite"
    older = Accounts(path, Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)))
    older.add("J. Whitlock", Role.LOOK, GOOD, 0)
    older.close()
    today = Accounts(path, Passwords(PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)))

    def kept() -> str:
        with today.reading() as db:
            return str(db.execute("SELECT hash FROM people").fetchone()[0])

    before = kept()
    assert today.verify("J. Whitlock", "not the password") is None
    assert kept() == before
    assert today.verify("J. Whitlock", GOOD) == "J. Whitlock"
    assert extract_parameters(kept()).time_cost == 2
    settled = kept()
    assert today.verify("J. Whitlock", GOOD) == "J. Whitlock"
    assert kept() == settled
    today.close()
