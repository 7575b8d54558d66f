"""Power cuts and torn writes in every kind of work of the journal.

A child process is killed in the middle, many times; and the file's last blocks are torn as a disk
tears them that lost its power. What was confirmed must be there, and each reading once.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from collector.commands.upkeep import back_up, restore
from collector.domain.errors import JournalCorrupt, JournalError, UsageError
from collector.domain.readings import Reading
from collector.journal import Journal
from collector.journal.schema import migrate
from collector.people import Accounts, Passwords, Role
from tests.journal.examples import HOUR, T0, alarm, plant_polls, reading
from tests.people.test_accounts import CHEAP, GOOD

ROOT = Path(__file__).resolve().parents[2]

_CHILD = """
import sys
from pathlib import Path
from collector.journal import Journal
from tests.journal.examples import HOUR, T0, plant_polls
folder, work = Path(sys.argv[1]), sys.argv[2]
journal = Journal.open(folder / "journal.sqlite")
print("ready", flush=True)
if work == "pack":
    journal.pack(T0 + 48 * HOUR)
elif work == "retain":
    journal.retain(oldest=T0 + 24 * HOUR, max_bytes=None)
elif work == "shrink":
    journal.retain(oldest=None, max_bytes=200_000)
elif work == "backup":
    from collector.commands.upkeep import back_up
    back_up(folder, folder.parent / "copy", 0)
