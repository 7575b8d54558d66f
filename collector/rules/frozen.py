"""Readings frozen: a device answers, and none of its values changes.

A plant may rightly be at rest, so the limit is learned from the device itself, separately
for each state of its compressor, mode and vents: the longest time without change, times a margin.
Any change of anything it gives, counters included, ends the stillness. Where other devices are
read, one of them must have moved meanwhile: when nothing moves anywhere, the plant is steady.

Oxygen and temperature in a tight pipe or a calm room may rightly be the same for weeks. A device
that gives nothing else is only called frozen where it was seen to move with the plant as it is, and
further than a last digit flickers.

One gauge of a device that lives may repeat its value too (:mod:`collector.rules.heldgauge`). That
is the same condition of the same device: one alarm, whichever of its gauges it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from collector.domain.readings import QUANTITIES, point_kind, split_point
from collector.domain.units import HOUR, MINUTE
from collector.rules.base import Context, RawEvaluation, Rule, State, Values, number
from collector.rules.heldgauge import HeldGauge
from collector.rules.inputs import Source

_LOOK = MINUTE
"""ms between checks: far below the shortest limit."""
_LEAST = 10 * MINUTE
_FEWEST = 30
"""Answers without a change that the limit must span at least."""
_MARGIN = 8
_KNOWN = HOUR
"""ms of changing values that must have been seen in a state before it is evaluated."""
_RESTS = 12 * HOUR
"""Least limit (ms) of a device that was seen to rest: a quiet night must not look frozen."""
_WANDERS = 5
"""Values one number must have had: a number at rest on the edge between two steps flickers for
days, and then rests for days beside it, so that its flicker does not show how long."""
_STATES = 32
_RUNNING = "compressor_running"
_MOVED_BY = (_RUNNING, "mode", "open")
_GAUGES = ("tank_pressure", "pressure")
_NEVER_RESTS = ("tank_pressure", "pressure", "running_hours")
"""Quantities that change within two days in any working plant."""

_LINE = "that gauge, its sensor and its line: a closed cock or a plugged line keeps what was there"


@dataclass(slots=True, kw_only=True)
class _FrozenState(State):
    still_at: int | None = None
    """Time since which it answers and no value changes."""
    frozen: bool = False
    ended_at: int | None = None
    kind: str = ""
    """The state of the plant by the device's own values."""
    learned: dict[str, list[int]] = field(default_factory=dict)
    """State of the plant to [ms seen moving in it, longest stillness in it in ms]."""
    values: dict[str, dict[str, list[float]]] = field(default_factory=dict)
    """State of the plant to the first values that each number of a device had that may rest."""
    gauges: dict[str, HeldGauge] = field(default_factory=dict)


