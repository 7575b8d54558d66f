"""Seconds that a year's report takes: ``python -m tests.benchmarks.bench_report [FOLDER]``.

A year of 48 points each hour with daily estimates and alarms is written into a real journal and
packed, but for the last day. Then ``quietpipe report`` is run as anybody runs it, in a process of
its own, and the pages of the PDF are counted. With a folder the files are left there, and a history
that was written there before is used again. Processor seconds stand beside those of the wall clock:
the two differ on a machine that is busy otherwise.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from pypdf import PdfReader

from collector.journal import Journal
from tests.reports.example import DAY, HOUR, at, fill, site_file

START, DAYS, RISERS = at("2025-01-01"), 365, 4


def processor() -> float:
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    return spent.ru_utime + spent.ru_stime


def main() -> None:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[1] if len(sys.argv) > 1 else temporary)
        folder.mkdir(parents=True, exist_ok=True)
        site = site_file(folder, RISERS)
        written = folder / "written"
        if not written.exists():
            began = time.perf_counter()
            with Journal.open(folder / "var/journal.sqlite") as journal:
                fill(journal, START, DAYS, every=HOUR, risers=RISERS, wide=True)
                journal.pack(START + (DAYS - 1) * DAY)
                figures = journal.statistics()
            print(f"history: {figures.points} points, {figures.readings_packed:,} readings packed, "
                  f"{figures.readings_open:,} open, written in {time.perf_counter() - began:.0f} s")
            written.touch()
        for formats in ("html", "pdf", "html,pdf"):
            began, used = time.perf_counter(), processor()
            subprocess.run(
                [sys.executable, "-m", "collector.cli", "report", str(site), "--from",
                 "2025-01-01", "--to", "2026-01-01", "--out", str(folder), "--format", formats],
                check=True, stdout=subprocess.DEVNULL)
            print(f"{formats:9} {time.perf_counter() - began:5.2f} s, of the processor "
                  f"{processor() - used:5.2f} s", flush=True)
        for file in sorted(folder.glob("fenmoor-*")):
            pages = f", {len(PdfReader(file).pages)} pages" if file.suffix == ".pdf" else ""
            print(f"{file.name}: {file.stat().st_size / 1000:.0f} kB{pages}")


if __name__ == "__main__":
    main()
