"""A fortnight of history, made once."""

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from collector.config import load_site
from collector.journal import Journal
from collector.reports import Report, report_of
from collector.reports.report_data import Bullets, Heading, Pairs, Paragraph, Table
from tests.reports.example import DAY, HOUR, MIN, at, fill, site_file

START = at("2026-03-16")
GAP = (START + 5 * DAY, START + 5 * DAY + 7 * HOUR)


@pytest.fixture(scope="session")
def fortnight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site file of a site with 14 days, seven hours of them not seen."""
    folder = tmp_path_factory.mktemp("fortnight")
    path = site_file(folder)
    with Journal.open(folder / "var/journal.sqlite") as journal:
        fill(journal, START, 14, every=30 * MIN, gap=GAP)
        journal.pack(START + 13 * DAY)
    return path


def report(site: Path, start: int, end: int, made: int | None = None) -> Report:
    config = load_site(site)
    with Journal.open(config.data / "journal.sqlite", read_only=True) as journal:
        return report_of(config, journal, start=start, end=end, made=made or end)


@pytest.fixture
def make() -> Callable[..., Report]:
    return report


def section(found: Report, title: str) -> list:
    """The blocks from one heading to the next of its level or above."""
    blocks: list = []
    level = 0
    for block in found.blocks:
        if isinstance(block, Heading):
            if block.text == title:
                level = block.level
                continue
            if level and block.level <= level:
                level = 0
        if level:
            blocks.append(block)
    assert blocks, title
    return blocks


def rows(blocks: Sequence[object]) -> list[tuple[str, ...]]:
    return [tuple(row) for b in blocks if isinstance(b, Table) for row in b.rows]


def words(blocks: Sequence[object]) -> list[str]:
    found: list[str] = []
    for block in blocks:
        match block:
            case Heading() | Paragraph():
                found.append(block.text)
            case Bullets():
                found.extend(block.items)
            case Pairs():
                found.extend(f"{n}: {v}" for n, v in block.pairs)
            case Table():
                found.extend(" | ".join(row) for row in block.rows)
    return found
