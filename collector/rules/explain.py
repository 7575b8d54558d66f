"""One cause, one alarm: which condition explains which, along the way the gas goes.

One table (:data:`TABLE`). A condition that another one *holds* is not raised while that other one
is present; a condition that another one only *tells of* is raised, and names it. When the
explaining condition returns, what it explained is judged anew after a grace of a few polls, and
by what was read since.
What stood before the explanation came is left standing: nobody takes an alarm back by guessing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from collector.domain.plant import Plant
from collector.domain.verdicts import Standing
from collector.rules.base import Rule
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

__all__ = [
    "DECLARED_FILL", "TABLE", "Explained", "Explanation", "Explanations", "Stand", "fill_bears_on",
    "sentences",
]

DECLARED_FILL = "declared fill"
"""Stands for a person's declaration among the explaining conditions."""

_LEAST_GRACE = 60_000
"""ms; a controller starts up for about a minute when its power is back."""
_LOOK_AGAIN = 10_000
_DAY = 86_400_000


class Stand(Protocol):
    """What is known of one rule's standing."""

    rule: Rule
    standing: Standing
    since: int | None
    raw: Standing | None
    unknown: bool
    gone: int | None
    """When it last returned, ms."""
    held: str
    """Why it is not raised although it holds; empty otherwise."""


_S = TypeVar("_S", bound=Stand)

Reach = Callable[[Plant, Rule, Rule], bool]
"""Whether an explaining rule's asset can explain something of another rule's asset."""


def _same(plant: Plant, by: Rule, of: Rule) -> bool:
    return by.asset == of.asset


def _riser_of(plant: Plant, asset: str) -> str:
    return plant.vents[asset].riser if asset in plant.vents else asset


def _generator_of(plant: Plant, asset: str) -> str | None:
    riser = plant.risers.get(_riser_of(plant, asset))
    return riser.fed_by if riser is not None else asset if asset in plant.generators else None


def fill_bears_on(plant: Plant, filled: str, asset: str) -> bool:
    """Whether the fill of ``filled`` (generator or riser) bears on ``asset``."""
    if filled in plant.generators or asset in plant.generators:
        return _generator_of(plant, filled) == _generator_of(plant, asset)
    return _riser_of(plant, asset) == filled


