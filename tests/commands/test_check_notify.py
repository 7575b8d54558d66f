"""``check --notify``: a marked message to everybody, by a real SMTP server; who is on duty."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from collector.cli import main
from tests.notify.mailserver import MailServer, free_port

SITE = """
[site]
id = "fenmoor"
name = "Fenmoor Cold Store"
timezone = "Europe/London"

[[risers]]
id = "r1"

[[people]]
id = "ann"
name = "Ann Archer"
to = "{ann}"

[[people]]
id = "ben"
to = "{ben}"

[[rotas]]
id = "weeks"
people = ["ann", "ben"]
begins = 2026-01-05

[[recipients]]
id = "on-call"
rota = "weeks"

[[recipients]]
id = "desk"
to = "{desk}"
"""


def _site(folder: Path, **to: str) -> str:
    path = folder / "site.toml"
    path.write_text(SITE.format(**to))
    return str(path)


def test_everybody_gets_one_that_nobody_takes_for_an_alarm(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    with MailServer().serving() as server:
        site = _site(tmp_path, **{n: server.address(to=f"{n}@example.org")
                                  for n in ("ann", "ben", "desk")})
        assert main(["check", site, "--notify"]) == 0
    said = capsys.readouterr().out
    assert "  ann (Ann Archer): accepted\n  ben: accepted\n" in said
    assert re.search(r"^rota weeks: (Ann Archer|ben) is on duty until Monday \d+ .*; then ", said,
                     re.MULTILINE)
    assert sorted(str(m["to"]) for m in server.mails) == [
        f"{n}@example.org" for n in ("ann", "ben", "desk")]
    for mail in server.mails:
        assert str(mail["subject"]) == "TEST, no alarm – messages reach you · Fenmoor Cold Store"
        part = mail.get_body(("plain",))
        assert part is not None
        assert "This is a test and no alarm." in str(part.get_content())


def test_one_that_is_not_taken_is_named_and_the_status_is_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    with MailServer().serving() as server:
        server.rcpt = ["550 no such mailbox"]
        dead = f"mailto://127.0.0.1:{free_port()}/?from=a@b.org&to=c@d.org&mode=insecure"
        site = _site(tmp_path, ann=server.address(), ben=dead, desk="http://127.0.0.1:9/s3cret")
        assert main(["check", site, "--notify"]) == 1
    said = capsys.readouterr().out
    assert re.search(r"ann \(Ann Archer\): NOT accepted: .*550", said)
    assert re.search(r"ben: NOT accepted: ", said)
    assert re.search(r"desk: NOT accepted: the web hook could not be reached", said)
    assert "s3cret" not in said


def test_a_web_hook_gets_the_fact(tmp_path: Path) -> None:
    from tests.integration.support import hook
    with hook() as far:
        site = _site(tmp_path, ann=far.address, ben=far.address + "2", desk=far.address + "3")
        assert main(["check", site, "--notify"]) == 0
    assert {json.dumps(e["kind"]) for e in far.received} == {'"test-message"'}


def test_without_it_nobody_is_written_to(tmp_path: Path) -> None:
    with MailServer().serving() as server:
        site = _site(tmp_path, **{n: server.address(to=f"{n}@example.org")
                                  for n in ("ann", "ben", "desk")})
        assert main(["check", site]) == 0
    assert server.mails == []
