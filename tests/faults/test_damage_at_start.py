"""Damage in what the daemon keeps: it is left out, said, and the service goes on."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from collector.app.monitor import SiteMonitor
from collector.app.pipeline import restore_from_journal
from collector.config.field_types import kept_key
from collector.domain.readings import Reading
from collector.journal import Journal
from tests.integration.support import get_json, until
from tests.integration.test_daemon import Works, controller, works
from tests.rules.support import SECOND, T0, plant, settings

__all__ = ["controller", "works"]

META = ["watch", "watch_commit", "tick"]
WORDS = ["\x00", "{", "[3]", '{"rules": [3]}', '{"inputs": 3}', "1e999", "-5", "½"]


def damage(journal: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(journal)) as db, db:
        assert db.execute(statement, values).rowcount


def a_monitor() -> SiteMonitor:
    return SiteMonitor(plant=plant(), settings=settings())


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A journal with readings, and the rules' state saved at the first half of them."""
    path, monitor = tmp_path / "journal.sqlite", a_monitor()
    with Journal.open(path) as journal:
        for k in range(60):
            at = T0 + k * 10 * SECOND
            readings = [Reading(point="gen1.tank_pressure", asked=at, time=at, value=70.0 - k)]
            number = journal.commit(readings, monitor.feed(readings), meta={"tick": str(at)})
            if k == 30:
                journal.settle("monitor", 0, meta={
                    "watch": json.dumps(monitor.dump()), "watch_commit": str(number)})
    return path


def test_what_is_whole_is_restored_without_a_word(kept: Path) -> None:
    with Journal.open(kept) as journal:
        restored = restore_from_journal(a_monitor, journal)
    assert restored.damage == []
    assert restored.last_commit == 60


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("key", META)
def test_a_damaged_saved_value_is_left_out(kept: Path, key: str, word: str) -> None:
    damage(kept, "UPDATE meta SET value = ? WHERE key = ?", word, key)
    with Journal.open(kept) as journal:
        restored = restore_from_journal(a_monitor, journal)
        assert restored.last_commit == 60
        at = T0 + 700 * SECOND
        readings = [Reading(point="gen1.tank_pressure", asked=at, time=at, value=70.0)]
        journal.commit(readings, restored.monitor.feed(readings))
    # JSON of another shape is a state of rules that are no longer there: they begin anew.
    assert key == "tick" or word.startswith('{"') or restored.damage


@pytest.mark.parametrize("content", [b"\xff\xfe\x00" * 20, b"short", b"=" * 50])
def test_a_damaged_key_of_the_links_is_renamed(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "links.key"
    path.write_bytes(content)
    key, said = kept_key(path)
    assert "holds no key" in said
    assert path.with_name("links.key.damaged").read_bytes() == content
    assert path.read_bytes().strip() == key
    assert kept_key(path) == (key, "")


def test_a_key_that_cannot_be_kept_is_made_for_until_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / "links.key"
    path.mkdir()
    key, said = kept_key(path)
    assert len(key) >= 32
    assert "cannot be kept" in said


def test_the_daemon_goes_on_and_says_all_of_it(works: Works) -> None:
    works.write(limit="1 s")
    daemon = works.start()
    until(lambda: works.standing() == ["compressor-long-run"], within=20, what="the alarm")
    daemon.terminate(20)
    damage(works.journal, "UPDATE events SET body = substr(body, 1, 40) WHERE kind = 'alarm'")
    damage(works.journal, "UPDATE events SET body = CAST(x'ff00fe7b22' AS TEXT) WHERE seq = 1")
    damage(works.journal, "INSERT OR REPLACE INTO meta VALUES ('watch', 'x')")
    (works.folder / "data" / "links.key").write_bytes(b"\xff" * 40)
    before = len(works.events())
    daemon = works.start()
    until(lambda: "gen1.tank_pressure" in json.dumps(works.status()), within=10, what="a reading")
    assert get_json(f"{works.board}/healthz")
    daemon.terminate(20)
    said = [e.text for e in works.events()[before:]
            if getattr(e, "fact", "") == "damage-left-out"]
    assert len(said) == 3
    for words in ("of the journal are damaged", "saved state is damaged", "holds no key"):
        assert words in " ".join(said)
