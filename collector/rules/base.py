"""Base classes of rules and estimators.

A rule is a small state machine for one condition of one asset. It takes good samples of its inputs
(:meth:`Rule.observe`), is evaluated (:meth:`Rule.evaluate`) after an input changed something or its
deadline (:meth:`Rule.next_evaluation_at`) passed, and writes its message (:meth:`Rule.describe`)
only for a transition or a reader. The engine applies the delays, inhibition and staleness of
inputs.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar, NamedTuple, Self, overload

from collector.domain.conditions import CATALOGUE, Condition, ConditionSettings, SettingValue
from collector.domain.evaluations import COMPUTED, FLOW, ConditionState, NotMonitored, flow_unit
from collector.domain.events import EstimateMade, SystemEvent
from collector.domain.plant import Plant
from collector.rules.baselines import Baselines
from collector.rules.inputs import Inputs
from collector.rules.state import State
from collector.rules.wording import Words

__all__ = ["ALL", "ALL_COUNTED", "Band", "Context", "Estimator", "Level", "RawEvaluation", "Rule",
           "RuleSet", "SampleConsumer", "State", "Values", "contact_band", "number"]

Values = Mapping[str, float | int | str | None]


class Band(NamedTuple):
    """Values of a point (both ends included) at which a sample need not be observed by itself."""

    low: float
    high: float
    until: int | None = None
    """Instant (ms) from which the band no longer applies; ``None`` for no end."""
    counted: bool = False
    """Whether samples within the band still count, and are delivered later in one batch."""
    own: bool = False
    """Whether no sample of another point changes the band."""


ALL = Band(-math.inf, math.inf)
"""A band that no value leaves."""
ALL_COUNTED = Band(-math.inf, math.inf, counted=True, own=True)

_ON, _OFF = Band(0.5, math.inf, own=True), Band(-math.inf, 0.5 - 1e-9, own=True)


@overload
def contact_band(on: bool) -> Band: ...
@overload
def contact_band(on: bool | None) -> Band | None: ...
def contact_band(on: bool | None) -> Band | None:
    """Return the band of a 0/1 point in the state ``on``; ``None`` while that is not known.

    Not for a state that a sample of another point may change.
    """
    return None if on is None else _ON if on else _OFF


@dataclass(frozen=True, slots=True, kw_only=True)
class RawEvaluation:
    """The result of a rule before delays and inhibition.

    ``since`` (ms) is when the condition began, or ended where it is inactive; ``None`` means the
    time of the evaluation. ``held`` is the start of the on-delay where that is not ``since``.
    ``because`` is the reason of an unknown. ``rests_on`` (ms) is the start of the readings that the
    result needs, where it needs more than those of ``now``: a cause active since then inhibits it.
    """

    state: ConditionState
    since: int | None = None
    held: int | None = None
    because: str = ""
    rests_on: int | None = None

    @classmethod
    def active(
        cls, since: int | None = None, held: int | None = None, rests_on: int | None = None,
    ) -> Self:
        """Return the result that the condition is active."""
        return cls(state=ConditionState.ACTIVE, since=since, held=held, rests_on=rests_on)

    @classmethod
    def inactive(cls, since: int | None = None) -> Self:
        """Return the result that the condition is inactive."""
        return cls(state=ConditionState.INACTIVE, since=since)

    @classmethod
    def unknown(cls, because: str) -> Self:
        """Return the result that the condition cannot be evaluated."""
        return cls(state=ConditionState.UNKNOWN, because=because)


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """Everything that rules and estimators of one plant are built from."""

    plant: Plant
    settings: ConditionSettings
    inputs: Inputs
    words: Words
    baselines: Baselines = field(default_factory=lambda: Baselines(""))
    shared: dict[str, Any] = field(default_factory=dict)
    """Objects that several rules and estimators use, by a key of their family."""

    def is_configured(self, point: str) -> bool:
        """Whether ``point`` can have readings."""
        return self.plant.is_configured(point)


def number(settings: Mapping[str, SettingValue], name: str) -> float | None:
    """Return a numeric setting, or ``None`` where it has no value."""
    value = settings.get(name)
    if value is None or isinstance(value, str | bool):
        return None
    return float(value)


class SampleConsumer:
    """Takes good samples of its inputs; the engine may skip those within its bands."""

    state: State = State()
    """State that a restart keeps; a subclass sets its own."""

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> Any:
        """Apply a good sample, newer than the last of its point, which was at ``before_at`` (ms).

        A rule returns whether its evaluation may have changed.
        """
        return False

    def no_change_band(self, point: str) -> Band | None:
        """Return a band in which a further sample changes nothing, or ``None`` for no such band.

        It applies to samples that follow the last one without a gap. The engine may skip them, or
        keep them for :meth:`update_batch` where the band says that they count: until a sample
        outside the band, a sample of another input, an evaluation, an estimate or a dump. The band
        changes only when a method of this object is called.
        """
        return None

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        """Apply a batch of samples within a counted band; the result is that of observing each.

        ``before_at`` (ms) is the time of the sample before the first of them.
        """
        for at, value in zip(times, values, strict=True):
            self.observe(point, at, value, before_at)
            before_at = at

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return self.state.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Restore a dumped state."""
        self.state.restore(state)


