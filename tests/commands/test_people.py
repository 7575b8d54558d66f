"""``quietpipe people`` as a person calls it."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli import main
from collector.people import Accounts

SITE = '[site]\nid = "fenmoor"\ntimezone = "Europe/London"\n'


@pytest.fixture
def site(tmp_path: Path) -> str:
    (tmp_path / "site.toml").write_text(SITE)
    (tmp_path / "word").write_text("a riser and its vent\nnot this line\n")
    return str(tmp_path / "site.toml")


def test_from_the_first_account_to_the_last(
    site: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    word = str(tmp_path / "word")
    assert main(["people", site, "list"]) == 0
    assert capsys.readouterr().out == ""
    assert main(["people", site, "add", "J. Whitlock", "--role", "respond",
                 "--password-file", word]) == 0
    assert main(["people", site, "role", "J. Whitlock", "--role", "manage"]) == 0
    capsys.readouterr()
    assert main(["people", site, "list"]) == 0
    name, role, _, seen = capsys.readouterr().out.rstrip("\n").split("\t")
    assert (name, role, seen) == ("J. Whitlock", "manage", "never")
    accounts = Accounts(tmp_path / "var" / "fenmoor" / "people.sqlite")
    assert accounts.verify("J. Whitlock", "a riser and its vent")
    accounts.close()
    assert main(["people", site, "remove", "J. Whitlock"]) == 0
    assert main(["people", site, "remove", "J. Whitlock"]) == 2
    assert 'no account "J. Whitlock"' in capsys.readouterr().err


@pytest.mark.parametrize(("call", "words"), [
    (["add", "x"], "needs a --role"), (["add"], "needs a NAME"), (["role", "x"], "needs a --role"),
    (["add", "x", "--role", "look", "--password-file", "/nowhere/at/all"], "cannot be read"),
    (["add", "x", "--role", "look"], "no terminal"),
])
def test_a_wrong_call_is_said_plainly(
    site: str, capsys: pytest.CaptureFixture[str], call: list[str], words: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert main(["people", site, *call]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err


def test_the_password_is_asked_twice_and_must_be_the_same(
    site: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    given = iter(["a riser and its vent", "a riser and its bend"])
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(given))
    assert main(["people", site, "add", "x", "--role", "look"]) == 2
    assert "the two differ" in capsys.readouterr().err
    monkeypatch.setattr("getpass.getpass", lambda prompt: "a riser and its vent")
    assert main(["people", site, "add", "x", "--role", "look"]) == 0
