"""The acceptance service: starts a record, times its steps, takes readings and reasons, signs it.

The command line and the board both use it. It reads the journal and never a device; ``now`` is a
parameter, and every change is on the disk before it returns.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from collector.acceptance.functional_tests import (
    evaluate_contact,
    evaluate_low_air,
    evaluate_purge_finish,
    evaluate_purge_start,
    evaluate_purity,
    evaluate_return,
)
from collector.acceptance.pressure_tests import evaluate_fill, evaluate_tank, evaluate_tightness
from collector.acceptance.record import (
    ABOUT,
    Entry,
    Overall,
    Record,
    RecordError,
    RecordStore,
    Result,
    Signature,
    overall,
    plots_of,
)
from collector.acceptance.step_readings import (
    History,
    Number,
    Outcome,
    StepEvaluation,
    StepReadings,
)
from collector.acceptance.steps import PIPES, Kind, Size, Step, StepGroup, grouped, plan
from collector.clock import format_instant
from collector.domain.basis import printed_basis
from collector.domain.plant import Plant
from collector.domain.units import MINUTE, duration_text
from collector.plots import Bars, Plot
from collector.survey.parts import COOL_DOWN, SiteUnits

EVALUATORS: Mapping[Kind, Callable[[Step, StepReadings], StepEvaluation]] = {
    Kind.TANK_AIR: evaluate_tank, Kind.TANK_NITROGEN: evaluate_tank, Kind.PURITY: evaluate_purity,
    Kind.RETURN: evaluate_return, Kind.FILL: evaluate_fill, Kind.TIGHTNESS_DAY: evaluate_tightness,
    Kind.TIGHTNESS_TWO: evaluate_tightness, Kind.LOW_AIR: evaluate_low_air,
    Kind.CONTACT: evaluate_contact,
    Kind.PURGE_START: evaluate_purge_start, Kind.PURGE_FINISH: evaluate_purge_finish,
}


def evaluate(step: Step, look: StepReadings) -> StepEvaluation:
    """Return the evaluation of a step's readings."""
    return EVALUATORS[step.kind](step, look)


_LEAST_GAP = 30_000
_POLLS = 6
"""Polls in a row that may be lost before a timing has a gap."""
_REUSED = MINUTE
"""ms for which the evaluation of a long step is reused at most."""
_NAME, _TEXT = 80, 500


@dataclass(frozen=True, slots=True, kw_only=True)
class StepState:
    """A step with its entry in the record, and the evaluation of its readings."""

    step: Step
    entry: Entry
    evaluation: StepEvaluation | None


