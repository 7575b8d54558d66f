"""The journal's files deleted, replaced or emptied: noticed, said, and nothing lost that can be."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.domain.errors import JournalError, JournalReplaced
from collector.domain.events import SystemEvent
from collector.domain.readings import Reading
from collector.journal import Journal
from tests.integration.support import until
from tests.integration.test_daemon import Works, controller, works
from tests.rules.support import SECOND, T0

__all__ = ["controller", "works"]


def fill(journal: Journal, start: int, count: int) -> None:
    for n in range(start, start + count):
        at = T0 + n * SECOND
        journal.commit(
            [Reading(point="gen1.tank_pressure", asked=at, time=at, value=70.0 + n % 7)],
            [SystemEvent(time=at, site="fenmoor", fact="well", text=f"number {n}")])


def texts(journal: Journal) -> list[str]:
    return [s.event.text for s in journal.events()]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "data" / "journal.sqlite"


def drop(path: Path, tail: str = "") -> None:
    path.with_name(path.name + tail).unlink()


def swap(path: Path, tail: str = "") -> None:
    one = path.with_name(path.name + tail)
    shutil.copyfile(one, one.with_name("copy"))
    one.with_name("copy").replace(one)


@pytest.mark.parametrize("tail", ["", "-wal", ".lock"])
@pytest.mark.parametrize("fault", [drop, swap])
def test_no_commit_goes_into_a_file_that_is_gone(
    path: Path, fault: Callable[[Path, str], None], tail: str,
) -> None:
    with Journal.open(path) as journal:
        fill(journal, 0, 5)
        fault(path, tail)
        with pytest.raises(JournalReplaced, match="deleted or replaced"):
            fill(journal, 5, 1)
        with pytest.raises(JournalReplaced):
            journal.settle("notify", 1)


@pytest.mark.parametrize("tails", [[""], ["", "-wal", "-shm"], ["-wal"], [".lock"], ["", ".lock"]])
def test_what_was_deleted_is_put_back_whole(path: Path, tails: list[str]) -> None:
    journal = Journal.open(path)
    fill(journal, 0, 50)
    for tail in tails:
        drop(path, tail)
    assert "put back" in journal.rescue(T0)
    with Journal.open(path) as again:
        assert texts(again) == [f"number {n}" for n in range(50)]
        assert again.missing == ""
        fill(again, 50, 5)
        assert again.last_commit == 55


def test_what_was_replaced_is_kept_beside(path: Path) -> None:
    journal = Journal.open(path)
    fill(journal, 0, 5)
    journal.backup(path.with_name("older"))
    fill(journal, 5, 5)
    path.with_name("older").replace(path)
    said = journal.rescue(T0)
    (kept,) = path.parent.glob("journal.sqlite.replaced-*")
    assert str(kept) in said
    with Journal.open(kept, read_only=True) as rescued:
        assert len(texts(rescued)) == 10
    with Journal.open(path) as again:
        assert len(texts(again)) == 5
        assert "lacks 5 commit(s)" in again.missing


def test_two_daemons_do_not_write_though_the_lock_file_was_deleted(path: Path) -> None:
    with Journal.open(path) as first:
        fill(first, 0, 5)
        drop(path, ".lock")
        with Journal.open(path) as second:
            fill(second, 5, 5)
            with pytest.raises(JournalReplaced):
                fill(first, 10, 1)
            with pytest.raises(JournalError, match="in use by another daemon"):
                first.rescue(T0)
            fill(second, 10, 5)
            assert len(texts(second)) == 15


def test_a_commit_of_another_process_is_noticed_where_locks_do_not_work(
    path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.journal.lock.fcntl.flock", lambda *_: None)
    with Journal.open(path) as first, Journal.open(path) as second:
        fill(first, 0, 5)
        with pytest.raises(JournalReplaced, match="another process"):
            fill(second, 5, 1)


# -- at the next start ----------------------------------------------------------------------------

_FILL = """
import os, signal, sys
from pathlib import Path
from collector.journal import Journal
from tests.faults.test_journal_replaced import fill
journal = Journal.open(Path(sys.argv[1]))
fill(journal, 0, 40)
journal._database.shrink()
fill(journal, 40, 60)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def killed(path: Path) -> Path:
    """A journal of a process that was killed; 60 of 100 commits are only in what is ahead."""
    done = subprocess.run(
        [sys.executable, "-c", _FILL, str(path)], check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])})
    assert done.returncode == -signal.SIGKILL
    return path


