"""Puts columns in the order of their time: within one recording, and several as one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from collector.domain.columns import Columns

__all__ = ["in_order", "joined", "merged"]

_ROWS = 65_536


def joined(parts: Sequence[Columns]) -> Columns:
    """Return all rows in the order of their time; those of one time keep theirs."""
    import numpy as np

    if len(parts) == 1:
        whole = parts[0]
    else:
        whole = Columns(
            names=parts[0].names,
            times=np.concatenate([p.times for p in parts]),
            points=np.concatenate([p.points for p in parts]),
            values=np.concatenate([p.values for p in parts]),
            good=np.concatenate([p.good for p in parts]),
        )
    if (whole.times[1:] >= whole.times[:-1]).all():
        return whole
    return whole.take(np.argsort(whole.times, kind="stable"))


def in_order(streams: Iterable[Iterator[Columns]]) -> Iterator[Columns]:
    """Yield everything sorted, having read all of it first."""
    parts = [part for stream in streams for part in stream]
    if parts:
        whole = joined(parts)
        for start in range(0, len(whole), _ROWS):
            yield whole.take(slice(start, start + _ROWS))


@dataclass(slots=True)
class _Stream:
    source: Iterator[Columns]
    held: list[Columns] = field(default_factory=list)
    ended: bool = False

    def fill(self) -> None:
        """Read on until something is held, or it has ended."""
        if not self.held:
            self.more()

    def more(self) -> None:
        """Read one batch more, if there is one."""
        while not self.ended:
            found = next(self.source, None)
            if found is None:
                self.ended = True
            elif len(found):
                self.held.append(found)
                return

    @property
    def last(self) -> int:
        return int(self.held[-1].times[-1])


def merged(sources: Sequence[Iterator[Columns]]) -> Iterator[Columns]:
    """Yield several sorted streams as one; of rows of one time the first stream's come first."""
    streams = [_Stream(source) for source in sources]
    while True:
        for stream in streams:
            stream.fill()
        open_ended = [s for s in streams if not s.ended]
        if not open_ended:
            break
        # Rows of the very time up to which a stream is known may still be followed by more.
        known = min(s.last for s in open_ended)
        parts = [part for s in streams for part in _before(s, known)]
        if parts:
            yield joined(parts)
        for stream in open_ended:
            if stream.last == known:
                stream.more()
    rest = [part for s in streams for part in s.held]
    if rest:
        yield joined(rest)


def _before(stream: _Stream, time: int) -> list[Columns]:
    """Take out of a stream what is before ``time``."""
    ready: list[Columns] = []
    kept: list[Columns] = []
    for part in stream.held:
        split = int(part.times.searchsorted(time))
        if split:
            ready.append(part.take(slice(0, split)))
        if split < len(part):
            kept.append(part.take(slice(split, None)))
    stream.held = kept
    return ready
