"""Commands of the fleet end: hub, archive, rerun."""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import signal
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar

from collector.clock import SystemClock
from collector.commands import Progress, add_span, print_recording_mistakes
from collector.config import load_site
from collector.config.field_types import host_and_port
from collector.config.units import QuantityError
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import JournalError, QuietpipeError, UsageError
from collector.domain.events import Event, event_from_json
from collector.domain.readings import Columns, Reading
from collector.fleet import load_hub
from collector.fleet.archive import Archive, Kept
from collector.fleet.hub import Hub
from collector.fleet.rerun import Job, Rerun, jobs, rerun_site
from collector.journal import Journal
from collector.logs import configure_logs
from collector.recorded import RecordingError, columns_within, read_columns
from collector.recorded.row_reader import load_arrow
from collector.recorded.rows import Codes


def hub_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("hub", type=Path, metavar="HUB.toml", help="the hub's file")
    parser.add_argument("--id", default="hub", metavar="NAME", dest="me",
                        help="name of this process among those of one data folder (default: hub)")
    parser.add_argument("--listen", metavar="HOST:PORT",
                        help="address of its board (default: that of the hub's file)")
    parser.add_argument("--log-level", default="info",
                        choices=["debug", "info", "warning", "error"], help="default: info")


def run_hub(options: argparse.Namespace) -> int:
    """Run the fleet end: many sites from a broker, their alarms, and a board for customers.

    Several hubs may share one data folder; each serves its share of the groups, and the others take
    over the groups of one that was killed. Runs until SIGTERM or Ctrl-C. Accounts are made with
    quietpipe people; the hub's file states which sites each may see.

    Example:
      quietpipe people hub.toml add "K. Marsh" --role look
      quietpipe hub hub.toml
      quietpipe hub hub.toml --id second --listen 127.0.0.1:8701

    """
    if not options.me.replace("-", "").replace("_", "").isalnum():
        raise UsageError("an --id has letters, digits, - and _")
    listen = None
    if options.listen is not None:
        try:
            listen = host_and_port(options.listen)
        except QuantityError as error:
            raise UsageError(f"--listen: {error.problem}; expected {error.expected}") from error
    settings = load_hub(options.hub)
    configure_logs(level=options.log_level)
    print(CAUTIONS["not-a-fire-alarm"], file=sys.stderr)
    return asyncio.run(_serve(Hub(settings, me=options.me, clock=SystemClock(), listen=listen)))


async def _serve(hub: Hub) -> int:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, hub.stop)
    await hub.run(lambda address: print(address, flush=True))
    return 0


_BATCH = 65_536


def archive_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("archive", type=Path, metavar="ARCHIVE",
                        help="the folder; created if missing")
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("readings", type=Path, nargs="*", metavar="READINGS",
                        help="recordings: CSV, CSV in .gz, or .parquet; none: the site's journal")
    parser.add_argument("--events", type=Path, metavar="FILE",
                        help="events of the journal, as export --events writes them")
    add_span(parser)


def run_archive(options: argparse.Namespace) -> int:
    """Write a site's readings and events into the archive of a fleet.

    The archive is a folder, partitioned by site and day: Parquet, open to any other engine. Writing
    the same again changes nothing, and overlapping parts are merged. Without recordings the site's
    own journal is read, readings and events; the daemon may run meanwhile.

    Example:
      quietpipe archive /srv/archive fenmoor.toml
      quietpipe archive /srv/archive fenmoor.toml march.parquet --events march-events.jsonl

    """
    load_arrow()
    config = load_site(options.site, secrets=False)
    archive, site = Archive(options.archive), config.plant.site.id
    try:
        with Progress("archived") as progress:
            if options.readings or options.events:
                readings, events = _from_files(archive, site, options, progress)
            else:
                readings, events = _from_journal(archive, site, options, config.data)
    except RecordingError as error:
        print_recording_mistakes(error, "what comes after the first is not archived.")
        return 2
    print(json.dumps({
        "site": site, "days": readings.days, "readings": readings.given,
        "new_readings": readings.new, "events": events.given, "new_events": events.new,
    }))
    if options.readings and not readings.given:
        print("The recordings have no reading in this span.", file=sys.stderr)
        return 2
    return 0