def test_what_is_whole_is_there_without_a_word(killed: Path) -> None:
    with Journal.open(killed) as journal:
        assert len(texts(journal)) == 100
        assert journal.missing == ""


def empty(ahead: Path) -> None:
    os.truncate(ahead, 0)


def delete(ahead: Path) -> None:
    ahead.unlink()


def spoil(ahead: Path) -> None:
    with ahead.open("r+b") as file:
        file.seek(ahead.stat().st_size // 2)
        file.write(b"\xa5" * 64)


def cut(ahead: Path) -> None:
    os.truncate(ahead, ahead.stat().st_size // 2)


def zeros(ahead: Path) -> None:
    ahead.write_bytes(bytes(ahead.stat().st_size))


@pytest.mark.parametrize("fault", [empty, delete, spoil, cut, zeros])
def test_commits_missing_from_what_was_written_ahead_are_counted(
    killed: Path, fault: Callable[[Path], None],
) -> None:
    fault(killed.with_name(killed.name + "-wal"))
    with Journal.open(killed) as journal:
        there = len(texts(journal))
        assert 40 <= there < 100
        assert f"lacks {100 - there} commit(s)" in journal.missing
        assert f"{100 - there} reading(s) and {100 - there} event(s)" in journal.missing
        fill(journal, 100, 1)
        assert journal.last_commit == 101, "no number is used twice"
        assert [s.seq for s in journal.events()][-1] == 101
    with Journal.open(killed) as journal:
        assert journal.missing == "", "said once"


def test_a_journal_deleted_while_nothing_ran_is_missed(path: Path) -> None:
    with Journal.open(path) as journal:
        fill(journal, 0, 7)
    path.unlink()
    with Journal.open(path) as journal:
        assert "lacks 7 commit(s)" in journal.missing


@pytest.mark.parametrize("content", [b"", b"x" * 96, b"9 9 9 9|1", b"\xff" * 40])
def test_a_damaged_note_says_nothing(path: Path, content: bytes) -> None:
    with Journal.open(path) as journal:
        fill(journal, 0, 3)
    path.with_name(path.name + ".lock").write_bytes(content)
    with Journal.open(path) as journal:
        assert journal.missing == ""


def test_a_damaged_journal_that_was_renamed_is_not_said_twice(path: Path) -> None:
    with Journal.open(path) as journal:
        fill(journal, 0, 3)
    path.write_bytes(b"no journal " * 100)
    journal, moved = Journal.open_or_replace(path, T0)
    assert moved
    assert journal.missing == ""
    journal.close()


# -- who may read it ------------------------------------------------------------------------------

def test_only_its_own_account_may_read_a_journal_whatever_the_umask(path: Path) -> None:
    before = os.umask(0)
    try:
        with Journal.open(path) as journal:
            fill(journal, 0, 3)
            journal.backup(path.with_name("copy.sqlite"))
            modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in path.parent.iterdir()}
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert len(modes) == 5
    assert set(modes.values()) == {0o600}, modes


def test_a_journal_that_others_could_read_is_closed_to_them_and_not_to_its_group(
    path: Path,
) -> None:
    with Journal.open(path):
        pass
    path.chmod(0o644)
    path.parent.chmod(0o755)
    with Journal.open(path):
        assert stat.S_IMODE(path.stat().st_mode) == 0o640
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o750


# -- the daemon -----------------------------------------------------------------------------------

@pytest.mark.slow
def test_the_daemon_puts_its_deleted_journal_back_and_goes_on(works: Works) -> None:
    works.write(limit="1 s")
    daemon = works.start()
    until(lambda: works.standing() == ["compressor-long-run"], within=20, what="the alarm")
    works.journal.unlink()
    until(works.journal.exists, within=20, what="the journal")
    until(lambda: "journal-replaced" in works.facts(), within=20, what="that it is said")
    daemon.terminate(20)
    facts = works.facts()
    assert "journal-replaced" in facts
    raised = [e for e in works.events() if getattr(e, "condition", "") == "compressor-long-run"
              and e.transition == "raised"]
    assert len(raised) == 1


@pytest.mark.slow
def test_a_daemon_ends_when_another_has_begun(works: Works) -> None:
    works.write(limit="1 s")
    first = works.start()
    until(lambda: works.standing() == ["compressor-long-run"], within=20, what="the alarm")
    works.journal.with_name(works.journal.name + ".lock").unlink()
    second = Journal.open(works.journal)
    until(lambda: first.process.poll() is not None, within=20, what="the end of the first")
    second.close()
    assert first.process.returncode != 0
    assert "in use by another daemon" in first.tail()
