"""The record of one acceptance (steps, results, manual readings, signatures), JSON on disk.

One file each, replaced atomically, so that a power cut leaves the old or the new record. The
command line and the board use the same files; a lock lets one of them change at a time.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from collector.acceptance.step_readings import History, Measure, Number, Outcome, StepEvaluation
from collector.acceptance.steps import Size, Step, grouped, plan
from collector.domain.basis import printed_basis
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import QuietpipeError
from collector.domain.plant import Plant
from collector.domain.readings import MODES, Quantity, point_kind, split_point
from collector.files import write_whole
from collector.pdf import PdfDocument
from collector.plots import Bar, BarKind, Bars, Curve, Level, Plot, axis_of
from collector.survey.parts import SiteUnits

_FORMAT = 1


class Result(StrEnum):
    """The result of a step in the record."""

    OPEN = "open"
    RUNNING = "running"
    PASSED = "pass"
    FAILED = "fail"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One step in the record. Instants are ms since 1970 UTC.

    ``ended`` of an open entry is the time at which the attempt became void.
    ``reason`` says why it was skipped; ``history`` holds earlier attempts, which do not count.
    """

    result: Result = Result.OPEN
    began: int | None = None
    journal_at: int = 0
    """The number of the journal's newest event when it was begun."""
    ended: int | None = None
    by: str = ""
    reason: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    evaluation: StepEvaluation | None = None
    history: tuple[str, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether the step has a result or a reason."""
        return self.result in (Result.PASSED, Result.FAILED, Result.NOT_DONE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """The name of a person present, their role, and when they signed (ms)."""

    name: str
    role: str
    time: int


ABOUT = {"customer": "Customer", "contractor": "Contractor", "address": "Address",
         "serials": "Serial numbers"}
"""What a record says of the works, with its label."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One acceptance. ``sealed`` is when the PDF was written, ``digest`` its SHA-256 in hex."""

    id: str
    site: str
    opened: int
    by: str
    size: Size
    entries: Mapping[str, Entry] = field(default_factory=dict)
    signatures: tuple[Signature, ...] = ()
    sealed: int | None = None
    digest: str = ""
    pipe: str = ""
    """``new`` or ``in service``; empty in a record of an earlier version: both were tested."""
    about: Mapping[str, str] = field(default_factory=dict)
    """What the paper says of the works beside the tests; keys of :data:`ABOUT`."""

    def entry(self, step: str) -> Entry:
        return self.entries.get(step, Entry())

    def with_entry(self, step: str, entry: Entry) -> Record:
        """Return the record with another entry for a step."""
        return replace(self, entries={**self.entries, step: entry})


def record_to_json(record: Record) -> str:
    raw = {"format": _FORMAT, **asdict(record)}
    for entry in raw["entries"].values():
        entry["finding"] = entry.pop("evaluation")
    return json.dumps(raw, ensure_ascii=False, indent=1, allow_nan=False)


def record_from_json(text: str) -> Record:
    """Read what :func:`record_to_json` wrote. Raises ``ValueError`` or ``KeyError`` otherwise."""
    raw = json.loads(text)
    if raw["format"] != _FORMAT:
        raise ValueError(f"format {raw['format']} of a later version")
    return Record(
        id=raw["id"], site=raw["site"], opened=int(raw["opened"]), by=raw["by"],
        size=Size(raw["size"]), sealed=raw["sealed"], digest=raw["digest"],
        pipe=raw.get("pipe", ""), about=dict(raw.get("about", {})),
        entries={step: _entry(entry) for step, entry in raw["entries"].items()},
        signatures=tuple(Signature(name=s["name"], role=s["role"], time=int(s["time"]))
                         for s in raw["signatures"]),
    )


def _entry(raw: Mapping[str, Any]) -> Entry:
    evaluation = raw["finding"]
    return Entry(
        result=Result(raw["result"]), began=raw["began"], journal_at=int(raw["journal_at"]),
        ended=raw["ended"], by=raw["by"],
        reason=raw["reason"], typed=dict(raw["typed"]), history=tuple(raw["history"]),
        evaluation=None if evaluation is None else _evaluation(evaluation),
    )


def _evaluation(raw: Mapping[str, Any]) -> StepEvaluation:
    window = raw["window"]
    return StepEvaluation(
        outcome=Outcome(raw["outcome"]), text=raw["text"], remarks=tuple(raw["remarks"]),
        measures=tuple(Measure.read(m) for m in raw["measures"]),
        window=None if window is None else (int(window[0]), int(window[1])),
    )


class RecordError(QuietpipeError):
    """A record cannot be read or written, or does not allow the action."""


class RecordStore:
    """The records in ``folder``, which is made with the first record."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __repr__(self) -> str:
        return f"RecordStore({self.folder})"

    @contextlib.contextmanager
    def changing(self) -> Iterator[None]:
        """Context in which records are locked: the record loaded inside is the one replaced."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise RecordError(f"the folder {self.folder} cannot be written: {error.strerror}") \
                from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)  # which releases the lock, as the end of the process would

    def load_all(self) -> list[Record]:
        """Return every record, the oldest first. Raises ``RecordError`` for one that is damaged."""
        return sorted((self._read(p) for p in self.folder.glob("*.json")), key=lambda r: r.opened)

    def load(self, record_id: str) -> Record:
        """Return one record. Raises ``RecordError`` when there is none, or it is damaged."""
        path = self._path(record_id)
        if not path.is_file():
            raise RecordError(f"there is no acceptance {record_id}")
        return self._read(path)

    def save(self, record: Record) -> None:
        """Write a record and sync it to the disk."""
        self._write(self._path(record.id), record_to_json(record).encode())

    def pdf_path(self, record_id: str) -> Path:
        """Return the path of the record's PDF, also before it is written."""
        return self._path(record_id).with_suffix(".pdf")

    def save_pdf(self, record_id: str, content: bytes) -> Path:
        """Write the PDF; return its path."""
        path = self.pdf_path(record_id)
        self._write(path, content)
        return path

    def _path(self, record_id: str) -> Path:
        if not record_id.replace("-", "").isalnum():
            raise RecordError(f"not an id of an acceptance: {record_id!r}")
        return self.folder / f"{record_id}.json"

    @staticmethod
    def _read(path: Path) -> Record:
        try:
            return record_from_json(path.read_text(encoding="utf-8"))
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise RecordError(f"{path} cannot be read: {error}") from error

    @staticmethod
    def _write(path: Path, content: bytes) -> None:
        try:
            write_whole(path, content, mode=0o666)
        except OSError as error:
            raise RecordError(f"{path} cannot be written: {error.strerror}") from error


_MARGIN = 0.05
"""Share of a step's time that is shown before and after it."""
_MOST = 1500
"""Points of one curve; of more, each n-th is drawn."""


def plots_of(
    step: Step, evaluation: StepEvaluation, plant: Plant, history: History,
) -> Iterator[Plot | Bars]:
    """Yield the raw trend of each number of a step, and strips of its contacts."""
    if evaluation.window is None or evaluation.window[0] >= evaluation.window[1]:
        return
    start, end = evaluation.window
    around = max(round((end - start) * _MARGIN), 30_000)
    strips: list[tuple[str, Sequence[Bar]]] = []
    for point in step.points:
        thing, name = split_point(point)
        owner = plant.thing(thing)
        quantity = point_kind(owner.kind, name) if owner is not None else None
        rows = history.numbers(point, start - around, end + around + 1)
        if quantity is None or not any(value is not None for _, value in rows):
            continue
        if quantity.is_contact or quantity.unit == "mode":
            strips.append((point, _bars(rows, quantity)))
            continue
        yield Plot(
            title=f"{point}, as it was read", start=start - around, end=end + around,
            zone=plant.site.timezone, axis=axis_of(quantity, plant.site.units),
            series=(Curve(label=quantity.label, points=_curve(rows)),), height=150,
            levels=tuple(_levels(step, quantity)), key=f"{step.id}-{point}".replace(".", "-"))
    if strips:
        yield Bars(title="Contacts and mode, as they were read", start=start - around,
                   end=end + around, zone=plant.site.timezone, rows=strips,
                   key=f"{step.id}-strips".replace(".", "-"))


def _bars(numbers: Sequence[Number], quantity: Quantity) -> list[Bar]:
    """Return the stretches in which a contact read closed, or a mode read the same."""
    found: list[Bar] = []
    since: tuple[int, float] | None = None
    # A mode carries its word, which wants a light bar.
    kind = BarKind.MUTED if quantity.unit == "mode" else BarKind.RUN
    for time, value in (*numbers, (numbers[-1][0], None)):
        if since is not None and value != since[1]:
            found.append(Bar(start=since[0], end=time, word=_word(since[1], quantity),
                             kind=kind))
            since = None
        if value is not None and since is None and (value > 0.5 or quantity.unit == "mode"):
            since = (time, value)
    return found


def _word(value: float, quantity: Quantity) -> str:
    if quantity.unit == "mode" and value in range(len(MODES)):
        return MODES[int(value)]
    return ""


def _curve(numbers: Sequence[Number]) -> list[Number]:
    every = max(1, -(-len(numbers) // _MOST))
    # A reading that was not had opens a gap, and is never thinned away.
    return [number for n, number in enumerate(numbers) if n % every == 0 or number[1] is None]


def _levels(step: Step, quantity: Quantity) -> Iterator[Level]:
    names = {"psi": (("from", "from"), ("to", "to"), ("psi", "set")), "%": (("percent", "limit"),)}
    for key, label in names.get(quantity.unit, ()):
        value = step.limits.get(key)
        if value is not None and step.kind.value.partition("-")[0] != "return":
            yield Level(value=value, label=label)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overall:
    """The outcome of the whole acceptance; ``accepted`` only when every step passed."""

    accepted: bool
    text: str


def overall(record: Record, plant: Plant) -> Overall:
    """Return the outcome of a record, also before it is signed."""
    results = [record.entry(s.id).result for s in plan(plant, record.size, record.pipe)]
    total, passed = len(results), results.count(Result.PASSED)
    failed = results.count(Result.FAILED)
    left = total - passed - failed
    if total and passed == total:
        return Overall(accepted=True, text=f"Accepted: all {total} steps passed")
    parts = [f"{failed} of {total} failed"] if failed else []
    parts += [f"{left} of {total} not done"] if left else []
    return Overall(accepted=False, text=f"Not accepted: {', '.join(parts)}, {passed} passed")


_RESULTS = {Result.PASSED: "Pass", Result.FAILED: "FAIL", Result.NOT_DONE: "Not done",
            Result.OPEN: "Not started", Result.RUNNING: "Running"}
_HOW = ("Times and pressures were taken from the readings that quietpipe journalled; manual "
        "readings name their instrument. The SHA-256 of this file is in the journal: "
        "quietpipe acceptance SITE.toml --verify FILE shows whether a byte of it was changed.")


def render_record(record: Record, plant: Plant, history: History, now: int) -> bytes:
    """Return the PDF. ``history`` gives the raw trend of each step."""
    words = SiteUnits(plant.site)
    sealed = record.sealed if record.sealed is not None else now
    paper = PdfDocument(
        site=plant.site.name, period=f"{words.moment(record.opened)} to {words.moment(sealed)}",
        title="Acceptance record", made=now, zone=plant.site.timezone)
    steps = plan(plant, record.size, record.pipe)
    paper.banner(overall(record, plant).text)
    paper.pairs([
        *((label, record.about[key]) for key, label in ABOUT.items() if record.about.get(key)),
        ("Record", record.id), ("Opened", f"{words.moment(record.opened)} by {record.by}"),
        ("Signed", words.moment(sealed)), ("Size of the unit", record.size.value),
        *([("Pipe", record.pipe)] if record.pipe else [])])
    paper.box("Cautions", [CAUTIONS[n] for n in (
        "not-a-fire-alarm", "impairment", "compressor", "oxygen", "only-reads")])
    paper.heading("Results")
    groups = grouped(plant, steps)
    for group in groups:
        paper.heading(group.title, level=2)
        paper.table(
            ["Step", "Result", "What was found"],
            [[s.title, _RESULTS[e.result], _said(e)] for s in group.steps
             for e in (record.entry(s.id),)],
            widths=(5, 2, 8))
    for group in groups:
        paper.heading(group.title)
        for step in group.steps:
            _step(paper, step, record.entry(step.id), plant, history)
    # On a page of its own, so that no signature is cut in two.
    paper.page()
    paper.heading("Signatures")
    paper.paragraph(
        "Each person signed with an account of their own, or typed their name beside the others; "
        "each with role and time.", soft=True)
    paper.signatures([(s.name, s.role, words.moment(s.time)) for s in record.signatures])
    paper.paragraph(_HOW, soft=True)
    return paper.bytes()


def _said(entry: Entry) -> str:
    if entry.result is Result.NOT_DONE:
        return entry.reason
    return entry.evaluation.text if entry.evaluation is not None else ""


def _step(
    paper: PdfDocument, step: Step, entry: Entry, plant: Plant, history: History,
) -> None:
    words = SiteUnits(plant.site)
    paper.heading(f"{step.title}: {_RESULTS[entry.result]}", level=2)
    paper.paragraph(_said(entry), strong=True)
    times = [("Skipped by", entry.by)] if entry.result is Result.NOT_DONE or not entry.began \
        else [("Started", f"{words.moment(entry.began)} by {entry.by}")]
    if entry.ended is not None:
        times.append(("Finished", words.moment(entry.ended)))
    if step.limit_from:
        times.append(("Limit", printed_basis(step.limit_from, plant.site.code)))
    paper.pairs(times)
    evaluation = entry.evaluation
    if evaluation is not None:
        paper.table(["Value", "Found", "Limit", "Read from"], [
            [m.name.capitalize(), m.shown, m.limit or "–", m.source] for m in evaluation.measures
        ], widths=(3, 4, 3, 5))
        for plot in plots_of(step, evaluation, plant, history):
            paper.plot(plot)
    remarks = [*(evaluation.remarks if evaluation is not None else ()), *entry.history]
    if remarks:
        paper.bullets(remarks)
