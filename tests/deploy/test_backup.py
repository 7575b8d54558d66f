"""A copy made while the journal is written is whole, and comes back as it was."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from collector.commands.upkeep import LIST, back_up, restore
from collector.domain.errors import QuietpipeError, UsageError
from collector.journal import Journal
from collector.people import PEOPLE, Accounts, Role
from tests.journal.examples import T0, fact, reading

ROOT = Path(__file__).resolve().parents[2]
SITE = '[site]\nid = "fenmoor"\ntimezone = "Europe/London"\ndata = "data"\n'


@pytest.fixture
def site(tmp_path: Path) -> Path:
    data = tmp_path / "data"
    (data / "reports").mkdir(parents=True)
    (tmp_path / "site.toml").write_text(SITE)
    (data / "reports" / "march.pdf").write_bytes(b"%PDF")
    (data / "links.key").write_text("word")
    (data / "links.key").chmod(0o600)
    accounts = Accounts(data / PEOPLE)
    accounts.add("Ada", Role.MANAGE, "a long enough password", T0)
    accounts.close()
    return tmp_path / "site.toml"


def call(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "collector.cli", "backup", *map(str, arguments)],
        capture_output=True, text=True, check=False, cwd=ROOT)


def test_there_and_back_while_the_journal_is_written(site: Path, tmp_path: Path) -> None:
    data, copy = tmp_path / "data", tmp_path / "copy"
    journal = Journal.open(data / "journal.sqlite")
    with journal:
        for n in range(200):
            journal.commit([reading(T0 + n * 1000, float(n))], [fact(T0 + n * 1000)])
        journal.settle("influx", 150)
        stop = threading.Event()
        numbers: list[int] = []

        def write() -> None:
            while not stop.is_set():
                time = T0 + (200 + len(numbers)) * 1000
                numbers.append(journal.commit([reading(time, 1.0)], []))

        writer = threading.Thread(target=write)
        writer.start()
        try:
            done = call(site, copy)
        finally:
            stop.set()
            writer.join()
    assert done.returncode == 0, done.stderr
    kept = {line.split("\t")[0] for line in done.stdout.splitlines()}
    assert kept == {"journal.sqlite", PEOPLE, "links.key", "reports/march.pdf"}
    data.rename(tmp_path / "aside")
    done = call(site, copy, "--restore")
    assert done.returncode == 0, done.stderr
    with Journal.open(data / "journal.sqlite") as back:
        seen = [r.value for r in back.readings(None, T0, T0 + 200_000)]
        assert seen == [float(n) for n in range(200)]
        assert back.position("influx") == 150
        assert 200 <= back.last_commit <= 200 + len(numbers)
        assert back.commit([reading(T0 + 10**9, 2.0)], []) == back.last_commit
    accounts = Accounts(data / PEOPLE)
    assert [p.name for p in accounts.people()] == ["Ada"]
    accounts.close()
    assert (data / "links.key").stat().st_mode & 0o777 == 0o600
    assert (data / "reports/march.pdf").read_bytes() == b"%PDF"


def test_a_copy_is_closed_to_others(site: Path, tmp_path: Path) -> None:
    back_up(tmp_path / "data", tmp_path / "copy", T0)
    assert (tmp_path / "copy").stat().st_mode & 0o077 == 0
    listed = json.loads((tmp_path / "copy" / LIST).read_text())
    assert listed["made"] == "2026-03-01T00:00:00Z"


def test_what_is_there_is_never_written_over(site: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    assert call(site, copy).returncode == 0
    for arguments in ((site, copy), (site, copy, "--restore"), (site, tmp_path / "data" / "in")):
        done = call(*arguments)
        assert done.returncode == 2, arguments
        assert "Traceback" not in done.stderr
    assert not (tmp_path / "data" / "in").exists()


@pytest.mark.parametrize("harm", ["list", "file", "gone", "outside"])
def test_a_damaged_copy_is_not_put_back(site: Path, tmp_path: Path, harm: str) -> None:
    data, copy = tmp_path / "data", tmp_path / "copy"
    back_up(data, copy, T0)
    data.rename(tmp_path / "aside")
    if harm == "list":
        (copy / LIST).unlink()
    elif harm == "file":
        (copy / "links.key").write_text("w0rd")
    elif harm == "gone":
        (copy / "links.key").unlink()
    else:
        listed = json.loads((copy / LIST).read_text())
        listed["files"][0]["name"] = "../aside/links.key"
        (copy / LIST).write_text(json.dumps(listed))
    with pytest.raises(UsageError):
        restore(data, copy)
    assert not data.exists()


def test_a_damaged_journal_is_said_at_once(site: Path, tmp_path: Path) -> None:
    data = tmp_path / "data"
    with closing(sqlite3.connect(data / "journal.sqlite")) as db:
        db.execute("CREATE TABLE other (x)")
        db.commit()
    with pytest.raises(QuietpipeError):
        back_up(data, tmp_path / "copy", T0)
    assert not (tmp_path / "copy" / LIST).exists()


def test_a_hub_s_file_will_do(tmp_path: Path) -> None:
    (tmp_path / "hub.toml").write_text(
        '[hub]\ndata = "data"\n[mqtt]\nbroker = "mqtt://b.example"\n[[groups]]\nid = "north"\n')
    data = tmp_path / "data"
    data.mkdir()
    with closing(sqlite3.connect(data / "group-north.sqlite")) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE t (x)")
        db.execute("INSERT INTO t VALUES (1)")
        db.commit()
        done = call(tmp_path / "hub.toml", tmp_path / "copy")
    assert done.returncode == 0, done.stderr
    with closing(sqlite3.connect(tmp_path / "copy" / "group-north.sqlite")) as db:
        assert db.execute("SELECT x FROM t").fetchall() == [(1,)]
