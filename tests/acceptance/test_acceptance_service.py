"""The acceptance service: what it allows, refuses and records, what is journalled, verified."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from collector.acceptance import (
    AcceptanceService,
    AcceptanceSync,
    RecordError,
    RecordStore,
    Result,
    Size,
    verify,
)
from collector.acceptance.journal_sync import events_of
from collector.acceptance.record import (
    Entry,
    Record,
    record_from_json,
    record_to_json,
    render_record,
)
from collector.domain.actions import ActionKind
from collector.domain.events import SystemEvent
from collector.domain.readings import Reading
from tests.acceptance.step_readings import T0, a_plant, series

MINUTE = 60_000
PLANT = a_plant()


class Shelf:
    """Readings and clock jumps on paper, in place of a journal."""

    def __init__(self, *rows: Sequence[Reading]) -> None:
        self.rows = [r for row in rows for r in row]
        self.jumps: list[tuple[int, int]] = []
        self.newest = 7

    def numbers(self, point: str, start: int, end: int) -> Sequence[tuple[int, float | None]]:
        return [(r.time, r.usable) for r in self.readings([point], start, end)]

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterable[Reading]:
        return sorted((r for r in self.rows if (points is None or r.point in points)
                       and (start is None or r.time >= start) and (end is None or r.time < end)),
                      key=lambda r: r.time)

    def clock_sets(self, after: int) -> Sequence[int]:
        return [time for number, time in self.jumps if number > after]

    def last_event(self) -> int:
        return self.newest


def a_service(folder: Path, *rows: Sequence[Reading]) -> tuple[AcceptanceService, Shelf]:
    shelf = Shelf(*rows)
    return AcceptanceService(lambda: PLANT, RecordStore(folder / "acceptance"), shelf,
                render=render_record), shelf


def opened(service: AcceptanceService) -> Record:
    return service.open(by="Ines Okoro", size=Size.SMALL, now=T0)


def purity(service: AcceptanceService, record: Record, value: float = 0.8) -> None:
    service.enter_reading(record.id, "purity.gen1", value=value, instrument="Oxygen meter",
                          serial="4711",
                 by="Ines Okoro", now=T0 + MINUTE)


def leave_the_rest(service: AcceptanceService, record: Record) -> None:
    for step in service.steps(record):
        if not service.store.load(record.id).entry(step.id).settled:
            service.skip(record.id, step.id, reason="not wired yet", by="Ines Okoro",
                           now=T0 + 2 * MINUTE)


def legs() -> tuple[list[Reading], list[Reading]]:
    seconds = [n * 5 for n in range(40)]
    return (series("gen1.trouble_no", lambda s: float(s > 50), seconds),
            series("gen1.trouble_nc", lambda s: float(s <= 50), seconds))


def test_one_at_a_time(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    with pytest.raises(RecordError, match="in progress"):
        opened(service)
    assert service.current() == record


def test_a_step_survives_the_process(tmp_path: Path) -> None:
    first, _ = a_service(tmp_path, *legs())
    record = opened(first)
    first.begin(record.id, "contact.gen1.trouble", by="Ines Okoro", now=T0)
    other, _ = a_service(tmp_path, *legs())  # another process, another day
    seen = other.check(record.id, "contact.gen1.trouble", T0 + 195_000)
    assert seen.entry.result is Result.PASSED
    assert other.store.load(record.id).entry("contact.gen1.trouble").evaluation is not None


def test_a_half_written_file_is_never_seen(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    (tmp_path / "acceptance" / f".{record.id}.json.new").write_text('{"format": 1, "id"')
    assert service.current() == record
    (tmp_path / "acceptance" / f"{record.id}.json").write_text('{"format": 1, "id"')
    with pytest.raises(RecordError, match="cannot be read"):
        service.records()


def test_what_a_record_says_comes_back_from_the_disk(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    purity(service, record)
    kept = service.store.load(record.id)
    assert record_from_json(record_to_json(kept)) == kept
    with pytest.raises(ValueError, match="later version"):
        record_from_json(record_to_json(kept).replace('"format": 1', '"format": 2'))


def test_a_clock_set_since_it_was_begun_voids_it_whatever_time_it_has(tmp_path: Path) -> None:
    service, shelf = a_service(tmp_path, *legs())
    record = opened(service)
    shelf.jumps.append((5, T0 + 100))  # journalled before the step was begun
    service.begin(record.id, "contact.gen1.trouble", by="A", now=T0)
    assert service.check(record.id, "contact.gen1.trouble", T0 + 30_000).evaluation is not None
    shelf.jumps.append((9, T0 - 3_600_000))  # set back by an hour: its time lies before
    seen = service.check(record.id, "contact.gen1.trouble", T0 + 195_000)
    assert seen.entry.result is Result.OPEN
    assert "clock was set" in seen.entry.history[-1]


def test_fills_go_one_at_a_time_and_the_compressor_cools(tmp_path: Path) -> None:
    seconds = [n * 10 for n in range(140)]
    full = series("r1.pressure", lambda s: max(0.0, min((s - 60) / 25, 40.0)), seconds)
    service, _ = a_service(tmp_path, full)
    record = opened(service)
    service.begin(record.id, "fill.r1", by="A", now=T0)
    with pytest.raises(RecordError, match="one system at a time"):
        service.begin(record.id, "fill.r2", by="A", now=T0 + MINUTE)
    assert service.check(record.id, "fill.r1", T0 + 1_390_000).entry.result is Result.PASSED
    with pytest.raises(RecordError, match="cool for another"):
        service.begin(record.id, "fill.r2", by="A", now=T0 + 30 * MINUTE)
    service.begin(record.id, "fill.r2", by="A", now=T0 + 55 * MINUTE)


def test_what_was_tried_before_stays_in_the_record(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    purity(service, record, 5.0)
    assert service.store.load(record.id).entry("purity.gen1").result is Result.FAILED
    purity(service, record, 0.8)
    entry = service.store.load(record.id).entry("purity.gen1")
    assert entry.result is Result.PASSED
    assert "5.00 %" in entry.history[0]


@pytest.mark.parametrize(("value", "instrument", "serial", "words"), [
    (120.0, "Oxygen meter", "1", "not possible"), (1.0, " ", "1", "instrument's name"),
    (1.0, "Oxygen meter", "", "serial number"), (1.0, "x" * 200, "1", "too long"),
    (1.0, "a\x07b", "1", "cannot be printed"),
])
def test_a_typed_value_without_its_instrument_is_refused(
    tmp_path: Path, value: float, instrument: str, serial: str, words: str,
) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    with pytest.raises(RecordError, match=words):
        service.enter_reading(record.id, "purity.gen1", value=value, instrument=instrument,
                              serial=serial, by="A", now=T0)


def test_refusals_change_nothing(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    with pytest.raises(RecordError, match="there is no step"):
        service.begin(record.id, "fill.r9", by="A", now=T0)
    with pytest.raises(RecordError, match="the reason is needed"):
        service.skip(record.id, "fill.r1", reason=" ", by="A", now=T0)
    with pytest.raises(RecordError, match="not entered by hand"):
        service.enter_reading(record.id, "fill.r1", value=1, instrument="a", serial="b", by="A",
                              now=T0)
    with pytest.raises(RecordError, match="no signature"):
        service.sign(record.id, [], T0)
    with pytest.raises(RecordError, match="no result and no reason"):
        service.sign(record.id, [("A", "technician")], T0)
    with pytest.raises(RecordError, match="not an id"):
        service.store.load("../../etc/passwd")
    assert service.store.load(record.id) == record


def signed(service: AcceptanceService) -> tuple[Record, bytes]:
    record = opened(service)
    purity(service, record)
    leave_the_rest(service, record)
    path = service.sign(record.id, [("Ines Okoro", "technician"), ("B. Lee", "owner")], T0 + MINUTE)
    return service.store.load(record.id), path.read_bytes()


def test_the_paper_says_everything_and_is_what_was_hashed(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record, content = signed(service)
    assert hashlib.sha256(content).hexdigest() == record.digest
    text = " ".join(" ".join(p.extract_text() for p in PdfReader(io.BytesIO(content)).pages)
                    .split())
    for words in ("Oxygen meter, serial number 4711", "B. Lee", "owner", "not wired yet",
                  "no more than 3 %", "impairment", "Not done"):
        assert words in text, words
    with pytest.raises(RecordError, match="cannot be changed"):
        purity(service, record)


def test_every_flipped_bit_is_found_out(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record, content = signed(service)
    facts = [n.fact for n in events_of(record, PLANT)]
    assert verify(content, facts).genuine
    for place in range(0, len(content), max(len(content) // 40, 1)):
        other = bytearray(content)
        other[place] ^= 0x10
        assert not verify(bytes(other), facts).genuine
    assert not verify(content + b"\n", facts).genuine
    assert not verify(content[:-1], facts).genuine
    # A hash in some other fact is no signature.
    assert not verify(content, [SystemEvent(
        time=0, site="works", fact="collector-started", text="", values={"sha256": record.digest},
    )]).genuine


def test_each_event_is_journalled_once_and_after_a_restart_not_again(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    clerk = AcceptanceSync(service.store, [])
    assert clerk.pending(PLANT) == []
    record = opened(service)
    assert [n.fact.fact for n in clerk.pending(PLANT)] == ["acceptance-opened"]
    assert clerk.pending(PLANT) == []
    service.begin(record.id, "fill.r1", by="A", now=T0 + 1)
    begun, = clerk.pending(PLANT)
    assert set(begun.declarations) == {ActionKind.DECLARE_FILL, ActionKind.DECLARE_IMPAIRMENT}
    service.skip(record.id, "fill.r1", reason="rain", by="A", now=T0 + 2)
    facts = [n.fact for n in events_of(service.store.load(record.id), PLANT)]
    restarted = AcceptanceSync(service.store, facts)
    assert restarted.pending(PLANT) == []


def test_a_damaged_record_is_complained_of_once(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    clerk = AcceptanceSync(service.store, [])
    record = opened(service)
    (tmp_path / "acceptance" / f"{record.id}.json").write_text("{")
    with pytest.raises(RecordError, match="cannot be read"):
        clerk.pending(PLANT)
    assert clerk.pending(PLANT) == []


def test_what_is_declared_while_a_step_lasts_is_ended_with_it(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record = opened(service)
    service.begin(record.id, "tightness-24h.r1", by="A", now=T0 + 1)
    service.skip(record.id, "tightness-24h.r1", reason="rain", by="A", now=T0 + 2)
    service.skip(record.id, "fill.r1", reason="never begun", by="A", now=T0 + 3)
    service.skip(record.id, "low-air.r1", reason="no switch", by="A", now=T0 + 3)
    deeds = [d for n in events_of(service.store.load(record.id), PLANT) for d in n.declarations]
    # Of what was never begun nothing is ended: it may be somebody else's.
    assert deeds == [ActionKind.DECLARE_IMPAIRMENT, ActionKind.END_IMPAIRMENT]
    service.begin(record.id, "fill.r2", by="A", now=T0 + 4)
    begun = [n for n in events_of(service.store.load(record.id), PLANT) if "fill.r2" in n.key]
    assert [set(n.declarations)
            for n in begun] == [{ActionKind.DECLARE_FILL, ActionKind.DECLARE_IMPAIRMENT}]


def test_what_became_void_ends_what_was_declared_with_it(tmp_path: Path) -> None:
    service, shelf = a_service(tmp_path)
    record = opened(service)
    service.begin(record.id, "low-air.r1", by="A", now=T0)
    shelf.jumps.append((9, T0))
    assert service.check(record.id, "low-air.r1", T0 + 1000).entry.result is Result.OPEN
    notes = [n for n in events_of(service.store.load(record.id), PLANT) if n.declarations]
    assert [(n.fact.values["result"], set(n.declarations)) for n in notes] == [
        ("void", {ActionKind.END_IMPAIRMENT})]


def test_a_day_of_readings_is_not_gone_through_for_every_page(tmp_path: Path) -> None:
    service, shelf = a_service(tmp_path)
    record = opened(service)
    service.begin(record.id, "tightness-24h.r1", by="A", now=T0)
    looks = 0
    read = shelf.numbers

    def counted(point: str, start: int, end: int) -> Sequence[tuple[int, float | None]]:
        nonlocal looks
        looks += point == "r1.pressure"
        return read(point, start, end)
    shelf.numbers = counted  # type: ignore[method-assign]
    for later in (0, 1000, 20_000):
        service.check(record.id, "tightness-24h.r1", T0 + 10 * 3_600_000 + later)
    assert looks == 1
    service.check(record.id, "tightness-24h.r1", T0 + 10 * 3_600_000 + 70_000)
    service.check(record.id, "tightness-24h.r1", T0 + 9 * 3_600_000)  # a clock that was set back
    assert looks == 3


def test_only_what_passed_becomes_a_baseline(tmp_path: Path) -> None:
    service, _ = a_service(tmp_path)
    record, _ = signed(service)
    assert not [n for n in events_of(record, PLANT) if n.fact.fact == "baseline-accepted"]
    with_time = replace(record, entries={**record.entries, "tank-nitrogen.gen1": Entry(
        result=Result.PASSED, evaluation=replace(
            record.entries["purity.gen1"].evaluation,  # type: ignore[type-var]
            measures=(replace(record.entries["purity.gen1"].evaluation.measures[0],  # type: ignore[union-attr]
                              name="time", value=300.0, unit="s"),)))})
    made = [n.fact for n in events_of(with_time, PLANT) if n.fact.fact == "baseline-accepted"]
    assert made[0].values["quantity"] == "pump-up-time"
    assert made[0].values["value"] == pytest.approx(5.0)
    assert "B. Lee" in str(made[0].values["by"])
