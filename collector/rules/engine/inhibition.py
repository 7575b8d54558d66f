"""Inhibition: alarms are suppressed by the root cause that is active along the gas's path.

One table (:data:`TABLE`). An inhibited condition is not raised while its cause is active; other
dependent conditions are raised and name the cause. When the cause returns, the condition is
evaluated again after a grace of a few polls, by the readings since then. An alarm that was active
before its cause stays active.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

from collector.domain.plant import Plant
from collector.domain.verdicts import Standing
from collector.rules.base import Rule
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

__all__ = [
    "DECLARED_FILL", "TABLE", "Explanation", "InhibitedBy", "Inhibition", "fill_bears_on",
    "sentences",
]

DECLARED_FILL = "declared fill"
"""Stands for a person's declaration among the explaining conditions."""

_LEAST_GRACE = 60_000
"""ms; a controller starts up for about a minute when its power is back."""
_LOOK_AGAIN = 10_000
_DAY = 86_400_000


class Inhibitable(Protocol):
    """The part of a rule's runtime that inhibition reads."""

    rule: Rule
    standing: Standing
    since: int | None
    gone: int | None
    """When the condition last returned, ms."""
    held: str
    """What inhibits it while it holds; empty otherwise."""

    @property
    def coming(self) -> bool:
        """Whether the condition is active, or waits for its delay only."""


_R = TypeVar("_R", bound=Inhibitable)

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
    return not (of.answers_only or by.doubts().isdisjoint(of.needs or of.inputs))