class DataFrozen(Rule):
    """Values that never change while they should. Checked once a minute."""

    condition = "data-frozen"
    state: _FrozenState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, inputs=(), needs=())
        self.points = points = _points_of(context, asset)
        self._witnesses = tuple(p for p in points if p.rpartition(".")[2] in _MOVED_BY)
        self._gauges = tuple(p for p in points if p.rpartition(".")[2] in _GAUGES)
        self._may_rest = not any(p.rpartition(".")[2] in _NEVER_RESTS for p in points)
        self._limit_set = number(self.settings, "limit")
        self._unlearned = int(number(self.settings, "unlearned_limit") or 0)
        self._shortest = int(self._limit_set or min(_LEAST, self._unlearned))
        """No limit is shorter, whatever is learned, ms."""
        self.state = _FrozenState()

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        return "" if any(_is_number(context, p) for p in _points_of(context, asset)) else (
            f"only contacts at {asset}: they may rightly stay as they are for months")

    @property
    def _source(self) -> Source | None:
        # Looked up each time: without devices it appears with the asset's first row.
        return self.context.inputs.sources.get(self.asset)

    def doubts(self) -> frozenset[str]:
        source, s = self._source, self.state
        moved = source is not None and source.moved_at is not None and (
            s.still_at is None or source.moved_at > s.still_at
        )
        if s.frozen and not moved:
            return frozenset(self.points)
        held = self._held()
        if not held:
            return frozenset()
        points = self.context.inputs.points
        return frozenset(n for n, gauge in held.items() if points[n].value == gauge.value)

    def next_evaluation_at(self, now: int) -> int | None:
        return now // _LOOK * _LOOK + _LOOK

    def evaluate(self, now: int) -> RawEvaluation:
        source, s = self._source, self.state
        if source is None or source.good_at is None or source.number_at is None:
            return RawEvaluation.unknown(f"{self.words.name(self.asset)} has given no numbers yet")
        self._look(source, now)
        if s.frozen:
            return RawEvaluation.active(s.still_at)
        held = self._held()
        if held:
            return RawEvaluation.active(min(gauge.held_at or now for gauge in held.values()))
        if s.still_at is None:
            return RawEvaluation.unknown(f"{self.words.name(self.asset)} does not answer")
        if source.number_at - s.still_at > self._unlearned and self._may_be_true():
            return RawEvaluation.unknown(
                f"{self.words.name(self.asset)} may rightly stand still: it was not yet seen to "
                "move with the plant like this"
            )
        return RawEvaluation.inactive(s.ended_at)

    def still_inactive(self, now: int) -> int | None:
        source, s = self._source, self.state
        if source is None or source.good_at is None or source.number_at is None:
            return None
        self._look(source, now)
        known = s.still_at is not None and source.number_at - s.still_at <= self._unlearned
        return self.next_evaluation_at(now) if known and not s.frozen and not self._held() else None

    def _held(self) -> dict[str, HeldGauge]:
        gauges = self.state.gauges
        return {name: gauges[name] for name in self._gauges if name in gauges
                and gauges[name].frozen} if gauges else {}

    def _look(self, source: Source, now: int) -> None:
        s, moved, good = self.state, source.moved_at, source.good_at
        assert good is not None  # noqa: S101 - evaluate() has checked
        if now - good > (source.limit() or 2 * _LOOK):
            # Time without answers is not time in which it said the same; what was frozen and has
            # not moved since is still the same fact.
            if not s.frozen:
                s.still_at = None
        elif s.still_at is None:
            s.still_at, s.kind = good, self._kind()
        elif moved is not None and moved > s.still_at:
            self._moved(moved)
        if s.still_at is not None and source.number_at is not None and not s.frozen:
            still = source.number_at - s.still_at
            s.frozen = (
                still > self._shortest and still > self.limit(source) and not self._may_be_true()
                and self._others_moved(s.still_at)
            )
        self._look_at_gauges(now)

    def _look_at_gauges(self, now: int) -> None:
        inputs, gauges = self.context.inputs, self.state.gauges
        for name in self._gauges:
            point = inputs.points.get(name)
            if point is None or point.at is None or point.value is None:
                continue
            gauge = gauges.get(name)
            if gauge is None:
                gauge = gauges[name] = HeldGauge()
            running = None
            if name.endswith("tank_pressure"):
                runs = inputs.points.get(f"{name.partition('.')[0]}.{_RUNNING}")
                running = runs is not None and runs.fresh(now) and runs.value == 1.0
            gauge.look(point.at, point.value, point.max_gap(), running, self._moved_at)

    def _moved_at(self) -> int:
        """Return the time (ms) of the last change of any value of the site."""
        return max(s.moved_at or 0 for s in self.context.inputs.sources.values())

    def _moved(self, moved: int) -> None:
        """Learn the length of the period without change that has ended, and begin another."""
        s = self.state
        seen, longest = s.learned.pop(s.kind, [0, 0])
        still = moved - s.still_at if s.still_at is not None else 0
        if s.frozen:
            # If it was a steady plant after all, twice as long will not be called frozen.
            still, s.ended_at = min(still, 2 * longest), moved
            self._keep_tanks()
        s.learned[s.kind] = [seen + min(still, 2 * _LOOK), max(longest, still)]
        self._note_values()
        if len(s.learned) > _STATES:
            s.values.pop(gone := next(iter(s.learned)), None)
            s.learned.pop(gone)
        s.still_at, s.frozen, s.kind = moved, False, self._kind()

    def _keep_tanks(self) -> None:
        """Keep tank gauges frozen that froze with their device and have not changed since."""
        for name, gauge in self.state.gauges.items():
            same = gauge.value == self.context.inputs.point(name).value
            if name.endswith("tank_pressure") and same and gauge.looks * _LOOK > self._shortest:
                gauge.frozen = "device"

    def _note_values(self) -> None:
        if not self._may_rest:
            return
        points, seen = self.context.inputs.points, self.state.values.setdefault(self.state.kind, {})
        for name in self.points:
            point, had = points.get(name), seen.setdefault(name, [])
            if point is not None and point.is_number and point.value is not None \
                    and len(had) < _WANDERS and point.value not in had:
                had.append(point.value)

    def _kind(self) -> str:
        points = self.context.inputs.points
        values = [points[p].value for p in self._witnesses if p in points]
        return "-".join("?" if v is None else f"{v:.0f}" for v in values)

    def _known(self) -> tuple[int, int] | None:
        """Return the ms that this state was seen moving, and its longest ms without change."""
        s, points = self.state, self.context.inputs.points
        seen, longest = s.learned.get(s.kind, (0, 0))
        if seen < _KNOWN and any(
            p.endswith(_RUNNING) and p in points and points[p].value == 1.0 for p in self._witnesses
        ):
            # With its compressor running a plant moves more than ever: what all states show holds.
            seen = sum(row[0] for row in s.learned.values())
            longest = max((row[1] for row in s.learned.values()), default=0)
        return (seen, longest) if seen >= _KNOWN else None

    def _may_be_true(self) -> bool:
        """Whether, in this state of the plant, none of its values need change."""
        if not self._may_rest or self._limit_set:
            return False
        seen = self.state.values.get(self.state.kind, {})
        return self._known() is None or all(len(had) < _WANDERS for had in seen.values())

    def limit(self, source: Source) -> int:
        """Return the longest time (ms) without change that is normal in the present state."""
        if self._limit_set:
            return int(self._limit_set)
        known = self._known()
        if known is None:
            return self._unlearned
        pace = source.every or (int(source.spacing.ms) if source.spacing is not None else 0)
        rests = known[1] > max(3 * _LOOK, 5 * pace)
        return max(_RESTS if rests else _LEAST, _FEWEST * pace, _MARGIN * known[1])

    def _others(self) -> list[Source]:
        return [s for s in self.context.inputs.sources.values()
                if s.id != self.asset and s.moved_at is not None and s.number_at is not None]

    def _others_moved(self, since: int) -> bool:
        others = self._others()
        return not others or any(s.moved_at is not None and s.moved_at > since for s in others)

    def describe(self, now: int) -> tuple[Values, str]:
        source, s, words = self._source, self.state, self.words
        if not s.frozen and self._held():
            return self._describe_gauges(now)
        since = s.still_at if s.still_at is not None else now
        still = max((source.number_at or now) - since, 0) if source is not None else 0
        limit = self.limit(source) if source is not None else 0
        numbers = (
            f"It answers, but nothing it says has changed for {words.duration(still)}; the limit "
            f"is {words.duration(limit)}"
        )
        known = None if self._limit_set else self._known()
        if known is not None:
            numbers += (" (with the plant like this it was never still for longer than "
                        f"{words.duration(known[1])})")
        numbers += "." + (" Other devices moved meanwhile." if self._others() else "")
        numbers += self._same(now) + " Conditions that depend on it keep their last state."
        values: Values = {
            "still_minutes": round(still / MINUTE, 1), "limit_minutes": round(limit / MINUTE, 1),
        }
        return values, words.message(self.about, self.asset, since=since, numbers=numbers)

    def _describe_gauges(self, now: int) -> tuple[Values, str]:
        words, held, sentences = self.words, self._held(), []
        for name, gauge in held.items():
            why = {
                "run": f"the compressor ran for about {gauge.ran} min meanwhile, and stopped",
                "flicker": "before, its last digit was never still for long",
                "rest": "it never rested for an eighth of that before, and other readings moved",
                "device": "the whole device stood still, and this has not moved yet",
            }[gauge.frozen]
            lasted = words.duration(now - (gauge.held_at or now))
            sentences.append(
                f"The {words.label(name)} of {words.name(name.partition('.')[0])} has read "
                f"{words.pressure(gauge.value or 0.0)} without the least change for "
                f"{lasted}: {why}.")
        since = min(gauge.held_at or now for gauge in held.values())
        sentences.append("Conditions that depend on it keep their last state.")
        values: Values = {
            "still_minutes": round((now - since) / MINUTE, 1), "points": ", ".join(held)}
        return values, words.message(
            self.about, self.asset, since=since, numbers=" ".join(sentences), first=(_LINE,))

    def _same(self, now: int) -> str:
        inputs, sentences = self.context.inputs.points, []
        for name in self.points:
            known = inputs.get(name)
            if known is None or not known.is_number or known.value is None:
                continue
            if name.endswith("pressure"):
                sentences.append(f"{self.words.label(name)} {self.words.pressure(known.value)}")
            elif name.endswith("oxygen"):
                sentences.append(f"{self.words.label(name)} {self.words.percent(known.value)}")
        return f" It always says: {', '.join(sentences[:3])}." if sentences else ""

    def load(self, state: Mapping[str, Any]) -> None:
        super().load(state)
        for name, saved in state.get("gauges", {}).items():
            self.state.gauges[name] = HeldGauge()
            self.state.gauges[name].restore(saved)


def _points_of(context: Context, asset: str) -> tuple[str, ...]:
    """Return the points of a device, or of an asset where no devices are configured."""
    plant = context.plant
    if asset in plant.devices:
        return plant.devices[asset].points
    thing = plant.thing(asset)
    return () if thing is None else tuple(f"{asset}.{q}" for q in QUANTITIES[thing.kind])


def _is_number(context: Context, point: str) -> bool:
    asset, quantity = split_point(point)
    thing = context.plant.thing(asset)
    known = point_kind(thing.kind, quantity) if thing is not None else None
    return known is None or known.unit not in ("contact", "mode")