class AcceptanceService:
    """The acceptances of one site. ``render`` returns the PDF of a record."""

    def __init__(
        self, plant: Callable[[], Plant], store: RecordStore, history: History, *,
        render: Callable[[Record, Plant, History, int], bytes],
    ) -> None:
        self._plant, self.store, self._history, self._render = plant, store, history, render
        self._last: dict[tuple[str, int], tuple[int, StepEvaluation]] = {}
        """By step and start: time and finding of the last evaluation."""

    def __repr__(self) -> str:
        return f"AcceptanceService({self.store!r})"

    # -- looking ---------------------------------------------------------------------------------

    def records(self) -> list[Record]:
        """Return every record, the oldest first."""
        return self.store.load_all()

    def current(self) -> Record | None:
        """Return the acceptance in progress, or ``None``."""
        return next((r for r in reversed(self.records()) if r.sealed is None), None)

    def steps(self, record: Record) -> tuple[Step, ...]:
        """Return the record's steps in order."""
        return plan(self._plant(), record.size, record.pipe)

    def step(self, record: Record, step_id: str) -> Step:
        """Return one step. Raises ``RecordError`` for an unknown id."""
        found = next((s for s in self.steps(record) if s.id == step_id), None)
        if found is None:
            raise RecordError(f"there is no step {step_id} here")
        return found

    def basis(self, step: Step) -> str:
        """Return the basis of a step's limit as paper prints it."""
        return printed_basis(step.limit_from, self._plant().site.code)

    def overall(self, record: Record) -> Overall:
        """Return the outcome of the whole record so far."""
        return overall(record, self._plant())

    def groups(self, record: Record) -> tuple[StepGroup, ...]:
        """Return the record's steps by generator and riser."""
        return grouped(self._plant(), self.steps(record))

    def state(self, record: Record, step: Step, now: int) -> StepState:
        """Return the state of a step at ``now`` without changing the record."""
        entry = record.entry(step.id)
        evaluation = self._evaluated(step, entry, now) if entry.result is Result.RUNNING \
            else entry.evaluation
        return StepState(step=step, entry=entry, evaluation=evaluation)

    def _evaluated(self, step: Step, entry: Entry, now: int) -> StepEvaluation:
        """Evaluate a step, or return its last evaluation where that is recent.

        A day of readings takes a second to evaluate, and every open page asks. Readings within a
        small share of a step's duration do not change its outcome.
        """
        key, began = (step.id, entry.began or 0), entry.began or 0
        kept = self._last.get(key)
        if kept is not None and 0 <= now - kept[0] < min((now - began) // 500, _REUSED):
            return kept[1]
        evaluation = self.evaluate(step, entry, now)
        self._last[key] = (now, evaluation)
        return evaluation

    def evaluate(self, step: Step, entry: Entry, now: int) -> StepEvaluation:
        plant, began = self._plant(), entry.began if entry.began is not None else now
        points, end = step.points, max(now, began) + 1
        numbers = {p: self._history.numbers(p, began, end) for p in points}
        whys = {p: self._why(p, some) for p, some in numbers.items()}
        # By number, not time: after a clock was set back, later events have earlier times.
        jumps = self._history.clock_sets(entry.journal_at) if not entry.typed else ()
        return evaluate(step, StepReadings(
            plant=plant, began=began, now=now, numbers=numbers, whys=whys, jumps=jumps,
            longest_gap=self._gap(plant, points), typed=entry.typed))

    def _why(self, point: str, numbers: Sequence[Number]) -> str:
        """Return the reason of the newest bad reading; empty without one."""
        at = next((time for time, value in reversed(numbers) if value is None), None)
        if at is None:
            return ""
        return next((r.why for r in self._history.readings([point], at, at + 1)), "")

    @staticmethod
    def _gap(plant: Plant, points: Sequence[str]) -> int:
        paces = [source.every for p in points if (source := plant.source_of(p)) is not None]
        return max(_POLLS * max(paces, default=0), _LEAST_GAP)

    def plots(self, state: StepState) -> list[Plot | Bars]:
        """Return the raw trends of a step."""
        if state.evaluation is None:
            return []
        return list(plots_of(state.step, state.evaluation, self._plant(), self._history))

    # -- doing -----------------------------------------------------------------------------------

    def open(self, *, by: str, size: Size, now: int, pipe: str = "") -> Record:
        """Start an acceptance. Raises ``RecordError`` while another is in progress.

        ``pipe`` is ``new`` or ``in service`` and chooses the form of the tightness test.
        """
        by = _text(by, "your name", _NAME)
        if pipe not in ("", *PIPES):
            raise RecordError(f"pipe is {' or '.join(PIPES)}, not {pipe}")
        with self.store.changing():
            if (old := self.current()) is not None:
                raise RecordError(f"acceptance {old.id} is in progress: finish and sign it first")
            stamp = format_instant(now // 1000 * 1000).replace(":", "").replace("-", "")
            record = Record(id=f"{self._plant().site.id}-{stamp}", site=self._plant().site.id,
                            opened=now, by=by, size=size, pipe=pipe)
            self.store.save(record)
            return record

    def begin(self, record_id: str, step_id: str, *, by: str, now: int) -> Record:
        """Start a step, also again. Raises ``RecordError`` where it cannot be timed."""
        by = _text(by, "your name", _NAME)

        def change(record: Record) -> Record:
            step, old = self.step(record, step_id), record.entry(step_id)
            if step.blocked:
                raise RecordError(f"{step.title} cannot be timed here: {step.blocked}.")
            if step.kind is Kind.FILL:
                self._alone(record, step, now)
            history = old.history
            if old.evaluation is not None or old.result is Result.RUNNING:
                history = (*history, self._tried(old))
            return record.with_entry(step_id, Entry(
                result=Result.RUNNING, began=now, by=by, history=history,
                journal_at=self._history.last_event()))
        return self._change(record_id, change)

    def _tried(self, old: Entry) -> str:
        when = SiteUnits(self._plant().site).moment(old.began) if old.began is not None else ""
        text = old.evaluation.text if old.evaluation is not None else "Not finished."
        result = "not counted" if old.result is Result.RUNNING else old.result.value
        return f"Started {when} by {old.by}: {result}. {text}"

    def _alone(self, record: Record, step: Step, now: int) -> None:
        """Refuse a fill while another is running, or before the compressor has cooled after one."""
        plant = self._plant()
        feeder = plant.risers[step.asset].fed_by
        for other in self.steps(record):
            if other.kind is not Kind.FILL or other.id == step.id \
                    or plant.risers[other.asset].fed_by != feeder:
                continue
            entry = record.entry(other.id)
            if entry.result is Result.RUNNING:
                raise RecordError(f"{other.title} is running: fill one system at a time.")
            window = entry.evaluation.window if entry.evaluation else None
            ended = window[1] if window else None
            if ended is not None and 0 <= now - ended < COOL_DOWN.value * 1000:
                left = COOL_DOWN.value - (now - ended) / 1000
                raise RecordError("let the compressor cool for another "
                                  f"{duration_text(left * 1000)} after {other.title} "
                                  f"({COOL_DOWN.source}).")

    def check(self, record_id: str, step_id: str, now: int) -> StepState:
        """Evaluate a running step; record the evaluation once it is final or void."""
        record = self.store.load(record_id)
        step = self.step(record, step_id)
        found = self.state(record, step, now)
        if found.entry.result is not Result.RUNNING or found.evaluation is None or not (
                found.evaluation.outcome.settles or found.evaluation.outcome is Outcome.VOID):
            return found
        entry, evaluation = found.entry, found.evaluation
        if evaluation.outcome is Outcome.VOID:
            done = replace(entry, result=Result.OPEN, began=None, ended=now, evaluation=None,
                           history=(
                *entry.history, self._tried(replace(entry, evaluation=evaluation))))
        else:
            passed = evaluation.outcome is Outcome.PASSED
            done = replace(entry, result=Result.PASSED if passed else Result.FAILED, ended=now,
                           evaluation=evaluation)

        def change(fresh: Record) -> Record:
            # Another process may have evaluated or restarted it in the meantime.
            return fresh.with_entry(step_id, done) if fresh.entry(step_id) == entry else fresh
        record = self._change(record_id, change)
        return StepState(step=step, entry=record.entry(step_id), evaluation=evaluation)

    def enter_reading(
        self, record_id: str, step_id: str, *, value: float, instrument: str, serial: str,
        by: str, now: int,
    ) -> StepState:
        """Record the reading of a hand-held instrument (oxygen, %) in place of a wired one."""
        typed = {"value": repr(float(value)), "by": _text(by, "your name", _NAME),
                 "instrument": _text(instrument, "the instrument's name", _NAME),
                 "serial": _text(serial, "the instrument's serial number", _NAME)}
        if not 0.0 <= value <= 100.0:
            raise RecordError(f"{value:g} % oxygen is not possible")

        def change(record: Record) -> Record:
            step, old = self.step(record, step_id), record.entry(step_id)
            if not step.may_type:
                raise RecordError(f"{step.title} is read on the wire, not entered by hand.")
            history = (*old.history,
                       self._tried(old)) if old.evaluation is not None else old.history
            return record.with_entry(step_id, Entry(
                result=Result.RUNNING, began=now, by=typed["by"], typed=typed, history=history))
        self._change(record_id, change)
        return self.check(record_id, step_id, now)

    def skip(
        self, record_id: str, step_id: str, *, reason: str, by: str, now: int,
    ) -> Record:
        """Record that a step is skipped, and why."""
        by, reason = _text(by, "your name", _NAME), _text(reason, "the reason", _TEXT)

        def change(record: Record) -> Record:
            self.step(record, step_id)
            old = record.entry(step_id)
            if old.result in (Result.PASSED, Result.FAILED):
                raise RecordError("it has a result: start it again instead of skipping it")
            history = (*old.history, self._tried(old)) if old.result is Result.RUNNING \
                else old.history
            return record.with_entry(step_id, Entry(
                result=Result.NOT_DONE, ended=now, by=by, reason=reason, history=history,
                began=old.began if old.result is Result.RUNNING else None))
        return self._change(record_id, change)

    def describe(self, record_id: str, about: Mapping[str, str]) -> Record:
        """Record customer, contractor, address and serial numbers; raises ``RecordError``."""
        kept = {key: _text(value, ABOUT[key].lower(), _TEXT) for key, value in about.items()
                if key in ABOUT and value.strip()}
        return self._change(record_id, lambda record: replace(record, about=kept))

    def sign_own(self, record_id: str, *, name: str, role: str, now: int) -> Record:
        """Add the signature of a person who is signed in, once; the PDF is written by ``sign``."""
        one = Signature(name=_text(name, "a name", _NAME), role=_text(role, "a role", _NAME),
                        time=now)

        def change(record: Record) -> Record:
            self._settled(record)
            others = tuple(s for s in record.signatures if s.name != one.name)
            return replace(record, signatures=(*others, one))
        return self._change(record_id, change)

    def _settled(self, record: Record) -> None:
        left = [s.id for s in self.steps(record) if not record.entry(s.id).settled]
        if left:
            raise RecordError("these steps have no result and no reason why they were "
                              f"skipped: {', '.join(left)}")

    def sign(self, record_id: str, people: Sequence[tuple[str, str]], now: int) -> Path:
        """Sign the record with names and roles, write its PDF, return the PDF's path.

        Raises ``RecordError`` while a step has neither a result nor a reason.
        """
        signed = tuple(Signature(name=_text(n, "a name", _NAME), role=_text(r, "a role", _NAME),
                                 time=now) for n, r in people)

        def change(record: Record) -> Record:
            if not signed and not record.signatures:
                raise RecordError("no signature: at least one name with its role is needed")
            self._settled(record)
            sealed = replace(record, signatures=(*record.signatures, *signed), sealed=now)
            content = self._render(sealed, self._plant(), self._history, now)
            self.store.save_pdf(record.id, content)
            return replace(sealed, digest=hashlib.sha256(content).hexdigest())
        self._change(record_id, change)
        return self.store.pdf_path(record_id)

    def _change(self, record_id: str, change: Callable[[Record], Record]) -> Record:
        with self.store.changing():
            old = self.store.load(record_id)
            if old.sealed is not None:
                raise RecordError(f"acceptance {record_id} is signed and cannot be changed")
            new = change(old)
            if new.entries != old.entries or new.about != old.about:
                # What was signed is no longer what is there.
                new = replace(new, signatures=())
            if new != old:
                self.store.save(new)
            return new


def _text(text: str, what: str, longest: int) -> str:
    clean = " ".join(text.split())
    if not clean:
        raise RecordError(f"{what} is needed")
    if len(clean) > longest or not clean.isprintable():
        raise RecordError(f"{what} is too long (more than {longest} characters), or cannot be "
                          "printed")
    return clean