def _from_files(
    archive: Archive, site: str, options: argparse.Namespace, progress: Progress,
) -> tuple[Kept, Kept]:
    readings = events = Kept()
    if options.readings:
        found = read_columns(options.readings, progress=progress.share)
        readings = archive.write(site, columns_within(found, options.start, options.end))
    if options.events:
        events = archive.write_events(
            site, _within(_read_events(options.events), options.start, options.end))
    return readings, events


def _read_events(path: Path) -> Iterator[Event]:
    try:
        with path.open(encoding="utf-8") as file:
            for number, line in enumerate(file, 1):
                try:
                    yield event_from_json(line)
                except (ValueError, KeyError) as exc:
                    raise UsageError(f"{path} line {number} is no event") from exc
    except OSError as exc:
        raise UsageError(f"{path} cannot be read: {exc.strerror}") from exc


def _within(events: Iterable[Event], start: int | None, end: int | None) -> Iterator[Event]:
    for event in events:
        if (start is None or start <= event.time) and (end is None or event.time < end):
            yield event


def _from_journal(
    archive: Archive, site: str, options: argparse.Namespace, data: Path,
) -> tuple[Kept, Kept]:
    path = data / "journal.sqlite"
    if not path.is_file():
        raise JournalError(f"there is no journal yet at {path}; quietpipe run begins one")
    journal = Journal.open(path, read_only=True)
    try:
        readings = archive.write(
            site, _columns(journal.readings(None, options.start, options.end)))
        stored = journal.events(start=options.start, end=options.end)
        return readings, archive.write_events(site, (s.event for s in stored))
    finally:
        journal.close()


def _columns(readings: Iterable[Reading]) -> Iterator[Columns]:
    codes, remaining = Codes(), iter(readings)
    while batch := list(islice(remaining, _BATCH)):
        yield codes.of_rows([(r.time, r.point, r.value, r.quality, r.why) for r in batch])


def rerun_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("archive", type=Path, metavar="ARCHIVE", help="the folder of the archive")
    parser.add_argument("--sites", type=Path, required=True, metavar="FOLDER",
                        help="folder of the site files, or the folder above theirs")
    parser.add_argument("--only", nargs="+", default=[], metavar="SITE", help="only these sites")
    parser.add_argument("--change", type=Path, metavar="FILE.toml",
                        help="override file applied to every site file")
    parser.add_argument("--cluster", metavar="ADDRESS",
                        help="a Dask scheduler, such as tcp://host:8786; default: this machine")
    parser.add_argument("--workers", type=_count, metavar="N",
                        help="processes on this machine; default: one for each core")
    add_span(parser)


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise ValueError(text)
    return number


def run_rerun(options: argparse.Namespace) -> int:
    """Run the rules again over the archive of a fleet, with or without a changed setting.

    An override file has keys of the site file, such as another limit. Sites are re-run whole, many
    at a time, on this machine or on a Dask cluster whose workers see the same folders. The rules
    start without state at the first reading: include some weeks before the time you ask about.
    Operator actions (a declared fill, an impairment, a reset baseline) are repeated where the
    archive holds the events of the site's journal.

    Events are written as JSON lines, sorted by site, then time. For each site with archived events
    the alarms that are raised more often, or less often, than in them are listed.

    Example:
      quietpipe rerun /srv/archive --sites /etc/quietpipe/sites --change lower.toml > events.jsonl
      quietpipe rerun /srv/archive --sites sites --cluster tcp://10.0.0.5:8786

    """
    if not options.sites.is_dir():
        raise UsageError(f"{options.sites} is not there: --sites is the folder of the site files")
    if options.change is not None and not options.change.is_file():
        raise UsageError(f"{options.change} is not there: --change is a TOML file")
    # A worker may have been started in another folder.
    work = jobs(
        options.archive.resolve(), options.sites.resolve(), only=options.only,
        change=options.change and options.change.resolve(),
        start=options.start, end=options.end,
    )
    if not work:
        raise UsageError(f"{options.archive} holds no site")
    failed = 0
    with Progress("sites re-run") as progress, \
            Cluster(options.cluster, workers=options.workers) as cluster:
        found = cluster.map(rerun_site, work, progress.share)
        for job, result in zip(work, found, strict=True):
            failed += not _print_result(job, result)
    print(f"{len(work) - failed} of {len(work)} sites re-run.", file=sys.stderr)
    return 1 if failed else 0