class Rule(SampleConsumer, ABC):
    """One condition of one asset.

    ``inputs`` are the points it takes samples of. While one of ``needs`` is stale or its device is
    silent, the engine reports UNKNOWN without evaluating the rule.
    """

    condition: ClassVar[str]
    requires: ClassVar[Mapping[str, str]] = {}
    """Quantities of the asset without which it cannot be evaluated, each with its label."""
    looks_ahead: ClassVar[bool] = False
    """Whether its deadlines depend on when inputs become stale, see ``Inputs.known_until``."""
    answers_only: ClassVar[bool] = False
    """Whether only the arrival of a sample counts, not its value: doubts of values do not apply."""
    facts: ClassVar[frozenset[str]] = frozenset()
    """Kinds of system events that it takes (:meth:`apply_event`)."""

    def __init__(
        self, context: Context, asset: str, *, inputs: Sequence[str], needs: Sequence[str],
    ) -> None:
        self.asset = asset
        self.inputs = tuple(inputs)
        self.needs = tuple(needs)
        self.context = context
        self.words = context.words
        self.settings = context.settings.for_(self.condition, asset)
        self.on_delay = int(number(self.settings, "on_delay") or 0)
        self.off_delay = int(number(self.settings, "off_delay") or 0)
        max_gap = number(self.settings, "max_gap")
        self.set_gap = int(max_gap) if max_gap else None
        """Longest gap by the settings, ms; ``None``: by the pace of each point."""

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.asset}, {self.dump()})"

    @classmethod
    def applies(cls, context: Context, asset: str) -> bool:
        """Whether the condition applies to an asset."""
        return True

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        """Return the reason that an asset cannot be evaluated; empty where it can."""
        lacking = [words for quantity, words in cls.requires.items()
                   if not context.is_configured(f"{asset}.{quantity}")]
        return f"no {' and no '.join(lacking)} at {asset}" if lacking else ""

    @property
    def about(self) -> Condition:
        """The condition's entry in the catalogue."""
        return CATALOGUE[self.condition]

    def gap(self, point: str) -> int:
        """Longest time (ms) between two samples of ``point`` that still counts as unbroken."""
        return self.context.inputs.max_gap(point) if self.set_gap is None else self.set_gap

    def apply_event(self, event: SystemEvent) -> bool:
        """Apply a system event of :attr:`facts`; return whether the evaluation may have changed."""
        return False

    def doubts(self) -> frozenset[str]:
        """Return the points whose readings are not to be trusted while the condition is active."""
        return frozenset()

    @abstractmethod
    def evaluate(self, now: int) -> RawEvaluation:
        """Return the state of the condition at ``now`` (ms), without delays."""

    @abstractmethod
    def describe(self, now: int) -> tuple[Values, str]:
        """Return the values and the message of the active condition at ``now`` (ms)."""

    def next_evaluation_at(self, now: int) -> int | None:
        """Return when (ms) time alone could change the evaluation, or ``None`` for never."""
        return None

    def still_inactive(self, now: int) -> int | None:
        """Return the next deadline where the condition is still inactive; ``None``: evaluate it.

        Called at a deadline of an inactive condition that no sample has touched since its last
        evaluation. Most deadlines of most rules end here, without a tick.
        """
        return None


