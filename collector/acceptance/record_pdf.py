"""The record as PDF: each step with numbers, limits, sources and raw trend; the signatures."""

from __future__ import annotations

from collector.acceptance.acceptance_service import History
from collector.acceptance.record import Entry, Record, Result
from collector.acceptance.step_plots import plots_of
from collector.acceptance.steps import Step, plan
from collector.domain.conditions import CAUTIONS
from collector.domain.plant import Plant
from collector.pdf import PdfDocument
from collector.survey.site_units import SiteUnits

__all__ = ["render_record"]

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
    steps = plan(plant, record.size)
    paper.pairs([
        ("Record", record.id), ("Opened", f"{words.moment(record.opened)} by {record.by}"),
        ("Signed", words.moment(sealed)), ("Size of the unit", record.size.value)])
    paper.box("Cautions", [CAUTIONS[n] for n in (
        "not-a-fire-alarm", "impairment", "compressor", "oxygen", "only-reads")])
    paper.heading("Results")
    paper.table(
        ["Step", "Result", "Finding"],
        [[s.title, _RESULTS[e.result], _said(e)] for s in steps for e in (record.entry(s.id),)],
        widths=(5, 2, 8))
    paper.heading("The steps")
    for step in steps:
        _step(paper, step, record.entry(step.id), plant, history)
    # On a page of its own, so that no signature is cut in two.
    paper.page()
    paper.heading("Signatures")
    paper.paragraph(
        "Names were typed by the people present, each with their role and the time.", soft=True)
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
        times.append(("Limit", step.limit_from))
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