def _print_result(job: Job, result: Rerun | WorkLost) -> bool:
    """Print the result of a site; return whether it was re-run."""
    error = str(result) if isinstance(result, WorkLost) else result.error
    if isinstance(result, WorkLost) or error:
        print(f"{job.site}: not re-run: {error}", file=sys.stderr)
        return False
    sys.stdout.write("".join(f"{line}\n" for line in result.lines))
    sys.stdout.flush()
    compared = "the alarms of the time are not archived" if result.compared is None \
        else str(result.compared)
    left = f"; left out, since its file has no such thing: {', '.join(result.left_out)}" \
        if result.left_out else ""
    again = f"; not done again: {'; '.join(result.refused)}" if result.refused else ""
    print(f"{job.site}: {compared}{left}{again}", file=sys.stderr)
    return True


A = TypeVar("A")
B = TypeVar("B")
_ANSWER_WITHIN = "20s"
"""Time within which a named cluster must answer."""
_TRIES = 2
"""Further tries of a piece of work that failed for a reason outside it."""


class WorkLost(QuietpipeError):
    """A piece of work could not be done on any worker."""


class Cluster:
    """A context manager. ``address`` names a scheduler; ``workers`` counts those of a local one."""

    def __init__(self, address: str | None = None, *, workers: int | None = None) -> None:
        self._address, self._workers = address, workers
        self._stack = ExitStack()
        self._client: Any = None

    def __repr__(self) -> str:
        return f"Cluster({self._address or 'local'}, {self._workers or 'all'} workers)"

    def __enter__(self) -> Cluster:
        distributed = _load()
        # The library logs each worker that comes and goes; lost work is reported by us.
        for name in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        with ExitStack() as stack:
            server = self._address or stack.enter_context(self._local(distributed, stack))
            try:
                client = distributed.Client(server, timeout=_ANSWER_WITHIN, set_as_default=False)
            except (OSError, ValueError) as exc:
                raise UsageError(
                    f"no Dask scheduler answers at {self._address}: an address is written "
                    "tcp://host:8786") from exc
            self._client = stack.enter_context(client)
            self._stack = stack.pop_all()
        return self

    def _local(self, distributed: Any, stack: ExitStack) -> Any:
        scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="quietpipe-"))
        return distributed.LocalCluster(
            n_workers=self._workers, threads_per_worker=1, processes=True, host="127.0.0.1",
            dashboard_address="127.0.0.1:0", local_directory=scratch, silence_logs=logging.CRITICAL,
        )

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.close()

    def map(
        self, work: Callable[[A], B], pieces: Sequence[A],
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[B | WorkLost]:
        """Yield the result of ``work`` for each piece, in order; ``WorkLost`` for one that failed.

        ``progress`` gets the number done and the number of all, from another thread. A result
        stays with its worker until its turn has come.
        """
        futures = [self._client.submit(work, p, pure=False, retries=_TRIES) for p in pieces]
        done = _Done(len(futures), progress)
        for future in futures:
            future.add_done_callback(done)
        # Each is let go of as soon as it was taken.
        for number in range(len(futures)):
            future, futures[number] = futures[number], None
            try:
                yield future.result()
            except Exception as exc:  # noqa: BLE001 - whatever another process may have met
                yield WorkLost(_why(exc))


class _Done:
    """Counts futures that are done."""

    def __init__(self, total: int, progress: Callable[[int, int], None] | None) -> None:
        self._total, self._progress, self._count = total, progress, 0

    def __call__(self, future: object) -> None:
        self._count += 1
        if self._progress is not None:
            self._progress(self._count, self._total)


def _why(exc: Exception) -> str:
    if type(exc).__name__ == "KilledWorker":
        return "every worker that took it up died: too little memory, or a fault of this program"
    return f"a fault of this program: {type(exc).__name__}: {exc}"


def _load() -> Any:
    try:
        import distributed
    except ImportError as exc:
        raise QuietpipeError(
            "this needs the library Dask: pip install 'quietpipe[fleet]'") from exc
    return distributed
