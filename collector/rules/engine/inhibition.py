"""Inhibition: alarms are suppressed by the root cause that is active along the gas's path.

A condition declares its causes (:class:`Cause`). An inhibited one is not raised while its cause is
active; other dependent conditions are raised and name the cause. When the cause returns, the
condition is evaluated again after a grace of a few polls, by the readings since then. An alarm that
was active before its cause stays active.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from collector.domain.conditions.schema import DECLARED_FILL, Cause
from collector.domain.evaluations import ConditionState
from collector.domain.plant import Plant
from collector.domain.units import MINUTE
from collector.rules.base import Rule
from collector.rules.engine.step import RuleRuntime
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

_LEAST_GRACE = MINUTE
"""ms; a controller starts up for about a minute when its power is back."""
_LOOK_AGAIN = 10_000


def _same(plant: Plant, by: Rule, of: Rule) -> bool:
    return by.asset == of.asset


def _riser_of(plant: Plant, asset: str) -> str:
    return plant.vents[asset].riser if asset in plant.vents else asset


def _generator_of(plant: Plant, asset: str) -> str | None:
    riser = plant.risers.get(_riser_of(plant, asset))
    return riser.fed_by if riser is not None else asset if asset in plant.generators else None


def fill_bears_on(plant: Plant, filled: str, asset: str) -> bool:
    """Whether the fill of ``filled`` (generator or riser) affects ``asset``."""
    if filled in plant.generators or asset in plant.generators:
        return _generator_of(plant, filled) == _generator_of(plant, asset)
    return _riser_of(plant, asset) == filled


def _downstream(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` concerns the generator of ``by``, an asset it feeds, or its own device."""
    if of.asset not in plant.devices:
        return _generator_of(plant, of.asset) == by.asset
    points = plant.devices[of.asset].points
    fed = {_generator_of(plant, p.rpartition(".")[0]) for p in points} - {None}
    # The device that reports the loss has power: its own silence is another matter.
    return fed == {by.asset} and not any(p in points for p in by.needs)