def _downstream(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` is about the generator of ``by``, what it feeds, or a device of it alone."""
    if of.asset not in plant.devices:
        return _generator_of(plant, of.asset) == by.asset
    points = plant.devices[of.asset].points
    fed = {_generator_of(plant, p.rpartition(".")[0]) for p in points} - {None}
    # The device that tells of the loss has power: its own silence is another matter.
    return fed == {by.asset} and not any(p in points for p in by.needs)


def _upstream(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` is about the riser of ``by``, or the generator that feeds it."""
    return of.asset in (_riser_of(plant, by.asset), _generator_of(plant, by.asset))


def _doubted(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` needs a reading that ``by`` says is not to be believed."""
    return not by.doubts().isdisjoint(of.needs or of.inputs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """A row of the table: condition ``by`` explains the conditions ``of`` within ``reach``.

    ``of`` empty means every other condition. ``after`` (ms) is how long it goes on explaining
    when it has ended, where that is more than the usual grace.
    """

    by: str
    of: tuple[str, ...]
    reach: Reach
    holds: bool = True
    after: int = 0


TABLE: tuple[Explanation, ...] = (
    Explanation(by="power-lost", reach=_downstream, of=(
        "device-silent", "data-frozen", "generator-trouble", "compressor-not-starting",
        "air-in-nitrogen-mode", "product-oxygen-high", "oxygen-not-falling", "vent-stuck-closed",
        "purge-blocked", "oxygen-sensor-suspect",
    )),
    Explanation(by="power-lost", reach=_downstream, holds=False, of=(
        "pressure-low", "low-air-contact", "oxygen-rising",
    )),
    Explanation(by=DECLARED_FILL, reach=_downstream, after=_DAY, of=(
        "compressor-overduty", "air-fill-frequent",
    )),
    Explanation(by=DECLARED_FILL, reach=_downstream, of=(
        "compressor-short-cycling", "tank-leak", "leak-high", "leak-growing", "oxygen-rising",
    )),
    Explanation(by=DECLARED_FILL, reach=_downstream, holds=False, of=(
        "compressor-long-run", "air-fill-stuck", "pressure-low", "low-air-contact",
    )),
    Explanation(by="data-frozen", reach=_doubted, of=()),
    Explanation(by="contact-disagreement", reach=_doubted, holds=False, of=()),
    Explanation(by="compressor-not-starting", reach=_downstream, of=("oxygen-not-falling",)),
    Explanation(by="compressor-not-starting", reach=_downstream, holds=False, of=(
        "pressure-low", "low-air-contact",
    )),
    Explanation(by="air-in-nitrogen-mode", reach=_same, of=("product-oxygen-high",)),
    Explanation(by="air-fill-stuck", reach=_same, holds=False, of=("compressor-long-run",)),
    # Where the mode says off at rest, each run of a unit that is stuck looks like a fallback.
    Explanation(by="air-fill-stuck", reach=_same, after=_DAY, of=("air-fill-frequent",)),
    Explanation(by="pressure-falling-fast", reach=_same, of=("leak-high", "leak-growing")),
    # Its causes name the leak; and a sensor that died low leaves only the demand to judge by.
    Explanation(by="pressure-low", reach=_same, of=("leak-high",)),
    Explanation(by="pressure-falling-fast", reach=_upstream, holds=False, of=(
        "pressure-low", "low-air-contact", "compressor-long-run", "air-fill-stuck",
    )),
    Explanation(by="oxygen-sensor-suspect", reach=_same, of=(
        "oxygen-not-falling", "oxygen-rising", "purge-blocked",
    )),
    # A step is told of for a day; the sensor that took it is hardly better on the next.
    Explanation(by="oxygen-sensor-suspect", reach=_same, after=_DAY, of=(
        "vent-stuck-closed", "vent-stuck-open",
    )),
    Explanation(by="vent-stuck-closed", reach=_same, of=("oxygen-not-falling", "purge-blocked")),
    # The slope's window still holds the hours that were blocked.
    Explanation(by="purge-blocked", reach=_same, after=_DAY, of=("oxygen-not-falling",)),
    Explanation(by="water-at-vent", reach=_same, holds=False, of=("purge-blocked",)),
    Explanation(by="vent-stuck-open", reach=_upstream, holds=False, of=(
        "compressor-overduty", "compressor-long-run", "leak-high",
    )),
)
"""Every explanation there is. ``pressure-low`` and the low-air switch are never held: a riser
without pressure must be told of, whatever took it."""


@dataclass(frozen=True, slots=True)
class Explained:
    """Why a condition is not raised at present, and when to look again (ms)."""

    why: str
    again: int


@dataclass(slots=True)
class _Link:
    row: Explanation
    by: Stand


@dataclass(slots=True)
class Explanations:
    """The table as it lies over one plant's rules."""

    plant: Plant
    inputs: Inputs
    words: Words
    _links: dict[int, list[_Link]] = field(default_factory=dict)
    _fills: dict[int, list[Explanation]] = field(default_factory=dict)
    _dependents: dict[int, list[Stand]] = field(default_factory=dict)

    def lay(self, stands: Sequence[Stand]) -> None:
        """Link each rule with those that may explain it."""
        by_condition: dict[str, list[Stand]] = {}
        for stand in stands:
            by_condition.setdefault(stand.rule.condition, []).append(stand)
        for of in stands:
            for row in TABLE:
                if not _concerns(row, of.rule):
                    continue
                if row.by == DECLARED_FILL:
                    self._fills.setdefault(id(of), []).append(row)
                for by in by_condition.get(row.by, ()):
                    if row.reach is _doubted or row.reach(self.plant, by.rule, of.rule):
                        self._links.setdefault(id(of), []).append(_Link(row, by))
                        self._dependents.setdefault(id(by), []).append(of)

    def order(self, stands: Sequence[_S]) -> list[_S]:
        """Return the rules in the order to judge them in: those that explain others first."""
        def rank(stand: Stand) -> int:
            links = [x for x in self._links.get(id(stand), ()) if x.row.holds and x.row.of]
            return 1 + max((rank(x.by) for x in links), default=-1)

        return sorted(stands, key=rank)

    def dependents(self, by: Stand) -> Sequence[Stand]:
        """Return what a rule may explain."""
        return self._dependents.get(id(by), ())

    def holding(self, of: Stand, now: int, rests_on: int | None = None) -> Explained | None:
        """Return why a condition is not to be raised now, or ``None``.

        ``rests_on`` (ms) is from when on the readings lie that speak for it, ``None`` for now.
        """
        grace = self._grace(of.rule)
        for link in self._links.get(id(of), ()):
            if not link.row.holds or not self._reaches(link, of):
                continue
            by, last = link.by, max(grace, link.row.after)
            if _present(by):
                return Explained(self._why(by), now + _LOOK_AGAIN)
            if by.gone is not None and now < by.gone + last:
                return Explained(f"{self._title(by)}, which has only just ended", by.gone + last)
            if by.gone is not None and rests_on is not None and rests_on < by.gone:
                why = f"{self._title(by)}, which stood when what speaks for it was read"
                return Explained(why, now + _LOOK_AGAIN)
        return self._filling(of, now, grace)

    def telling(self, of: Stand, now: int) -> list[str]:
        """Return what explains a condition that stands, in words."""
        told = [
            self._why(link.by) for link in self._links.get(id(of), ())
            if link.by.standing is Standing.PRESENT and self._reaches(link, of)
        ]
        until = self._declared(of.rule.asset, now) if self._fills.get(id(of)) else None
        if until is not None:
            told.append(f"a fill declared until {self.words.instant(until)}")
        return list(dict.fromkeys(told))

    def told_of(self, by: Stand) -> list[str]:
        """Return what is not raised because of a condition that stands, in words."""
        held = [s for s in self.dependents(by) if s.held and s.held == self._why(by)]
        return list(dict.fromkeys(self._title(s) for s in held))

    def _reaches(self, link: _Link, of: Stand) -> bool:
        # What is doubted changes with what is seen; the rest of the plant stands as built.
        return link.row.reach is not _doubted or _doubted(self.plant, link.by.rule, of.rule)

    def _filling(self, of: Stand, now: int, grace: int) -> Explained | None:
        for row in self._fills.get(id(of), ()):
            if not row.holds:
                continue
            until = self._declared(of.rule.asset, now)
            if until is not None:
                return Explained(f"a fill declared until {self.words.instant(until)}", until)
            ended = max((at for asset, at in self.inputs.filled.items()
                         if fill_bears_on(self.plant, asset, of.rule.asset)), default=None)
            last = max(grace, row.after)
            if ended is not None and now < ended + last:
                return Explained(f"the fill that ended at {self.words.instant(ended)}",
                                 ended + last)
        return None

    def _declared(self, asset: str, now: int) -> int | None:
        ends = [end for filled, end in self.inputs.fills.items()
                if end > now and fill_bears_on(self.plant, filled, asset)]
        return max(ends, default=None)

    def _grace(self, rule: Rule) -> int:
        sources = [self.inputs.point(p).source for p in rule.needs]
        own = self.inputs.sources.get(rule.asset)
        limits = [s.limit() or 0 for s in (*sources, *((own,) if own is not None else ()))]
        return max([_LEAST_GRACE, *limits])

    def _title(self, stand: Stand) -> str:
        rule = stand.rule
        return f"{rule.about.title} ({self.words.name(rule.asset)})"

    def _why(self, stand: Stand) -> str:
        since = "" if stand.since is None else f" since {self.words.instant(stand.since)}"
        return f"{self._title(stand)}{since}"


def _concerns(row: Explanation, rule: Rule) -> bool:
    return rule.condition != row.by and (not row.of or rule.condition in row.of)


def _present(by: Stand) -> bool:
    """Whether it stands, or is about to: what waits for its delay already explains."""
    coming = by.raw is Standing.PRESENT and not by.unknown
    return by.standing is Standing.PRESENT or coming


def sentences(by: Sequence[str], of: Sequence[str]) -> str:
    """Return what explains a condition and what it explains, as sentences for its message."""
    parts = []
    if by:
        parts.append(f"Probably because of: {'; '.join(by)}.")
    if of:
        parts.append(f"It explains, and no alarm is raised for: {'; '.join(of)}.")
    return " ".join(parts)
