"""What a case is: a plant, what happens to it, what must be said of it and what must not.

A story is a function from a :class:`Draw` (the dice of one seed) to a :class:`Case`. It is written
in the words of scenario and site files, so that the same text describes the plant that is played
and the site file that is watched. Severities are stated in the story's own docstring.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from simulators.plant import Plant

__all__ = [
    "BANK", "DAY", "HOUR", "MINUTE", "SECOND", "Case", "Declared", "Dev", "Draw", "Expect", "May",
    "Measure", "Never", "Story", "Wire", "story",
]

SECOND, MINUTE, HOUR, DAY = 1_000, 60_000, 3_600_000, 86_400_000

Tables = dict[str, Any]
Tell = Callable[[Plant], bool]


class Draw:
    """The dice of one seed: every seed is another plant of the same kind, not only other noise."""

    def __init__(self, story: str, seed: int) -> None:
        self.seed = seed
        self._dice = random.Random(f"{story}/{seed}")  # noqa: S311 - no secret

    def about(self, middle: float, share: float = 0.15) -> float:
        """Return a number within ``share`` of ``middle``."""
        return middle * self._dice.uniform(1 - share, 1 + share)

    def between(self, low: float, high: float) -> float:
        """Return a number between two."""
        return self._dice.uniform(low, high)

    def instant(self, low: float, high: float) -> int:
        """Return a whole second (in ms) between two durations in ms."""
        return round(self._dice.uniform(low, high) / SECOND) * SECOND

    def choice(self, *options: Any) -> Any:
        """Return one of the options."""
        return self._dice.choice(options)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dev:
    """One controller: its register set, what it watches, and how often it is asked (ms)."""

    id: str
    registers: str
    watches: tuple[str, ...]
    every: int = 5 * SECOND
    powered_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """What the road does to readings: shares of polls lost, of single readings lost, repeated …"""

    lost: float = 0.0
    holes: float = 0.0
    repeated: float = 0.0
    late: float = 0.0
    """Share of readings that arrive up to 45 s after newer ones."""
    swapped: float = 0.0
    """Share of neighbours that change places."""
    spikes: float = 0.0
    """Share of pressure readings that are absurd but inside the gauge's range."""
    bounce: Mapping[str, float] = field(default_factory=dict)
    """Contact to the share of its polls that catch it bouncing, never two running."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expect:
    """An alarm that must come.

    The onset is ``at`` (ms after the start) or the first moment ``when`` is true of the plant
    itself, ``held`` ms on end. Later than ``within`` after it counts as missed. ``allow`` is what
    the condition's own limit adds to on-delay and two polls before a hard fault is late. ``says``
    are words its message must hold; in ``slow`` ones time is counted in hours and days.
    """

    condition: str
    asset: str
    within: int
    at: int | None = None
    when: Tell | None = None
    after: int = 0
    held: int = 0
    allow: int = 0
    early: int = MINUTE
    slow: bool = False
    says: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class May:
    """An alarm that is neither asked for nor wrong: what happens really does cause it.

    With ``says`` it is right only when its message holds these words.
    """

    condition: str
    asset: str = "*"
    start: int = 0
    end: int | None = None
    says: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Never:
    """A trap: an alarm that somebody could take for right, and why it is not."""

    condition: str
    asset: str = "*"
    trap: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A quantity whose estimates made between ``start`` and ``end`` are held to the books."""

    quantity: str
    asset: str
    start: int = 0
    end: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """Somebody declares a fill of ``asset`` (all ms after the start)."""

    asset: str
    at: int
    until: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One story told with one seed's dice."""

    tables: Tables
    """The scenario's tables, without ``scenario`` and ``serve``."""
    site: Tables
    """The site file's tables, without ``devices``."""
    devices: tuple[Dev, ...]
    duration: int
    start: str = "2026-03-02T06:00:00Z"
    acts: tuple[Tables, ...] = ()
    expects: tuple[Expect, ...] = ()
    may: tuple[May, ...] = ()
    never: tuple[Never, ...] = ()
    measures: tuple[Measure, ...] = ()
    declared: tuple[Declared, ...] = ()
    wire: Wire = Wire()
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """``[conditions]`` tables; ``"leak-high.r1"`` is for one thing only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """One entry of the bank. ``most`` bounds the seeds of a story that takes long."""

    name: str
    family: str
    tell: Callable[[Draw], Case]
    healthy: bool = False
    long: bool = False
    most: int = 1000

    @property
    def text(self) -> str:
        """What happens, for people."""
        return (self.tell.__doc__ or "").strip()

    def case(self, seed: int) -> Case:
        """Roll the dice of ``seed``."""
        return self.tell(Draw(self.name, seed))


BANK: dict[str, Story] = {}


def story(*, healthy: bool = False, long: bool = False,
          most: int = 1000) -> Callable[[Callable[[Draw], Case]], Callable[[Draw], Case]]:
    """Put a function into the bank under its own name. ``long``: takes more than a few seconds."""
    def enter(tell: Callable[[Draw], Case]) -> Callable[[Draw], Case]:
        name = tell.__name__.replace("_", "-")
        if name in BANK:
            raise ValueError(f"there are two stories called {name}")
        family = tell.__module__.rpartition(".")[2]
        BANK[name] = Story(name=name, family=family, tell=tell, healthy=healthy, long=long,
                           most=most)
        return tell
    return enter
