"""Finds what answers: units at an address, settings of a serial line, addresses in each table."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from collector.commissioning.questions import PacedClient, Vanished
from collector.sources import Address
from collector.sources.pdu import BIT_TABLES, FUNCTION_CODES

UNITS = (*range(1, 21), 247, 255)
"""Units asked unless the technician names others: the usual ones, and what gateways answer to."""
FIRST = 128
"""Addresses looked at from 0 on in each table of registers; half as many in tables of bits."""
BASES = (
    *range(200, 1000, 100), *range(1000, 10000, 1000), 10000, 20000, 30000, 30001, 40000, 40001,
)
"""Where register maps often begin. Each is tried; where one answers, its surroundings are too."""
_BLOCK = 32
_SPLIT = 4
Progress = Callable[[str], None]


def line_settings(path: str) -> Iterator[Address]:
    """Yield the settings of a serial line to try, the common ones first."""
    parities = ("even", "none", "odd")
    for baud, parity in itertools.product((9600, 19200, 38400, 57600, 115200, 4800), parities):
        yield Address(kind="rtu", path=path, baud=baud, parity=parity,
                      stop_bits=2 if parity == "none" else 1)


async def unit_answers(client: PacedClient, unit: int) -> bool | None:
    """Return whether a unit replies, if only with a refusal; ``None`` where the line is down."""
    for table in ("holding-registers", "input-registers") * 2:
        outcome = await client.ask(unit, table, 0, tries=1)
        if outcome.down:
            return None
        if outcome.answered:
            return True
    return False


async def find_units(
    client: PacedClient, units: Sequence[int] = UNITS, progress: Progress = lambda _line: None,
) -> list[int]:
    """Return the units that answer. Ends early where there is no line to ask on."""
    found = []
    for unit in units:
        answers = await unit_answers(client, unit)
        if answers is None:
            break
        progress(f"unit {unit}: {'answers' if answers else 'no answer'}")
        if answers:
            found.append(unit)
    return found


@dataclass(kw_only=True)
class Explored:
    """The addresses known to exist in the tables of one unit; plain, to be stored as JSON."""

    present: dict[str, list[int]] = field(default_factory=dict)
    """Addresses that exist, by table, ascending."""
    done: list[str] = field(default_factory=list)
    """Blocks that were looked at, as ``table:start+count``, so that a stopped search goes on."""
    absent: list[str] = field(default_factory=list)
    """Tables that the device does not have."""
    largest: int = _BLOCK
    """The most registers that it granted in one question."""

    def runs(self, wanted: set[tuple[str, int]] | None = None) -> Iterator[tuple[str, int, int]]:
        """Yield ``(table, address, count)`` of the requests that read every address once."""
        for table, addresses in self.present.items():
            most = min(self.largest * 16, 256) if table in BIT_TABLES else self.largest
            start, count = -1, 0
            for address in addresses:
                if wanted is not None and (table, address) not in wanted:
                    continue
                if count and address == start + count and count < most:
                    count += 1
                    continue
                if count:
                    yield table, start, count
                start, count = address, 1
            if count:
                yield table, start, count


async def explore(
    client: PacedClient, unit: int, explored: Explored, *,
    ranges: Sequence[tuple[int, int]] = (), progress: Progress = lambda _line: None,
    keep: Callable[[], None] = lambda: None,
) -> None:
    """Find which addresses of each table exist; ``explored`` gains block by block.

    ``ranges`` (first, last) are those of a register list, where there is one; then no others are
    tried. ``keep`` is called after each block. Raises ``Stopped`` at a stop and ``Vanished`` when
    the device answers nothing any more; what was found stays, and the search can go on from there.
    """
    for table in sorted(FUNCTION_CODES, key=lambda t: t in BIT_TABLES):
        search = _Search(client, unit, explored, table, progress, keep)
        if ranges:
            for first, last in ranges:
                await search.within(first, last + 1)
            continue
        await search.span(0, FIRST // 2 if table in BIT_TABLES else FIRST)
        if table not in BIT_TABLES:
            for base in BASES:
                await search.base(base)


@dataclass(slots=True)
class _Search:
    client: PacedClient
    unit: int
    explored: Explored
    table: str
    progress: Progress
    keep: Callable[[], None]

    async def span(self, first: int, end: int) -> None:
        """Search the blocks from ``first`` to before ``end``, and further while registers exist."""
        start = first
        while start < 65536 and (start < end or self._has(start - 1)):
            await self._block(start, min(_BLOCK, 65536 - start))
            start += _BLOCK

    async def within(self, first: int, end: int) -> None:
        """Search every block from ``first`` to before ``end``, and nothing else."""
        for start in range(first, end, _BLOCK):
            await self._block(start, min(_BLOCK, end - start))

    async def base(self, base: int) -> None:
        """Search around ``base`` where it, or the next address, answers."""
        if self._is_done(base, 1) or self._has(base):
            return
        for address in (base, base + 1):
            outcome = await self._ask(address, 1)
            if outcome:
                await self.span(base, base + _BLOCK)
                return
        self._done(base, 1)

    async def _block(self, start: int, count: int) -> None:
        if self._is_done(start, count):
            return
        before = len(self.explored.present.get(self.table, ()))
        await self._part(start, count)
        self._done(start, count)
        found = len(self.explored.present.get(self.table, ())) - before
        self.progress(f"{self.table} {start} to {start + count - 1}: {found} exist")

    async def _part(self, start: int, count: int) -> None:
        """Read a part of a block; where it is refused, its quarters."""
        if self.table in self.explored.absent:
            return
        outcome = await self._ask(start, count)
        if outcome or count == 1:
            return
        # Halves of a pair come last: some devices refuse half of a value of two registers.
        size = max(1, -(-count // _SPLIT))
        for first in range(start, start + count, size):
            await self._part(first, min(size, start + count - first))

    async def _ask(self, start: int, count: int) -> bool:
        """Read addresses and keep those that exist; return whether all of them do."""
        outcome = await self.client.ask(self.unit, self.table, start, count)
        if not outcome.answered and not await unit_answers(self.client, self.unit):
            # Some are silent where they should refuse; then they still answer elsewhere.
            raise Vanished(f"unit {self.unit} at {self.client.address} answers no more")
        if outcome.values:
            known = set(self.explored.present.get(self.table, ()))
            self.explored.present[self.table] = sorted(known | set(range(start, start + count)))
            return True
        if outcome.refused == 1:
            self.explored.absent.append(self.table)
        elif outcome.refused == 3 and count > 1:
            self.explored.largest = min(self.explored.largest, max(1, count // _SPLIT))
        return False

    def _has(self, address: int) -> bool:
        return address in self.explored.present.get(self.table, ())

    def _is_done(self, start: int, count: int) -> bool:
        return self.table in self.explored.absent \
            or f"{self.table}:{start}+{count}" in self.explored.done

    def _done(self, start: int, count: int) -> None:
        self.explored.done.append(f"{self.table}:{start}+{count}")
        self.keep()