def _alone(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` is about a device that gives nothing but readings of the asset of ``by``."""
    device = plant.devices.get(of.asset)
    points = (of.asset + ".",) if device is None else device.points
    return all(p.startswith(f"{by.asset}.") for p in points)


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
    # A device with that one sensor stands still with it.
    Explanation(by="oxygen-sensor-suspect", reach=_alone, of=("data-frozen",)),
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
class InhibitedBy:
    """Why a condition is not raised at present, and when to evaluate it again (ms)."""

    why: str
    again: int


@dataclass(slots=True)
class _Link(Generic[_R]):
    row: Explanation
    by: _R


class Inhibition(Generic[_R]):
    """The table applied to the rules of one plant."""

    def __init__(
        self, plant: Plant, inputs: Inputs, words: Words, runtimes: Sequence[_R],
    ) -> None:
        self._plant, self._inputs, self._words = plant, inputs, words
        self._links: dict[int, list[_Link[_R]]] = {}
        self._fills: dict[int, list[Explanation]] = {}
        self._dependents: dict[int, list[_R]] = {}
        by_condition: dict[str, list[_R]] = {}
        for runtime in runtimes:
            by_condition.setdefault(runtime.rule.condition, []).append(runtime)
        for of in runtimes:
            for row in TABLE:
                if not _concerns(row, of.rule):
                    continue
                if row.by == DECLARED_FILL:
                    self._fills.setdefault(id(of), []).append(row)
                for by in by_condition.get(row.by, ()):
                    if row.reach is _doubted or row.reach(plant, by.rule, of.rule):
                        self._links.setdefault(id(of), []).append(_Link(row, by))
                        self._dependents.setdefault(id(by), []).append(of)

    def __repr__(self) -> str:
        return f"Inhibition({len(self._links)} conditions with a cause)"

    def order(self, runtimes: Sequence[_R]) -> list[_R]:
        """Return the rules in the order of evaluation: root causes first."""
        def rank(runtime: _R) -> int:
            links = [x for x in self._links.get(id(runtime), ()) if x.row.holds and x.row.of]
            return 1 + max((rank(x.by) for x in links), default=-1)

        return sorted(runtimes, key=rank)

    def dependents(self, by: _R) -> Sequence[_R]:
        """Return the rules whose condition this one may inhibit or be the cause of."""
        return self._dependents.get(id(by), ())

    def inhibiting(self, of: _R, now: int, rests_on: int | None = None) -> InhibitedBy | None:
        """Return why a condition is not to be raised now, or ``None``.

        ``rests_on`` (ms) is the start of the readings that the evaluation rests on, ``None`` for
        now.
        """
        grace = self._grace(of.rule)
        for link in self._links.get(id(of), ()):
            if not link.row.holds or not self._reaches(link, of):
                continue
            by, last = link.by, max(grace, link.row.after)
            if by.coming:
                return InhibitedBy(self._why(by), now + _LOOK_AGAIN)
            if by.gone is not None and now < by.gone + last:
                return InhibitedBy(f"{self._title(by)}, which has only just ended", by.gone + last)
            if by.gone is not None and rests_on is not None and rests_on < by.gone:
                why = f"{self._title(by)}, which stood when what speaks for it was read"
                return InhibitedBy(why, now + _LOOK_AGAIN)
        return self._filling(of, now, grace)

    def causes(self, of: _R, now: int) -> list[str]:
        """Return the active causes of a condition, in words."""
        found = [
            self._why(link.by) for link in self._links.get(id(of), ())
            if link.by.standing is Standing.PRESENT and self._reaches(link, of)
        ]
        until = self._declared(of.rule.asset, now) if self._fills.get(id(of)) else None
        if until is not None:
            found.append(f"a fill declared until {self._words.instant(until)}")
        return list(dict.fromkeys(found))

    def inhibited_by(self, by: _R) -> list[str]:
        """Return the conditions that an active one inhibits, in words."""
        held = [s for s in self.dependents(by) if s.held and s.held == self._why(by)]
        return list(dict.fromkeys(self._title(s) for s in held))

    def _reaches(self, link: _Link[_R], of: _R) -> bool:
        # Which readings are in doubt changes with the readings; the rest of the plant is fixed.
        return link.row.reach is not _doubted or _doubted(self._plant, link.by.rule, of.rule)

    def _filling(self, of: _R, now: int, grace: int) -> InhibitedBy | None:
        for row in self._fills.get(id(of), ()):
            if not row.holds:
                continue
            until = self._declared(of.rule.asset, now)
            if until is not None:
                return InhibitedBy(f"a fill declared until {self._words.instant(until)}", until)
            ended = max((at for asset, at in self._inputs.filled.items()
                         if fill_bears_on(self._plant, asset, of.rule.asset)), default=None)
            last = max(grace, row.after)
            if ended is not None and now < ended + last:
                return InhibitedBy(f"the fill that ended at {self._words.instant(ended)}",
                                   ended + last)
        return None

    def _declared(self, asset: str, now: int) -> int | None:
        ends = [end for filled, end in self._inputs.fills.items()
                if end > now and fill_bears_on(self._plant, filled, asset)]
        return max(ends, default=None)

    def _grace(self, rule: Rule) -> int:
        sources = [self._inputs.point(p).source for p in rule.needs]
        own = self._inputs.sources.get(rule.asset)
        limits = [s.limit() or 0 for s in (*sources, *((own,) if own is not None else ()))]
        return max([_LEAST_GRACE, *limits])

    def _title(self, of: _R) -> str:
        return f"{of.rule.about.title} ({self._words.name(of.rule.asset)})"

    def _why(self, by: _R) -> str:
        since = "" if by.since is None else f" since {self._words.instant(by.since)}"
        return f"{self._title(by)}{since}"


def _concerns(row: Explanation, rule: Rule) -> bool:
    return rule.condition != row.by and (not row.of or rule.condition in row.of)


def sentences(by: Sequence[str], of: Sequence[str]) -> str:
    """Return the causes of a condition and what it inhibits, as sentences for its message."""
    parts = []
    if by:
        parts.append(f"Probably because of: {'; '.join(by)}.")
    if of:
        parts.append(f"It explains, and no alarm is raised for: {'; '.join(of)}.")
    return " ".join(parts)