def _upstream(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` concerns the riser of ``by``, or the generator that feeds it."""
    return of.asset in (_riser_of(plant, by.asset), _generator_of(plant, by.asset))


def _doubted(by: Rule, of: Rule) -> bool:
    """Whether ``of`` needs a reading that ``by`` marks as not valid."""
    return not (of.answers_only or by.doubts().isdisjoint(of.needs or of.inputs))


def _alone(plant: Plant, by: Rule, of: Rule) -> bool:
    """Whether ``of`` concerns a device that reads points of the asset of ``by`` only."""
    device = plant.devices.get(of.asset)
    points = (of.asset + ".",) if device is None else device.points
    return all(p.startswith(f"{by.asset}.") for p in points)


_REACHES: Mapping[str, Callable[[Plant, Rule, Rule], bool]] = {
    "same": _same, "alone": _alone, "downstream": _downstream, "upstream": _upstream,
}


@dataclass(frozen=True, slots=True)
class InhibitedBy:
    """The reason that a condition is inhibited, and when to evaluate it again (ms)."""

    why: str
    again: int


@dataclass(slots=True)
class _Link:
    cause: Cause
    by: RuleRuntime
    doubts: bool = False
    """Whether it applies only to conditions that need a reading that ``by`` doubts."""


class _Near:
    """An index of rules by asset: finds those that may suppress another, without all pairs."""

    def __init__(self, plant: Plant, runtimes: Sequence[RuleRuntime]) -> None:
        self._plant = plant
        self._place = {id(runtime): n for n, runtime in enumerate(runtimes)}
        self._at: dict[tuple[str, str, str | None], list[RuleRuntime]] = {}
        self._doubters: dict[str, list[RuleRuntime]] = {}
        self._device_of = {p: d.id for d in plant.devices.values() for p in d.points}
        for by in runtimes:
            rule = by.rule
            ends: dict[str, set[str | None]] = {
                "same": {rule.asset}, "alone": {rule.asset}, "downstream": {rule.asset},
                "upstream": {_riser_of(plant, rule.asset), _generator_of(plant, rule.asset)}}
            for reach, assets in ends.items():
                for asset in assets:
                    self._at.setdefault((rule.condition, reach, asset), []).append(by)
            if rule.about.doubts is not None:
                self._doubters.setdefault(rule.asset, []).append(by)

    def by_reach(self, cause: Cause, of: Rule) -> list[RuleRuntime]:
        """Return the rules of the cause's condition among which those that reach ``of`` are."""
        device = self._plant.devices.get(of.asset)
        points = (f"{of.asset}.",) if device is None else device.points
        assets: set[str | None] = {of.asset}
        if cause.reach == "downstream":
            assets = {_generator_of(self._plant, of.asset if device is None
                                    else p.rpartition(".")[0]) for p in points}
        elif cause.reach == "alone":
            assets = {p[:n] for p in points for n, c in enumerate(p) if c == "."}
        found = {id(by): by for asset in assets
                 for by in self._at.get((cause.by, cause.reach, asset), ())}
        return sorted(found.values(), key=self._order)

    def doubting(self, of: Rule) -> list[RuleRuntime]:
        """Return the rules that may doubt a reading that ``of`` needs: of its asset, or device."""
        if of.answers_only:
            return []
        points = of.needs or of.inputs
        assets = {p.rpartition(".")[0] for p in points} | {self._device_of.get(p) for p in points}
        found = [by for asset in assets if asset for by in self._doubters.get(asset, ())]
        return sorted(found, key=self._order)

    def _order(self, runtime: RuleRuntime) -> int:
        return self._place[id(runtime)]


class Inhibition:
    """The declared causes among the rules of one plant."""

    def __init__(
        self, plant: Plant, inputs: Inputs, words: Words, runtimes: Sequence[RuleRuntime],
    ) -> None:
        self._plant, self._inputs, self._words = plant, inputs, words
        self._links: dict[int, list[_Link]] = {}
        self._fills: dict[int, list[Cause]] = {}
        self._dependents: dict[int, list[RuleRuntime]] = {}
        self._ranks: dict[int, int] = {}
        near = _Near(plant, runtimes)
        for of in runtimes:
            found = self._links[id(of)] = []
            for cause in of.rule.about.explained_by:
                if cause.by == DECLARED_FILL:
                    self._fills.setdefault(id(of), []).append(cause)
                found += [_Link(cause, by) for by in near.by_reach(cause, of.rule)
                          if _REACHES[cause.reach](plant, by.rule, of.rule)]
            for by in near.doubting(of.rule):
                inhibits = by.rule.about.doubts
                if inhibits is not None and by.rule.condition != of.rule.condition:
                    cause = Cause(by.rule.condition, "same", inhibits)
                    found.append(_Link(cause, by, doubts=True))
            for link in found:
                self._dependents.setdefault(id(link.by), []).append(of)

    def __repr__(self) -> str:
        return f"Inhibition({len(self._links)} conditions with a cause)"

    def order(self, runtimes: Sequence[RuleRuntime]) -> list[RuleRuntime]:
        """Return the rules in the order of evaluation: root causes first."""
        def rank(runtime: RuleRuntime) -> int:
            known = self._ranks.get(id(runtime))
            if known is None:
                links = [x for x in self._links[id(runtime)] if x.cause.inhibits and not x.doubts]
                known = self._ranks[id(runtime)] = 1 + max((rank(x.by) for x in links), default=-1)
            return known

        return sorted(runtimes, key=rank)

    def dependents(self, by: RuleRuntime) -> Sequence[RuleRuntime]:
        """Return the rules whose condition this one may inhibit or be the cause of."""
        return self._dependents.get(id(by), ())

    def inhibiting(
        self, of: RuleRuntime, now: int, rests_on: int | None = None,
    ) -> InhibitedBy | None:
        """Return the inhibition of a condition at present, or ``None``.

        ``rests_on`` (ms) is the start of the readings that the evaluation rests on, ``None`` for
        now.
        """
        grace = self._grace(of.rule)
        for link in self._links[id(of)]:
            if not link.cause.inhibits or not self._reaches(link, of):
                continue
            by, last = link.by, max(grace, link.cause.after)
            if by.coming:
                return InhibitedBy(self._why(by), now + _LOOK_AGAIN)
            if by.gone is not None and now < by.gone + last:
                return InhibitedBy(f"{self._title(by)}, which has only just ended", by.gone + last)
            if by.gone is not None and rests_on is not None and rests_on < by.gone:
                why = f"{self._title(by)}, which stood when what speaks for it was read"
                return InhibitedBy(why, now + _LOOK_AGAIN)
        return self._filling(of, now, grace)

    def causes(self, of: RuleRuntime, now: int) -> list[str]:
        """Return the active causes of a condition, in words."""
        found = [
            self._why(link.by) for link in self._links[id(of)]
            if link.by.state is ConditionState.ACTIVE and self._reaches(link, of)
        ]
        until = self._declared(of.rule.asset, now) if self._fills.get(id(of)) else None
        if until is not None:
            found.append(f"a fill declared until {self._words.instant(until)}")
        return list(dict.fromkeys(found))

    def inhibited_by(self, by: RuleRuntime) -> list[str]:
        """Return the conditions that an active one inhibits, in words."""
        held = [s for s in self.dependents(by) if s.held and s.held == self._why(by)]
        return list(dict.fromkeys(self._title(s) for s in held))

    def _reaches(self, link: _Link, of: RuleRuntime) -> bool:
        # Which readings are in doubt changes with the readings; the rest of the plant is fixed.
        return not link.doubts or _doubted(link.by.rule, of.rule)

    def _filling(self, of: RuleRuntime, now: int, grace: int) -> InhibitedBy | None:
        for cause in self._fills.get(id(of), ()):
            if not cause.inhibits:
                continue
            until = self._declared(of.rule.asset, now)
            if until is not None:
                return InhibitedBy(f"a fill declared until {self._words.instant(until)}", until)
            ended = max((at for asset, at in self._inputs.filled.items()
                         if fill_bears_on(self._plant, asset, of.rule.asset)), default=None)
            last = max(grace, cause.after)
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

    def _title(self, of: RuleRuntime) -> str:
        return f"{of.rule.about.title} ({self._words.name(of.rule.asset)})"

    def _why(self, by: RuleRuntime) -> str:
        since = "" if by.since is None else f" since {self._words.instant(by.since)}"
        return f"{self._title(by)}{since}"


def sentences(by: Sequence[str], of: Sequence[str]) -> str:
    """Return the causes of a condition and what it inhibits, as sentences for its message."""
    parts = []
    if by:
        parts.append(f"Probably because of: {'; '.join(by)}.")
    if of:
        parts.append(f"Alarms suppressed by it: {'; '.join(of)}.")
    return " ".join(parts)
