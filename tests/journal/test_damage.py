"""A damaged, foreign, newer or older file; a full disk."""

import shutil
import sqlite3
import zlib

import pytest

from collector.domain.errors import JournalCorrupt, JournalError, JournalFull
from collector.journal import Journal, connection, schema
from tests.journal.examples import HOUR, T0, fact, plant_polls, reading


def fill(path, hours=2):
    with Journal.open(path) as journal:
        for poll in plant_polls(T0, T0 + hours * HOUR, every=20_000):
            journal.commit(poll, [fact(T0)])
        journal.pack(T0 + hours * HOUR)


def overwrite(path, at, data):
    with open(path, "r+b") as file:
        file.seek(at)
        file.write(data)


def test_a_file_that_is_no_database_is_refused(path):
    path.parent.mkdir()
    path.write_bytes(b"time,point,value\n" * 400)
    with pytest.raises(JournalCorrupt, match="not an SQLite file"):
        Journal.open(path)


def test_a_database_that_is_no_journal_is_refused(path):
    path.parent.mkdir()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE t (x)")
    other.close()
    with pytest.raises(JournalCorrupt, match="not a journal"):
        Journal.open(path)


def test_a_file_cut_off_is_refused(path):
    fill(path)
    size = path.stat().st_size
    with open(path, "r+b") as file:
        file.truncate(size // 2 // 4096 * 4096)
    with pytest.raises(JournalCorrupt, match=f"cut off at .* of {size}"):
        Journal.open(path)


@pytest.mark.parametrize("whole", [True, False])
def test_pages_overwritten_in_the_middle_are_noticed(path, whole, monkeypatch):
    fill(path)
    if not whole:  # as for a file too big to be read at every start
        monkeypatch.setattr(connection, "_WHOLE_CHECK", 0)
    db = sqlite3.connect(path)
    root = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'events'").fetchone()[0]
    db.close()
    overwrite(path, (root - 1) * 4096, b"\x5a" * 4096)
    with pytest.raises(JournalCorrupt, match="damaged"):
        Journal.open(path)


def test_a_damaged_block_of_history_is_noticed_when_it_is_read(path):
    fill(path)
    db = sqlite3.connect(path)
    db.execute("UPDATE packed_values SET data = CAST(substr(data, 1, 20) || x'00ff00' "
               "|| substr(data, 24) AS BLOB) WHERE id = 3")
    db.commit()
    db.close()
    with Journal.open(path) as journal:
        with pytest.raises(JournalCorrupt, match="damaged block"):
            list(journal.readings(None, None, None))
        # The rest goes on.
        assert journal.commit([reading(T0 + 5 * HOUR)], []) == 361


def test_a_damaged_journal_is_moved_aside_and_the_service_goes_on(path):
    fill(path)
    damaged = path.read_bytes()[:-4096]
    path.write_bytes(damaged)
    journal, aside = Journal.open_or_replace(path, T0)
    with journal:
        assert aside == f"{path}.damaged-20260301T000000Z"
        assert journal.statistics().last_commit == 0
        assert journal.commit([reading(T0)], []) == 1
    with open(aside, "rb") as kept:
        assert kept.read() == damaged
    path.write_bytes(b"no" * 100)
    shutil.copy(path, path.with_name(path.name + "-wal"))
    again, second = Journal.open_or_replace(path, T0)
    again.close()
    assert second == f"{aside}-2"
    with open(f"{second}-wal", "rb") as kept:
        assert kept.read() == b"no" * 100
    sound, where = Journal.open_or_replace(path, T0)
    sound.close()
    assert where is None


def test_a_journal_in_use_is_not_moved_aside(journal, path):
    with pytest.raises(JournalError, match="in use"):
        Journal.open_or_replace(path, T0)
    assert path.exists()


def test_an_empty_file_becomes_a_journal(path):
    path.parent.mkdir()
    path.touch()
    with Journal.open(path) as journal:
        assert journal.commit([reading(T0)], []) == 1


def test_reading_what_is_not_there_makes_no_file(path):
    with pytest.raises(JournalError, match="no journal"):
        Journal.open(path, read_only=True)
    assert not path.exists()


def test_a_full_disk_keeps_nothing_half_and_recovers(journal):
    journal.commit([reading(T0)], [fact(T0)])
    db = journal._database._writer
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count = {pages + 2}")
    big = [reading(T0 + 1 + i, float(i), f"r{i % 9}.pressure") for i in range(5000)]
    for _ in range(2):
        with pytest.raises(JournalFull, match="no room"):
            journal.commit(big, [fact(T0 + 1)], meta={"tick": "1"})
    assert len(list(journal.readings(None, None, None))) == 1
    assert len(list(journal.events())) == 1
    assert (journal.meta("tick"), journal.statistics().last_commit) == (None, 1)
    assert journal.points() == ["gen1.tank_pressure"]
    db.execute("PRAGMA max_page_count = 1000000")
    assert journal.commit(big, [fact(T0 + 1)], meta={"tick": "1"}) == 2
    assert len(list(journal.readings(None, None, None))) == 5001


def test_a_full_disk_while_packing_loses_no_reading(journal):
    for poll in plant_polls(T0, T0 + HOUR, every=60_000, pressures=100):
        journal.commit(poll, [])
    before = list(journal.readings(None, None, None))
    db = journal._database._writer
    pages = db.execute("PRAGMA page_count").fetchone()[0]
    db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(JournalFull):
        journal.pack(T0 + HOUR)
    assert list(journal.readings(None, None, None)) == before
    db.execute("PRAGMA max_page_count = 1000000")
    assert journal.pack(T0 + HOUR).readings == len(before)
    assert list(journal.readings(None, None, None)) == before


OLD_SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE consumers (name TEXT PRIMARY KEY, position INTEGER NOT NULL) WITHOUT ROWID;
INSERT INTO consumers VALUES ('forward', 41);
PRAGMA application_id = 1364216396;
PRAGMA user_version = 1;
"""


@pytest.fixture
def old(tmp_path):
    db = sqlite3.connect(tmp_path / "old.sqlite", isolation_level=None)
    db.executescript(OLD_SCHEMA)
    yield db
    db.close()


def add_since(db):
    db.execute("ALTER TABLE consumers ADD COLUMN since INTEGER NOT NULL DEFAULT 0")


def rename_position(db):
    db.execute("ALTER TABLE consumers RENAME COLUMN position TO settled")


def test_an_older_file_is_brought_up_to_date_step_by_step(old):
    steps = {1: add_since, 2: rename_position}
    assert schema.migrate(old, version=3, steps=steps) == [1, 2]
    assert old.execute("SELECT name, settled, since FROM consumers").fetchall() == [
        ("forward", 41, 0)]
    assert old.execute("PRAGMA user_version").fetchone() == (3,)
    assert schema.migrate(old, version=3, steps=steps) == []


def test_a_step_that_fails_leaves_the_file_as_it_was(old):
    def half(db):
        add_since(db)
        db.execute("ALTER TABLE no_such_table ADD COLUMN x")

    with pytest.raises(sqlite3.OperationalError):
        schema.migrate(old, version=3, steps={1: rename_position, 2: half})
    assert old.execute("PRAGMA user_version").fetchone() == (2,)
    assert old.execute("SELECT * FROM consumers").fetchall() == [("forward", 41)]
    with pytest.raises(JournalError, match="no way from schema version 2"):
        schema.migrate(old, version=3, steps={})


def test_a_newer_file_is_refused_and_not_touched(path):
    fill(path, 1)
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    for opening in (Journal.open, lambda p: Journal.open_or_replace(p, T0)):
        with pytest.raises(JournalError, match="written by a newer one") as refused:
            opening(path)
        assert not isinstance(refused.value, JournalCorrupt)
    with pytest.raises(JournalError, match="schema version 99"):
        Journal.open(path, read_only=True)


def test_tables_do_not_change_without_a_new_version_and_a_step():
    # Files in the field have these very tables: change them and the first number must change too.
    assert (schema.VERSION, zlib.crc32(schema.SCHEMA.encode())) == (1, 3353595064)
    assert set(schema.MIGRATIONS) == set(range(1, schema.VERSION))