print("done", flush=True)
"""


def run(folder: Path, work: str, kill_after: float | None) -> str:
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(folder), work], stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    if kill_after is not None:
        time.sleep(kill_after)
        child.send_signal(signal.SIGKILL)
    said = child.stdout.read()
    child.wait()
    child.stdout.close()
    return said


def content(path: Path) -> list[Reading]:
    with Journal.open(path) as journal:
        assert journal.missing == ""
        return list(journal.readings(None, None, None))


@pytest.fixture(scope="module")
def two_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("two-days") / "data"
    with Journal.open(folder / "journal.sqlite") as journal:
        polls = list(plant_polls(T0, T0 + 48 * HOUR, every=60_000))
        for start in range(0, len(polls), 60):
            journal.commit([r for poll in polls[start:start + 60] for r in poll], [])
        journal.commit([], [alarm(T0)])
    return folder


@pytest.fixture
def folder(two_days: Path, tmp_path: Path) -> Path:
    import shutil
    shutil.copytree(two_days, tmp_path / "data")
    return tmp_path / "data"


@pytest.mark.slow
@pytest.mark.parametrize("kill_after", [0.0, 0.02, 0.05, 0.1, 0.2, 0.4])
def test_a_power_cut_while_hours_are_packed_loses_and_doubles_nothing(
    folder: Path, two_days: Path, kill_after: float,
) -> None:
    run(folder, "pack", kill_after)
    assert content(folder / "journal.sqlite") == content(two_days / "journal.sqlite")
    run(folder, "pack", None)
    assert content(folder / "journal.sqlite") == content(two_days / "journal.sqlite")


@pytest.mark.slow
@pytest.mark.parametrize("work", ["retain", "shrink"])
@pytest.mark.parametrize("kill_after", [0.0, 0.03, 0.1])
def test_a_power_cut_while_hours_are_deleted_leaves_whole_hours(
    folder: Path, two_days: Path, work: str, kill_after: float,
) -> None:
    before = content(two_days / "journal.sqlite")
    run(folder, work, kill_after)
    after = content(folder / "journal.sqlite")
    assert after
    assert after == [r for r in before if r.time >= after[0].time // HOUR * HOUR]
    with Journal.open(folder / "journal.sqlite") as journal:
        assert [s.seq for s in journal.events(kind="alarm")] == [1]


@pytest.mark.slow
@pytest.mark.parametrize("kill_after", [0.0, 0.005, 0.02, 0.05])
def test_a_power_cut_while_a_copy_is_made_leaves_no_copy_that_passes_for_whole(
    folder: Path, kill_after: float,
) -> None:
    done = run(folder, "backup", kill_after)
    copy = folder.parent / "copy"
    if "done" not in done and not (copy / "backup.json").exists():
        with pytest.raises(UsageError, match="no whole copy"):
            restore(folder.parent / "again", copy)
        assert not (folder.parent / "again").exists()
    else:
        restore(folder.parent / "again", copy)
        assert content(folder.parent / "again" / "journal.sqlite") \
            == content(folder / "journal.sqlite")


def test_a_cut_while_a_list_of_a_copy_is_written_makes_no_whole_copy(folder: Path) -> None:
    copy = folder.parent / "copy"
    back_up(folder, copy, 0)
    text = (copy / "backup.json").read_text()
    for end in range(0, len(text) - 2, 7):
        (copy / "backup.json").write_text(text[:end])
        with pytest.raises(UsageError, match="no whole copy"):
            restore(folder.parent / "again", copy)


def test_a_copy_that_names_files_outside_it_is_refused(folder: Path) -> None:
    copy = folder.parent / "copy"
    back_up(folder, copy, 0)
    listed = json.loads((copy / "backup.json").read_text())
    for name in ("../../etc/passwd", "/etc/passwd", "a/../../x"):
        listed["files"][0]["name"] = name
        (copy / "backup.json").write_text(json.dumps(listed))
        with pytest.raises(UsageError):
            restore(folder.parent / "again", copy)


@pytest.mark.parametrize("step", [0, 1, 2])
def test_a_power_cut_in_a_migration_leaves_the_version_before(tmp_path: Path, step: int) -> None:
    path = tmp_path / "journal.sqlite"
    with Journal.open(path) as journal:
        journal.commit([reading(T0)], [alarm(T0)])

    class Cut(Exception):
        pass

    def migration(number: int):  # type: ignore[no-untyped-def]
        def run(db: sqlite3.Connection) -> None:
            db.execute(f"CREATE TABLE new{number} (a)")
            if number == step:
                raise Cut
            db.execute(f"INSERT INTO new{number} VALUES (1)")
        return run

    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        steps = {1: migration(0), 2: migration(1), 3: migration(2)}
        with pytest.raises(Cut):
            migrate(db, version=4, steps=steps)
        assert db.execute("PRAGMA user_version").fetchone() == (step + 1,)
        tables = {n for (n,) in db.execute("SELECT name FROM sqlite_master WHERE name LIKE 'new%'")}
        assert tables == {f"new{n}" for n in range(step)}


# -- torn writes ----------------------------------------------------------------------------------

def torn_open(path: Path) -> tuple[list[int], str]:
    try:
        with Journal.open(path) as journal:
            return [r.time for r in journal.readings(None, None, None)], journal.missing
    except JournalCorrupt:
        return [], "damaged"


@pytest.mark.parametrize("seed", range(12))
def test_a_torn_write_ahead_log_loses_its_end_and_says_so(tmp_path: Path, seed: int) -> None:
    """Sectors of 512 bytes of the last third are lost, or hold what was there before."""
    rng = random.Random(seed)
    path = tmp_path / "journal.sqlite"
    journal = Journal.open(path)
    times = [T0 + n * 1000 for n in range(120)]
    for at in times:
        journal.commit([reading(at), reading(at, 2.0, "r1.pressure")], [])
    raw = {tail: path.with_name(path.name + tail).read_bytes() for tail in ("", "-wal", ".lock")}
    journal.close()
    torn = bytearray(raw["-wal"])
    first = len(torn) * 2 // 3 // 512
    for sector in rng.sample(range(first, len(torn) // 512), 5):
        kind = rng.randrange(3)
        torn[sector * 512:sector * 512 + 512] = (
            bytes(512) if kind == 0 else rng.randbytes(512) if kind == 1
            else raw["-wal"][:512])
    for tail, data in ({**raw, "-wal": bytes(torn)}).items():
        path.with_name(path.name + tail).write_bytes(data)
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    found, missing = torn_open(path)
    count = len(found) // 2
    assert found == [t for t in times[:count] for _ in range(2)], "a beginning, whole"
    assert 70 <= count < 120
    assert f"lacks {120 - count} commit(s)" in missing


@pytest.mark.parametrize("seed", range(8))
def test_a_torn_page_of_the_file_itself_is_never_taken_for_readings(
    two_days: Path, tmp_path: Path, seed: int,
) -> None:
    rng = random.Random(seed)
    with Journal.open(two_days / "journal.sqlite") as journal:
        journal.backup(tmp_path / "journal.sqlite")
        right = {(r.point, r.time): r.value for r in journal.readings(None, None, None)}
    raw = bytearray((tmp_path / "journal.sqlite").read_bytes())
    for _ in range(3):
        at = rng.randrange(1, len(raw) // 4096) * 4096
        raw[at:at + 4096] = raw[at:at + 512] + rng.randbytes(512) + bytes(4096 - 1024)
    (tmp_path / "journal.sqlite").write_bytes(raw)
    try:
        with Journal.open(tmp_path / "journal.sqlite") as journal:
            found = list(journal.readings(None, None, None))
    except JournalError:
        return
    wrong = [r for r in found if right.get((r.point, r.time)) != r.value]
    assert wrong == []


def test_a_power_cut_at_any_write_of_the_accounts_keeps_them(tmp_path: Path) -> None:
    path = tmp_path / "people.sqlite"
    people = Accounts(path, Passwords(CHEAP))
    people.add("Ann", Role.MANAGE, GOOD, 0)
    people.add("Bob", Role.LOOK, GOOD, 0)
    ahead = path.with_name("people.sqlite-wal").read_bytes()
    whole = path.read_bytes()
    people.close()
    for end in (0, 31, 32, len(ahead) // 2, len(ahead)):
        path.write_bytes(whole)
        path.with_name("people.sqlite-wal").write_bytes(ahead[:end])
        path.with_name("people.sqlite-shm").unlink(missing_ok=True)
        again = Accounts(path, Passwords(CHEAP))
        names = [p.name for p in again.people()]
        again.close()
        assert names in ([], ["Ann"], ["Ann", "Bob"])
    assert names == ["Ann", "Bob"]
