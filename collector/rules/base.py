"""What a rule is: a small event-driven state machine that says whether a condition holds.

A rule hears good samples of its inputs (:meth:`Rule.observe`), is asked for its raw finding
(:meth:`Rule.evaluate`) only after an input changed something or its own deadline (:meth:`Rule.due`)
passed, and puts the finding into words only when somebody will read them (:meth:`Rule.describe`).
Delays are the engine's business, not the rule's.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, NamedTuple, Self, overload

from collector.domain.conditions import CATALOGUE, Condition, ConditionSettings, SettingValue
from collector.domain.events import EstimateMade, FactNoted
from collector.domain.plant import Plant
from collector.domain.quantities import COMPUTED, FLOW, flow_unit
from collector.domain.verdicts import NotWatched, Standing
from collector.physics.sums import LineSums, MeanSums
from collector.rules.baselines import Baselines
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

__all__ = ["ALL", "ALL_COUNTED", "Band", "Context", "Estimator", "Level", "RawEvaluation", "Rule",
           "RuleSet", "SampleConsumer", "State", "Values", "contact_band", "number", "shifted"]

Values = Mapping[str, float | int | str | None]


class Band(NamedTuple):
    """The values (inclusive) of a point at which no sample needs to be observed by itself."""

    low: float
    high: float
    until: int | None = None
    """The instant (ms) from which the band does not apply; ``None``: it stays."""
    counted: bool = False
    """Whether samples within count all the same and are delivered later, many at a time."""
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
    """Return the values of a 0/1 point that say the same; ``None`` while it is not known.

    No sample of another point may change what is known of it.
    """
    return None if on is None else _ON if on else _OFF


@dataclass(frozen=True, slots=True, kw_only=True)
class RawEvaluation:
    """What a rule sees, before any delay.

    ``since`` (ms) is when what it describes began (of an absence: when it ended), ``None`` for
    "when the engine first heard of it". ``held`` is from when the on-delay counts, where that is
    not ``since``. ``because`` says why an unknown is unknown. ``rests_on`` (ms) is from when on the
    readings lie that it rests on, where those of ``now`` alone do not bear it: what explained them
    then goes on explaining it.
    """

    standing: Standing
    since: int | None = None
    held: int | None = None
    because: str = ""
    rests_on: int | None = None

    @classmethod
    def present(
        cls, since: int | None = None, held: int | None = None, rests_on: int | None = None,
    ) -> Self:
        """Return: it holds."""
        return cls(standing=Standing.PRESENT, since=since, held=held, rests_on=rests_on)

    @classmethod
    def absent(cls, since: int | None = None) -> Self:
        """Return: it does not hold."""
        return cls(standing=Standing.ABSENT, since=since)

    @classmethod
    def unknown(cls, because: str) -> Self:
        """Return: it cannot be judged."""
        return cls(standing=Standing.UNKNOWN, because=because)


@dataclass(slots=True, kw_only=True)
class State:
    """Base of a rule's state: plain numbers that survive JSON, other states, and sums.

    Fields that are instants end in ``_at``; lists whose rows begin with an instant end in
    ``_series``. That is how a clock that was set back moves every rule alike.
    """

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {f.name: _dumped(getattr(self, f.name)) for f in fields(self)}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over a copy of a dumped state; fields that it lacks keep their value."""
        for f in fields(self):
            if f.name in state:
                setattr(self, f.name, _restored(getattr(self, f.name), state[f.name]))


def _dumped(value: Any) -> Any:
    if isinstance(value, State | MeanSums | LineSums):
        return value.dump()
    if isinstance(value, dict):
        return {key: _dumped(item) for key, item in value.items()}
    return [_dumped(item) for item in value] if isinstance(value, list | tuple) else value


def _restored(mine: Any, saved: Any) -> Any:
    if isinstance(mine, State) and isinstance(saved, Mapping):
        mine.restore(saved)
        return mine
    if isinstance(mine, MeanSums | LineSums):
        return type(mine).load(saved) if saved else type(mine)()
    return deepcopy(saved)


def shifted(state: Any, by: int, key: str = "") -> Any:
    """Return dumped state with every marked instant moved by ``by`` ms (see :class:`State`).

    >>> shifted({"start_at": 100, "n": 5, "oxygen_series": [[100, 7]], "in": {"x_at": None}}, -10)
    {'start_at': 90, 'n': 5, 'oxygen_series': [[90, 7]], 'in': {'x_at': None}}
    """
    if isinstance(state, Mapping):
        return {k: shifted(v, by, k) for k, v in state.items()}
    if key.endswith("_at") and isinstance(state, int):
        return state + by
    if key.endswith("_series"):
        return [[row[0] + by, *row[1:]] for row in state]
    if isinstance(state, list):
        return [shifted(item, by) for item in state]
    return state


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What a rule is built from."""

    plant: Plant
    settings: ConditionSettings
    inputs: Inputs
    words: Words
    baselines: Baselines = field(default_factory=lambda: Baselines(""))
    shared: dict[str, Any] = field(default_factory=dict)
    """What a rule and an estimator of one family compute once for both, by a key of theirs."""

    def wired(self, point: str) -> bool:
        """Whether ``point`` can have readings."""
        return self.plant.wired(point)


def number(settings: Mapping[str, SettingValue], name: str) -> float | None:
    """Return a numeric setting, or ``None`` where it has no value."""
    value = settings.get(name)
    if value is None or isinstance(value, str | bool):
        return None
    return float(value)


class SampleConsumer(ABC):
    """Takes good samples of its inputs, and says which of them the engine may skip."""

    state: State = State()
    """All that a restart must keep; a subclass that has any sets its own."""

    @abstractmethod
    def observe(self, point: str, at: int, value: float, before_at: int | None) -> Any:
        """Take a good sample newer than any of its point; ``before_at`` is the previous one's."""

    def no_change_band(self, point: str) -> Band | None:
        """Return a band in which a further sample in time changes nothing, or ``None``.

        A sample in time follows the last one within the longest gap that counts as unbroken. The
        engine may skip it, or keep it back for :meth:`update_batch` where the band says that it
        counts: until the first sample outside the band, any other sample of the consumer, its
        evaluation, its estimate or its dump. The band changes only with a call of the consumer.
        """
        return None

    def update_batch(
        self, point: str, times: Sequence[int], values: Sequence[float], before_at: int,
    ) -> None:
        """Take samples that were kept back, with the result of observing them one by one.

        ``before_at`` (ms) is the time of the sample before the first of them.
        """
        for at, value in zip(times, values, strict=True):
            self.observe(point, at, value, before_at)
            before_at = at

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return self.state.dump()

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.state.restore(state)


