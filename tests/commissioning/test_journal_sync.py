"""Signed commissioning records reach the journal once, whoever runs when."""

import hashlib

import pytest

from collector.commissioning.journal_sync import CommissioningSync
from collector.commissioning.proof import CommissioningRecord, Row
from collector.domain.errors import QuietpipeError


def record():
    row = Row(point="gen1.tank_pressure", register="input-registers 11 int16 x 0.1", raw="02CB",
              value="71.5 psi", shown="71.5 psi", difference="+0.00", by="T. Fitter", at=1000,
              agrees=True)
    return CommissioningRecord(site="Fenmoor", zone="Europe/London", by="T. Fitter", signed=2000,
                               rows=[row, row])


def test_each_record_is_journalled_once(tmp_path):
    sync = CommissioningSync(tmp_path / "commissioning", [])
    assert sync.pending("fenmoor") == []
    (tmp_path / "commissioning").mkdir()
    path = tmp_path / "commissioning" / "2026-03-01T001935.json"
    path.write_text(record().json())
    event, = sync.pending("fenmoor")
    assert event.values["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert event.values["agree"] == event.values["points"] == 2
    assert "T. Fitter" in event.text
    assert sync.pending("fenmoor") == []
    assert CommissioningSync(tmp_path / "commissioning", [event]).pending("fenmoor") == []


def test_a_damaged_record_is_reported_once(tmp_path):
    (tmp_path / "half.json").write_text("{")
    sync = CommissioningSync(tmp_path, [])
    with pytest.raises(QuietpipeError, match=r"half\.json is no commissioning record"):
        sync.pending("fenmoor")
    assert sync.pending("fenmoor") == []


def test_a_record_is_proven_only_when_every_point_agrees():
    assert record().proven
    rows = list(record().rows)
    other = CommissioningRecord(site="Fenmoor", zone="UTC", by="T", signed=1, rows=[
        *rows, Row(**{n: getattr(rows[0], n) for n in Row.__slots__} | {"agrees": False})])
    assert not other.proven
    assert "DIFFERS" in other.text()
