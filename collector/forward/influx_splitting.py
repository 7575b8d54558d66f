"""One batch to a far end that may not like a line of it: split until the bad line is found."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass

from collector.domain.errors import LinesRefused
from collector.forward.influx_mapping import Aside
from collector.forward.influx_wire import ServerFault

__all__ = ["Outcome", "deliver"]

_SEARCH = 200
"""Requests spent on finding bad lines, where the server keeps the good ones by itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a batch: lines ``taken``, those that lie ``too_old``, those set ``aside``."""

    taken: int
    too_old: int
    aside: tuple[Aside, ...]


async def deliver(
    write: Callable[[Sequence[str]], Awaitable[None]], lines: Sequence[str], *,
    doubted: bool = False,
) -> Outcome:
    """Write ``lines``; what the server refuses is found and set aside, the rest is delivered.

    ``doubted`` takes a server that breaks on them for one that refuses them, as long as it takes
    others of the same batch. Raises what ``write`` raises but ``LinesRefused``: then nothing is
    known, and the whole batch may be written again.
    """
    refusals = (LinesRefused, ServerFault) if doubted else (LinesRefused,)
    aside: list[Aside] = []
    too_old, requests, anything = 0, 0, False
    waiting = [lines]
    while waiting:
        part = waiting.pop()
        requests += 1
        try:
            await write(part)
            anything = True
        except refusals as exc:
            refused = exc if isinstance(exc, LinesRefused) else None
            if refused is not None and refused.too_old and refused.rest_taken:
                too_old += refused_count(str(exc), len(part))
            elif refused is None and not anything and len(part) == 1 and (aside or not waiting):
                raise  # it breaks on one after the other: that is no fault of theirs
            elif len(part) == 1 or (refused is not None and refused.rest_taken
                                    and requests > _SEARCH):
                # Lines nobody looked for one by one: what was right among them is at the far end.
                aside += [Aside(line=line, why=str(exc)) for line in part]
            else:
                middle = len(part) // 2
                waiting += [part[middle:], part[:middle]]
    return Outcome(taken=len(lines) - len(aside) - too_old, too_old=too_old, aside=tuple(aside))


def refused_count(text: str, most: int) -> int:
    """Return the number in ``dropped=3`` of a server's answer, ``most`` where it says none."""
    digits = text.rpartition("dropped=")[2]
    number = digits[:len(digits) - len(digits.lstrip("0123456789"))]
    return min(int(number), most) if number else most