class Rule(SampleConsumer):
    """One condition of one asset.

    ``inputs`` are the points it hears, ``needs`` those without which it cannot judge: when one of
    them is silent the engine answers UNKNOWN for it.
    """

    condition: ClassVar[str]
    requires: ClassVar[Mapping[str, str]] = {}
    """Quantities of the asset without which it cannot be evaluated, each with its words."""
    looks_ahead: ClassVar[bool] = False
    """Whether it is put off for longer where it is known that nobody goes silent."""
    answers_only: ClassVar[bool] = False
    """Whether its inputs are answers to it, whatever they say: no doubt of a reading touches it."""
    facts: ClassVar[frozenset[str]] = frozenset()
    """Facts of the daemon or of people that it wants to hear of (:meth:`note`)."""

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
        """What the settings say is unbroken, ms; ``None``: what the point's own pace says."""

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.asset}, {self.dump()})"

    @classmethod
    def applies(cls, context: Context, asset: str) -> bool:
        """Whether the condition means anything for an asset."""
        return True

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        """Return why an asset cannot be evaluated; empty where it can."""
        lacking = [words for quantity, words in cls.requires.items()
                   if not context.wired(f"{asset}.{quantity}")]
        return f"no {' and no '.join(lacking)} at {asset}" if lacking else ""

    @property
    def about(self) -> Condition:
        """The catalogue's entry."""
        return CATALOGUE[self.condition]

    def gap(self, point: str) -> int:
        """Longest time (ms) between two samples of ``point`` that still counts as unbroken."""
        return self.context.inputs.max_gap(point) if self.set_gap is None else self.set_gap

    @abstractmethod
    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        """Take a good sample newer than any of its point; ``before_at`` is the previous one's time.

        Returns whether the finding may have changed.
        """

    def note(self, fact: FactNoted) -> bool:
        """Take a fact named in :attr:`facts`; return whether the finding may have changed."""
        return False

    def doubts(self) -> frozenset[str]:
        """Return the points whose readings are not to be believed while it is present."""
        return frozenset()

    @abstractmethod
    def evaluate(self, now: int) -> RawEvaluation:
        """Return what holds at ``now`` (ms), delays aside."""

    @abstractmethod
    def describe(self, now: int) -> tuple[Values, str]:
        """Return the numbers and the whole message of the condition as it stands at ``now``."""

    def due(self, now: int) -> int | None:
        """Return when time alone could change the finding, or ``None``."""
        return None

    def still_absent(self, now: int) -> int | None:
        """Return a later :meth:`due` where it is as absent as it last was; ``None``: judge it.

        Asked at its due, with nothing heard meanwhile and all settled: most looks of most rules
        find nothing, and are then no business of anybody else.
        """
        return None


class Estimator(SampleConsumer):
    """One quantity of one asset, fed with good samples and asked once a day."""

    quantity: ClassVar[str]

    def __init__(self, context: Context, asset: str, inputs: tuple[str, ...]) -> None:
        self.context, self.asset, self.inputs = context, asset, inputs
        unit = COMPUTED[self.quantity].unit
        self.unit = flow_unit(context.plant) if unit == FLOW else unit

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.asset}, {self.dump()})"

    @property
    def wanted(self) -> bool:
        """Whether it has news that should not wait for midnight; :meth:`make` settles it."""
        return False

    @abstractmethod
    def begin(self, now: int) -> None:
        """Start a window at ``now``."""

    @abstractmethod
    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        """Take a good sample."""

    @abstractmethod
    def make(self, now: int) -> EstimateMade | None:
        """Close the window at ``now``; return what it gives, or ``None`` where nothing is read."""

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
    not_watched: tuple[NotWatched, ...]


@dataclass(slots=True, kw_only=True)
class Level(State):
    """A number against a limit, with a deadband: begins past the limit, ends past the band."""

    beyond: bool | None = None
    since_at: int | None = None

    def compare(
        self, at: int, value: float, limit: float, deadband: float, *, above: bool,
    ) -> bool:
        """Take a sample; return whether the answer changed."""
        past = value > limit if above else value < limit
        within = value <= limit - deadband if above else value >= limit + deadband
        if self.beyond is None or (not self.beyond and past) or (self.beyond and within):
            self.beyond, self.since_at = past, at
            return True
        return False

    def evaluation(self) -> RawEvaluation:
        """Return the standing as a finding."""
        if self.beyond is None:
            return RawEvaluation.unknown("no reading yet")
        if self.beyond:
            return RawEvaluation.present(self.since_at)
        return RawEvaluation.absent(self.since_at)

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
