"""One site of the archive under the rules again, perhaps with a change.

A site is re-run whole and in one place: rules carry their state from day to day. They begin afresh
at the first reading, as a replay does, and learn what they learn from then on. What people did, as
the archived events tell it, is done again where it stands in time.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from collector.app.monitor import Watch
from collector.config import load_site
from collector.domain.columns import Columns
from collector.domain.errors import QuietpipeError, SiteFileError
from collector.domain.events import FactNoted, event_to_json
from collector.fleet.archive import Archive
from collector.fleet.comparing import Comparison, compared
from collector.fleet.deeds import Course
from collector.recorded import Sieve

__all__ = ["Job", "Rerun", "jobs", "rerun_site", "site_files"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What to re-run. All paths are ones that every worker sees; instants in ms."""

    site: str
    archive: Path
    file: Path | None
    """The site file; ``None`` where none was found."""
    change: Path | None = None
    start: int | None = None
    end: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rerun:
    """What came of one site: the events as lines of JSON, or why there are none."""

    site: str
    lines: tuple[str, ...] = ()
    readings: int = 0
    left_out: tuple[str, ...] = ()
    """Points in the archive of things that the site file does not have."""
    refused: tuple[str, ...] = ()
    """What people did then that could not be done again, and why."""
    compared: Comparison | None = None
    """``None`` where the archive does not hold what was told."""
    error: str = ""


def site_files(folder: Path) -> Mapping[str, Path]:
    """Return the site files in a folder and those below it, by the id of their site.

    What is no site file (a device profile) is passed over, and so is what is not TOML at all: a
    site whose file cannot be read has none, and is named for that.
    """
    found: dict[str, Path] = {}
    for path in sorted([*folder.glob("*.toml"), *folder.glob("*/*.toml")]):
        try:
            site = tomllib.loads(path.read_text(encoding="utf-8-sig")).get("site")
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
            continue
        if isinstance(site, dict) and isinstance(site.get("id"), str):
            found.setdefault(site["id"], path)
    return found


def jobs(
    archive: Path, sites: Path, *, only: Iterable[str] = (), change: Path | None = None,
    start: int | None = None, end: int | None = None,
) -> list[Job]:
    """Return a job for each site of the archive, or for those of ``only``, sorted by id."""
    files = site_files(sites)
    return [
        Job(site=site, archive=archive, file=files.get(site), change=change, start=start, end=end)
        for site in (sorted(set(only)) or Archive(archive).sites())
    ]


def rerun_site(job: Job) -> Rerun:
    """Re-run one site. A mistake in its files becomes its ``error`` and is nobody else's."""
    if job.file is None:
        return Rerun(site=job.site, error="no site file that can be read has this id")
    try:
        return _rerun(job, job.file)
    except SiteFileError as error:
        return Rerun(site=job.site, error="; ".join(str(m) for m in error.mistakes))
    except QuietpipeError as error:
        return Rerun(site=job.site, error=str(error).replace("\n", "; "))
    except OSError as error:
        return Rerun(site=job.site, error=f"{error.filename}: {error.strerror}")


def _rerun(job: Job, file: Path) -> Rerun:
    config = load_site(file, secrets=False, change=job.change)
    archive, sieve = Archive(job.archive), Sieve(config.plant)
    watch = Watch(plant=config.plant, settings=config.settings, step=config.step)
    told, count = list(archive.events(job.site, job.start, job.end)), _Count()
    course = Course(watch, [e for e in told if isinstance(e, FactNoted)])
    found = archive.readings(job.site, job.start, job.end)
    events = list(course.events(count.of(sieve.columns(found))))
    if not count.rows:
        return Rerun(site=job.site, error="the archive has no readings of it in this span")
    return Rerun(
        site=job.site, lines=tuple(event_to_json(e) for e in events), readings=count.rows,
        left_out=tuple(sieve.left_out()), refused=tuple(course.refused),
        compared=compared(told, events) if archive.has_events(job.site) else None,
    )


class _Count:
    """Counts rows that pass."""

    def __init__(self) -> None:
        self.rows = 0

    def of(self, batches: Iterable[Columns]) -> Iterator[Columns]:
        for columns in batches:
            self.rows += len(columns)
            yield columns
