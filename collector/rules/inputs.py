"""The inputs of all rules: last good value of every point, gaps, silence, declared fills.

A source of readings may be silent: a device where the site file names devices, otherwise an asset,
whose typical spacing is then learned from its rows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.conditions import ConditionSettings
from collector.domain.plant import Plant
from collector.domain.readings import MODES, Quality, Reading, point_kind, split_point
from collector.domain.units import DAY

_LEAST_SILENCE = 30_000
_LEAST_GAP = 15_000
_POLLS_OF_SILENCE = 6
_POLLS_OF_GAP = 3
_SPACINGS_TO_KNOW = 10
_LONGEST_PACE = DAY
"""ms; the longest poll interval. A longer gap is a clock that was set."""


@dataclass(slots=True)
class Spacing:
    """The nine-in-ten spacing of a stream, learned from it in two numbers.

    A longer gap than the estimate raises it by a fifth, a shorter one lowers it by a fiftieth: it
    settles where about one gap in ten is longer, and one long silence moves it little.
    """

    ms: float = 0.0
    count: int = 0

    def learn(self, gap: int) -> None:
        """Learn from the gap (ms) between two samples."""
        gap = min(gap, _LONGEST_PACE)
        self.count += 1
        if self.count == 1:
            self.ms = float(gap)
        elif gap > self.ms:
            self.ms = min(self.ms * 1.2, float(gap))
        else:
            self.ms = max(self.ms * 0.98, float(gap))


@dataclass(slots=True)
class Source:
    """A source of readings: a device, or an asset where no devices are configured."""

    id: str
    every: int | None
    set_limit: int | None
    good_at: int | None = None
    """The last usable answer."""
    base_at: int | None = None
    """Start of the silence: ``good_at``, moved by the time in which the collector was down."""
    number_at: int | None = None
    """The last usable number that is neither contact nor mode."""
    moved_at: int | None = None
    """The last time any of its values differed from the one before."""
    spacing: Spacing | None = None

    def limit(self) -> int | None:
        """Longest time without a usable answer (ms); ``None`` while its pace is not known."""
        if self.set_limit is not None:
            return self.set_limit
        pace = self.every
        if pace is None:
            if self.spacing is None or self.spacing.count < _SPACINGS_TO_KNOW:
                return None
            pace = int(self.spacing.ms)
        return max(_POLLS_OF_SILENCE * pace, _LEAST_SILENCE)

    def still(self) -> int:
        """Return the time (ms) for which it sent numbers and no value changed.

        0 where it gives no numbers: contacts alone may rightly stay as they are for months.
        """
        if self.number_at is None or self.moved_at is None:
            return 0
        return max(0, self.number_at - self.moved_at)

    def silent(self, now: int) -> bool:
        """Whether it has given nothing usable for longer than its limit."""
        limit = self.limit()
        return limit is not None and self.base_at is not None and now - self.base_at > limit


@dataclass(slots=True)
class Point:
    """The last samples of one point."""

    name: str
    source: Source
    value: float | None = None
    at: int | None = None
    """Time of the last good sample."""
    heard_at: int | None = None
    """Time of the last sample of any quality."""
    spacing: Spacing | None = None
    is_number: bool = True
    """Whether it is neither a contact nor a mode."""

    def max_gap(self) -> int:
        """Longest time (ms) between samples that still counts as unbroken."""
        every = self.source.every
        if every is not None:
            # Two polls lost in a row are common at a few percent of loss; and polls jitter.
            return _POLLS_OF_GAP * every + every // 2
        if self.spacing is None or not self.spacing.count:
            return _LEAST_GAP
        return max(int(_POLLS_OF_GAP * self.spacing.ms), _LEAST_GAP)

    def lasts(self) -> int | None:
        """Return the time (ms) for which a sample keeps the point and its source from being silent.

        ``None`` where that is learned, and may become shorter.
        """
        limit = None if self.source.every is None else self.source.limit()
        return None if limit is None else min(self.max_gap(), limit)

    def fresh(self, now: int, gap: int | None = None) -> bool:
        """Whether the last good sample is recent enough at ``now``."""
        return self.at is not None and now - self.at <= (self.max_gap() if gap is None else gap)


class Inputs:
    """The last samples of every point, and the declared fills."""

    def __init__(self, plant: Plant, settings: ConditionSettings) -> None:
        self.plant = plant
        self.points: dict[str, Point] = {}
        self.sources: dict[str, Source] = {}
        self.fills: dict[str, int] = {}
        """Thing (generator or riser) to the instant until which its fill is declared."""
        self.filled: dict[str, int] = {}
        """Thing to the instant at which its last declared fill ended."""
        self.known_until = 0
        """Instant (ms) before which no source goes silent, by the future readings given."""
        self.late = 0
        self.repeated = 0
        self._settings = settings
        self._device_of = {p: d for d in plant.devices.values() for p in d.points}
        for device in plant.devices.values():
            self.sources[device.id] = Source(device.id, device.every, self._silence(device.id))
        self.least_gap = min([_LEAST_GAP, *(
            _POLLS_OF_GAP * d.every + d.every // 2 for d in plant.devices.values())])
        """The least that :meth:`Point.max_gap` can be for any point, ms."""

    def __repr__(self) -> str:
        return f"Inputs({len(self.points)} points, {self.late} late, {self.repeated} repeated)"

    def _silence(self, asset: str) -> int | None:
        value = self._settings.for_("device-silent", asset).get("limit")
        return int(value) if isinstance(value, int | float) else None

    def point(self, name: str) -> Point:
        """Return the state of a point, made when first asked for; the object stays the same."""
        found = self.points.get(name)
        if found is None:
            source = self._source_of(name)
            learn = None if source.every is not None else Spacing()
            found = self.points[name] = Point(
                name, source, spacing=learn, is_number=self._is_number(name),
            )
        return found

    def _is_number(self, name: str) -> bool:
        if "." not in name:
            return True
        asset, quantity = split_point(name)
        thing = self.plant.thing(asset)
        known = point_kind(thing.kind, quantity) if thing is not None else None
        return known is None or known.unit not in ("contact", "mode")

    def _source_of(self, name: str) -> Source:
        device = self._device_of.get(name)
        if device is not None:
            return self.sources[device.id]
        thing = split_point(name)[0] if "." in name else name
        found = self.sources.get(thing)
        if found is None:
            found = self.sources[thing] = Source(
                thing, None, self._silence(thing), spacing=Spacing(),
            )
        return found

    def ingest(self, reading: Reading) -> tuple[Point, int | None] | None:
        """Ingest a reading; return its point and the previous good time when it has a value.

        A sample not newer than the last of its point changes nothing; it is counted.
        """
        point = self.points.get(reading.point) or self.point(reading.point)
        at = reading.time
        heard = point.heard_at
        if heard is not None and at <= heard:
            if at == heard:
                self.repeated += 1
            else:
                self.late += 1
            return None
        point.heard_at = at
        value = reading.value
        if value is None or reading.quality is not Quality.GOOD or not math.isfinite(value):
            return None
        before = point.at
        source = point.source
        if value != point.value:
            source.moved_at = at
        if point.is_number:
            source.number_at = at
        point.value, point.at = value, at
        if before is not None and point.spacing is not None:
            point.spacing.learn(at - before)
        if source.good_at is None or at > source.good_at:
            if source.spacing is not None and source.good_at is not None:
                source.spacing.learn(at - source.good_at)
            source.good_at = source.base_at = at
        return point, before

    def max_gap(self, name: str) -> int:
        """Return the longest unbroken spacing of a point, ms."""
        return self.point(name).max_gap()

    def blind_after(self) -> int:
        """Return the time (ms) without any reading after which the collector counts as down."""
        paces = [
            s.every if s.every is not None else int(s.spacing.ms) if s.spacing else 0
            for s in self.sources.values()
        ]
        return min(_LONGEST_PACE, max([_LEAST_SILENCE, *(_POLLS_OF_GAP * p for p in paces)]))

    def least_silence(self) -> int:
        """Return the time (ms) below which no point and no source is ever silent."""
        limits = [s.set_limit for s in self.sources.values() if s.set_limit is not None]
        return min([self.least_gap, _LEAST_SILENCE, *limits])

    def surely_seen(self) -> int:
        """Return the longest gap (ms) that :meth:`blind_after` will not fall below."""
        paces = [s.every for s in self.sources.values() if s.every is not None]
        return min(_LONGEST_PACE, max([_LEAST_SILENCE, *(_POLLS_OF_GAP * p for p in paces)]))

    def was_blind(self, gap: int) -> None:
        """Subtract ``gap`` ms, in which the collector was down, from the silence of every point."""
        for source in self.sources.values():
            if source.base_at is not None:
                source.base_at += gap

    def begin(self, now: int) -> None:
        for source in self.sources.values():
            if source.base_at is None and source.every is not None:
                source.base_at = now

    def begin_again(self, now: int) -> None:
        """Count the silence of devices that have never answered from ``now``."""
        for source in self.sources.values():
            if source.good_at is None and source.base_at is not None:
                source.base_at = now

    def mode(self, generator: str, now: int) -> str | None:
        """Return the generator's mode word, or ``None`` when it is not read or not fresh."""
        point = self.points.get(f"{generator}.mode")
        if point is None or not point.fresh(now) or point.value not in (0.0, 1.0, 2.0):
            return None
        return MODES[int(point.value)]

    def fill_until(self, generator: str) -> int | None:
        """Return until when a fill of this generator, or of a riser it feeds, is declared."""
        ends = [
            end for asset, end in self.fills.items()
            if asset == generator
            or (asset in self.plant.risers and self.plant.risers[asset].fed_by == generator)
        ]
        return max(ends, default=None)

    def filling(self, generator: str, now: int) -> bool:
        """Whether a declared fill is active."""
        until = self.fill_until(generator) if self.fills else None
        return until is not None and now < until

    def dump(self) -> dict[str, Any]:
        return {
            "points": {
                p.name: {
                    "value": p.value, "good_at": p.at, "heard_at": p.heard_at,
                    **({"spacing": [p.spacing.ms, p.spacing.count]} if p.spacing else {}),
                }
                for p in self.points.values() if p.heard_at is not None
            },
            "sources": {
                s.id: {
                    "good_at": s.good_at, "base_at": s.base_at,
                    "number_at": s.number_at, "moved_at": s.moved_at,
                    **({"spacing": [s.spacing.ms, s.spacing.count]} if s.spacing else {}),
                }
                for s in self.sources.values()
            },
            "fills": {asset: {"until_at": end} for asset, end in self.fills.items()},
            "filled": {asset: {"ended_at": end} for asset, end in self.filled.items()},
            "late": self.late, "repeated": self.repeated,
        }

    def load(self, state: Mapping[str, Any]) -> None:
        for name, data in state.get("points", {}).items():
            point = self.point(name)
            point.value, point.at, point.heard_at = (
                data["value"], data["good_at"], data["heard_at"]
            )
            if point.spacing is not None and "spacing" in data:
                point.spacing = Spacing(*data["spacing"])
        for name, data in state.get("sources", {}).items():
            source = self.sources.get(name)
            if source is None:
                continue
            source.good_at, source.base_at = data["good_at"], data["base_at"]
            source.number_at, source.moved_at = data.get("number_at"), data.get("moved_at")
            if source.spacing is not None and "spacing" in data:
                source.spacing = Spacing(*data["spacing"])
        self.fills = {a: d["until_at"] for a, d in state.get("fills", {}).items()}
        self.filled = {a: d["ended_at"] for a, d in state.get("filled", {}).items()}
        self.late, self.repeated = state.get("late", 0), state.get("repeated", 0)
