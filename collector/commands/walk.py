"""The dialogue of an acceptance: shows a step, waits for it, asks what to do. Writes to stderr."""

from __future__ import annotations

import asyncio
import sys
import textwrap
from collections.abc import Sequence

from collector.acceptance import (
    AcceptanceService,
    Kind,
    Outcome,
    Record,
    RecordError,
    Result,
    Size,
    Step,
    StepEvaluation,
    StepState,
)
from collector.clock import SystemClock
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import JournalError, UsageError
from collector.journal import Journal
from collector.survey.parts import SiteUnits

_PAUSE = 1000
_STALLED = 30_000
_WIDTH = 98
_WANTS_MORE = (Kind.TIGHTNESS_DAY, Kind.TIGHTNESS_TWO)
"""Steps that more readings can still decide."""


class Walk:
    """Guides a technician through the steps. ``by`` is their name."""

    def __init__(
        self, service: AcceptanceService, journal: Journal, words: SiteUnits, *, by: str,
    ) -> None:
        self._service, self._journal, self.words, self._by = service, journal, words, by
        self._clock = SystemClock()

    def now(self) -> int:
        """Return the daemon's time (ms): that of its last evaluation."""
        tick = self._journal.meta("tick")
        if tick is None or not tick.isdecimal():
            raise JournalError("the daemon has not read anything yet; is quietpipe run running?")
        return int(tick)

    def ask_name(self) -> None:
        """Ask for the technician's name where it was not given."""
        if not self._by:
            self._by = self._ask("Your name: ")
        if not self._by:
            raise UsageError("who does this? Say so with --by NAME")

    def open(self, size: Size, pipe: str = "") -> Record:
        """Open an acceptance."""
        record = self._service.open(by=self._by, size=size, now=self.now(), pipe=pipe)
        self._say(f"Acceptance {record.id} is open, for a {size} unit.")
        return record

    def imagined(self) -> Record:
        """Return a record that is not stored, for a list of the steps."""
        return Record(id="none", site="", opened=0, by="", size=Size.SMALL)

    # -- one step ----------------------------------------------------------------------------------

    def skip(self, record: Record, step_id: str, reason: str) -> int:
        """Record why a step is not done."""
        self._service.skip(record.id, step_id, reason=reason, by=self._by, now=self.now())
        self._result(self._service.step(record, step_id), Result.NOT_DONE, reason)
        return 0

    def enter_reading(
        self, record: Record, step_id: str, value: float, instrument: str, serial: str,
    ) -> int:
        """Record the reading of a hand-held instrument."""
        seen = self._service.enter_reading(record.id, step_id, value=value, instrument=instrument,
                                  serial=serial, by=self._by, now=self.now())
        return self._show_result(seen)

    def one(self, record: Record, step_id: str, *, again: bool) -> int:
        """Do one step: start it unless it is running, and wait for its result."""
        step = self._service.step(record, step_id)
        entry = record.entry(step_id)
        if entry.settled and not again:
            self._result(step, entry.result,
                         entry.reason or (entry.evaluation.text if entry.evaluation else ""))
            return 0 if entry.result is not Result.FAILED else 1
        self._show(step)
        if again or entry.result is not Result.RUNNING:
            self._service.begin(record.id, step_id, by=self._by, now=self.now())
            self._say("Begun. It goes on if you leave (Ctrl-C); call this again to look.")
        return self._show_result(self._follow(record, step))

    def sign(self, record: Record, people: Sequence[tuple[str, str]]) -> int:
        """Sign, write the PDF, and wait until its hash is in the journal."""
        path = self._service.sign(record.id, people, self.now())
        digest = self._service.store.load(record.id).digest
        print(path)
        self._say(f"Signed. SHA-256 {digest}")
        for _ in range(15):
            if any(getattr(s.event, "values", {}).get("sha256") == digest
                   for s in self._journal.events(kind="acceptance-signed")):
                self._say("The hash is in the journal: the record can be verified.")
                return 0
            self._pause(_PAUSE)
        self._say("The hash is not in the journal yet: it is written as soon as the daemon runs.")
        return 0

    def _show_result(self, seen: StepState) -> int:
        text = seen.evaluation.text if seen.evaluation is not None else ""
        self._result(seen.step, seen.entry.result, text)
        return 1 if seen.entry.result is Result.FAILED else 0

    # -- one after another -------------------------------------------------------------------------

    def all(self, record: Record) -> int:
        """Do every step without a result, in order; return when none is left, or on q."""
        for step in self._service.steps(record):
            while not (entry := self._service.store.load(record.id).entry(step.id)).settled:
                self._show(step)
                if not self._offer(record, step, running=entry.result is Result.RUNNING):
                    break
                if self._left:
                    self._say("Left as it is. Call quietpipe acceptance again to go on.")
                    return 0
        return self._end(record)

    _left = False

    def _offer(self, record: Record, step: Step, *, running: bool) -> bool:
        """Ask what to do with a step; return whether to look at it again."""
        typed = ", t type in an instrument's reading" if step.may_type else ""
        begin = "Enter leaves it out for that reason, " if step.blocked else \
            "Enter waits for it, " if running else "Enter begins, "
        answer = self._ask(f"{begin}s leaves it out with a reason, n goes on to the next{typed}, "
                           "q quits: ").lower()
        try:
            if answer == "q":
                self._left = True
            elif answer == "n":
                return False
            elif answer == "s":
                self.skip(record, step.id, self._ask("Why is it not done? "))
            elif answer == "t" and step.may_type:
                self._ask_reading(record, step)
            elif answer == "" and step.blocked:
                self.skip(record, step.id, step.blocked)
            elif answer == "":
                self._run(record, step, running=running)
        except RecordError as error:
            self._say(f"That cannot be: {error}")
        return True

    def _run(self, record: Record, step: Step, *, running: bool) -> None:
        if not running:
            self._service.begin(record.id, step.id, by=self._by, now=self.now())
        self._say("Ctrl-C goes back to the question; the step goes on without you.")
        try:
            self._show_result(self._follow(record, step))
        except KeyboardInterrupt:
            self._say("")

    def _ask_reading(self, record: Record, step: Step) -> None:
        text = self._ask("Oxygen in the product, %: ")
        try:
            value = float(text.strip().removesuffix("%"))
        except ValueError:
            raise RecordError(f"{text!r} is not a number") from None
        self.enter_reading(record, step.id, value, self._ask("Instrument: "),
                     self._ask("Its serial number: "))

    def _end(self, record: Record) -> int:
        record = self._service.store.load(record.id)
        left = [s for s in self._service.steps(record) if not record.entry(s.id).settled]
        if left:
            names = ', '.join(s.id for s in left)
            self._say(f"{len(left)} of the steps have no result yet: {names}")
            return 0
        self._say("Every step has a result or a reason. Now those present sign: name and role, "
                  "one after another; an empty name ends it.")
        people = []
        while name := self._ask("Name: "):
            people.append((name, self._ask("Role: ")))
        return self.sign(record, people) if people else 0

    # -- waiting and showing -----------------------------------------------------------------------

    def _follow(self, record: Record, step: Step) -> StepState:
        """Evaluate again and again until the step has a result, is void, or cannot be decided."""
        shown, stood, time = "", self._clock.monotonic(), self.now()
        while True:
            before = self._clock.monotonic()
            seen = self._service.check(record.id, step.id, self.now())
            if seen.entry.result is not Result.RUNNING or _stuck(step, seen.evaluation):
                self._wipe()
                return seen
            text = seen.evaluation.text if seen.evaluation is not None else ""
            if text != shown:
                self._progress(text)
                shown = text
            now = self.now()
            if now != time:
                time, stood = now, before
            elif before - stood > _STALLED:
                self._wipe()
                self._say("The daemon has evaluated nothing for 30 s: is quietpipe run running?")
                stood = before
            # A day of readings takes a moment to go through: never spend more than a fifth on it.
            self._pause(max(_PAUSE, 4 * (self._clock.monotonic() - before)))

    def _show(self, step: Step) -> None:
        self._say(f"\n{step.title}  [{step.id}]")
        for name in step.cautions:
            self._say(f"CAUTION  {CAUTIONS[name]}")
        for n, text in enumerate(step.ask, 1):
            self._say(f"  {n}. {text}")
        if step.limit_from:
            self._say(f"  Limit: {self._service.basis(step)}.")
        if step.blocked:
            self._say(f"  It cannot be timed here: {step.blocked}.")

    def _result(self, step: Step, result: Result, text: str) -> None:
        print(f"{result.value}\t{step.id}\t{text}", flush=True)

    @staticmethod
    def _say(text: str) -> None:
        print(textwrap.fill(text, _WIDTH, subsequent_indent="     ") if len(text) > _WIDTH
              else text, file=sys.stderr, flush=True)

    @staticmethod
    def _ask(question: str) -> str:
        print(question, end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise UsageError("no answer: standard input has ended")
        return line.strip()

    @staticmethod
    def _progress(text: str) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(f"\r\x1b[K{text[:_WIDTH]}")
        else:
            sys.stderr.write(f"{text}\n")
        sys.stderr.flush()

    @staticmethod
    def _wipe() -> None:
        if sys.stderr.isatty():
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def _pause(self, duration: int) -> None:
        asyncio.run(self._clock.sleep(duration))


def _stuck(step: Step, evaluation: StepEvaluation | None) -> bool:
    return evaluation is not None and evaluation.outcome is Outcome.UNDECIDED \
        and step.kind not in _WANTS_MORE