class Estimator(SampleConsumer, ABC):
    """One computed quantity of one asset: an estimate a day from the samples since the last."""

    quantity: ClassVar[str]

    def __init__(self, context: Context, asset: str, inputs: tuple[str, ...]) -> None:
        self.context, self.asset, self.inputs = context, asset, inputs

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.asset}, {self.dump()})"

    @property
    def unit(self) -> str:
        """Unit of the estimates, by the catalogue of computed quantities."""
        unit = COMPUTED[self.quantity].unit
        return flow_unit(self.context.plant) if unit == FLOW else unit

    @property
    def wanted(self) -> bool:
        """Whether an estimate should be made before midnight; :meth:`make` resets it."""
        return False

    def begin(self, now: int) -> None:
        """Begin a window at ``now`` (ms)."""

    @abstractmethod
    def make(self, now: int) -> EstimateMade | None:
        """Close the window at ``now`` (ms); return its estimate, ``None`` if it had no reading."""

    def _made(
        self, now: int, start: int, value: float | None, low: float | None = None,
        high: float | None = None, reason: str = "",
    ) -> EstimateMade:
        rounded = [None if x is None else round(x, 3) for x in (value, low, high)]
        return EstimateMade(
            time=now, site=self.context.plant.site.id, quantity=self.quantity, asset=self.asset,
            value=rounded[0], low=rounded[1], high=rounded[2], unit=self.unit,
            window=(start, now), reason=reason,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """The rules and estimators of one plant, and the conditions that cannot be evaluated."""

    rules: Sequence[Rule]
    estimators: Sequence[Estimator]
    not_monitored: tuple[NotMonitored, ...]


@dataclass(slots=True, kw_only=True)
class Level(State):
    """A number against a limit, with a deadband: begins past the limit, ends past the band."""

    beyond: bool | None = None
    since_at: int | None = None

    def compare(
        self, at: int, value: float, limit: float, deadband: float, *, above: bool,
    ) -> bool:
        """Apply a sample; return whether the state changed."""
        past = value > limit if above else value < limit
        within = value <= limit - deadband if above else value >= limit + deadband
        if self.beyond is None or (not self.beyond and past) or (self.beyond and within):
            self.beyond, self.since_at = past, at
            return True
        return False

    def evaluation(self) -> RawEvaluation:
        if self.beyond is None:
            return RawEvaluation.unknown("no reading yet")
        if self.beyond:
            return RawEvaluation.active(self.since_at)
        return RawEvaluation.inactive(self.since_at)

    def band(self, limit: float, deadband: float, *, above: bool) -> Band | None:
        """Return the values that change nothing, see :meth:`SampleConsumer.no_change_band`."""
        if self.beyond is None:
            return None
        if above:
            return Band(_next_up(limit - deadband), math.inf) if self.beyond else Band(
                -math.inf, limit)
        return Band(-math.inf, _next_down(limit + deadband)) if self.beyond else Band(
            limit, math.inf)


def _next_up(value: float) -> float:
    return value + 1e-9 * max(1.0, abs(value))


def _next_down(value: float) -> float:
    return value - 1e-9 * max(1.0, abs(value))
