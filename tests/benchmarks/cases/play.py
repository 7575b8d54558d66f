"""Play one case: the plant recorded offline, the road's mischief, the watch fed with the rest."""

from __future__ import annotations

import random
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.app.monitor import SiteMonitor
from collector.domain.evaluations import NotMonitored
from collector.domain.events import Event
from collector.domain.readings import QUANTITIES, Quality, Reading, mode_code
from simulators.plant import Plant
from simulators.record import polls
from simulators.registers import REGISTER_SETS, assign
from simulators.scenario import Scenario
from simulators.sensors import Value
from simulators.stage import Stage
from tests.benchmarks.cases.build import load, scenario_of
from tests.benchmarks.cases.ledger import Ledger
from tests.benchmarks.cases.shape import Case, Expect, Story, Wire

__all__ = ["Played", "play"]

_PRESSURES = ("tank_pressure", "pressure")
_LATE = 45_000


@dataclass(slots=True, kw_only=True)
class Played:
    """Everything that came of one case. Instants are ms since 1970."""

    case: Case
    scenario: Scenario
    events: list[Event]
    ledger: Ledger
    not_monitored: list[NotMonitored]
    onsets: list[int | None]
    """Of ``case.expects``, in their order; ``None`` where it never came to it."""
    episodes: list[int]
    """Of ``case.expects``: how often the plant came to it."""
    polls: dict[str, int]
    """Thing to the slowest pace (ms) at which it is asked."""
    on_delay: dict[tuple[str, str], int]
    unknown_settings: list[str]
    readings: int = 0
    plant_seconds: float = 0.0
    watch_seconds: float = 0.0


@dataclass(slots=True)
class _Onset:
    """Waits for the moment an expectation is about."""

    expect: Expect
    start: int
    since: int | None = None
    last: int = 0
    found: int | None = field(default=None)
    episodes: int = 0
    """How often it came to it: two long runs are two, though one leak makes them."""
    told: bool = False

    def look(self, plant: Plant, now: int) -> None:
        expect = self.expect
        assert expect.when is not None
        if now >= self.start + expect.after:
            if not expect.when(plant):
                self.since, self.told = None, False
            else:
                # It began between the last look and this one: the earlier is the harder.
                self.since = (self.last or now) if self.since is None else self.since
                if now - self.since >= expect.held and not self.told:
                    self.told = True
                    self.episodes += 1
                    if self.found is None:
                        self.found = self.since + expect.held
        self.last = now


def play(story: Story, seed: int) -> Played:
    """Play ``story`` with the dice of ``seed``."""
    case = story.case(seed)
    scenario = scenario_of(case, seed)
    config, unknown = load(case)
    stage = Stage(scenario)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    ledger = Ledger(stage.plant)
    start = scenario.plant.start
    waiting = [_Onset(e, start) for e in case.expects if e.when is not None]
    road = _Road(case, seed, stage)
    declared = sorted(((start + d.at, d) for d in case.declared), key=lambda x: x[0])
    paces = {d.id: d.every for d in case.devices}
    pace = max(60_000 if case.duration < 5 * 86_400_000 else 600_000, min(paces.values()))
    events: list[Event] = []
    began, spent, count, noted = time.process_time(), 0.0, 0, start - pace
    for now, told in polls(stage, case.duration, paces):
        for onset in waiting:
            onset.look(stage.plant, now)
        if now - noted >= pace:
            ledger.note()
            noted = now
        readings = road.carry(now, told)
        watch_began = time.process_time()
        while declared and declared[0][0] <= now:
            at, fill = declared.pop(0)
            monitor.declare_fill(fill.asset, start + fill.until)
        events += monitor.feed(readings)
        events += monitor.advance(now)
        spent += time.process_time() - watch_began
        count += len(readings)
    ledger.note()
    events += monitor.advance(start + case.duration)
    found = {id(o.expect): o for o in waiting}
    return Played(
        case=case, scenario=scenario, events=events, ledger=ledger,
        not_monitored=monitor.not_monitored(), readings=count, watch_seconds=spent,
        plant_seconds=time.process_time() - began - spent, unknown_settings=unknown,
        onsets=[start + e.at if e.at is not None else found[id(e)].found for e in case.expects],
        episodes=[found[id(e)].episodes if id(e) in found else 1 for e in case.expects],
        polls=_paces(case),
        on_delay={(e.condition, e.asset): int(
            config.settings.for_(e.condition, e.asset).get("on_delay") or 0)
            for e in case.expects},
    )


def _paces(case: Case) -> dict[str, int]:
    paces: dict[str, int] = {}
    for device in case.devices:
        paces[device.id] = device.every
        for thing in device.watches:
            paces[thing] = max(paces.get(thing, 0), device.every)
    return paces


Told = Sequence[tuple[str, Mapping[str, Value]]]


class _Road:
    """From what controllers told to readings as the watch gets them, mischief included."""

    def __init__(self, case: Case, seed: int, stage: Stage) -> None:
        self._wire: Wire = case.wire
        self._dice = random.Random(f"road/{seed}")  # noqa: S311 - no secret
        self._delayed: list[tuple[int, Reading]] = []
        self._ranges = _ranges(case, stage)
        self._spiked = frozenset(
            p for p in self._ranges if p.rpartition(".")[2] in _PRESSURES)
        self._plain = self._wire == Wire()
        self._bounced: set[str] = set()

    def carry(self, now: int, told: Told) -> list[Reading]:
        """Return the readings that arrive at ``now``, in the order they arrive."""
        out: list[Reading] = []
        wire, dice = self._wire, self._dice
        for n, (_, values) in enumerate(told):
            at = now + 20 + 40 * n + int(dice.random() * 20)
            if not self._plain and wire.lost and dice.random() < wire.lost:
                if dice.random() < 0.5:  # the recorder was down: no row at all
                    continue
                values = dict.fromkeys(values)
            nothing = all(v is None for v in values.values())
            for point, value in values.items():
                reading = self._reading(point, value, now, at, nothing)
                if self._plain:
                    out.append(reading)
                else:
                    self._mischief(reading, out)
        if self._delayed:
            ready = [r for due, r in self._delayed if due <= now]
            self._delayed = [d for d in self._delayed if d[0] > now]
            out += ready
        return out

    def _reading(self, point: str, value: Value, asked: int, at: int, nothing: bool) -> Reading:
        if value is None:
            if nothing:
                return Reading(point=point, asked=asked, time=at, value=None,
                               quality=Quality.STALE, why="no answer")
            return Reading(point=point, asked=asked, time=at, value=None, quality=Quality.BAD,
                           why="marked invalid by the device")
        number = mode_code(value) if isinstance(value, str) else value
        limits = self._ranges.get(point)
        if limits is not None and not limits[0] <= number <= limits[1]:
            return Reading(point=point, asked=asked, time=at, value=number, quality=Quality.BAD,
                           why="out of range")
        return Reading(point=point, asked=asked, time=at, value=number)

    def _mischief(self, reading: Reading, out: list[Reading]) -> None:
        wire, dice = self._wire, self._dice
        if wire.holes and dice.random() < wire.holes:
            return
        if wire.bounce and reading.value is not None and self._bounces(reading.point):
            reading = _with(reading, 1.0 - reading.value)
        if wire.spikes and reading.point in self._spiked and dice.random() < wire.spikes:
            reading = _with(reading, dice.choice((0.0, 100.0, 2.5, 199.0)))
        if wire.late and dice.random() < wire.late:
            self._delayed.append((reading.time + int(dice.random() * _LATE), reading))
            return
        out.append(reading)
        if wire.repeated and dice.random() < wire.repeated:
            out.append(reading)
        if wire.swapped and len(out) > 1 and dice.random() < wire.swapped:
            out[-1], out[-2] = out[-2], out[-1]

    def _bounces(self, point: str) -> bool:
        """Whether this poll catches it: bounce lasts milliseconds, never from poll to poll."""
        bounced = self._dice.random() < self._wire.bounce.get(point, 0.0)
        if bounced and point in self._bounced:
            self._bounced.discard(point)
            return False
        (self._bounced.add if bounced else self._bounced.discard)(point)
        return bounced


def _with(reading: Reading, value: float) -> Reading:
    return Reading(point=reading.point, asked=reading.asked, time=reading.time, value=value)


def _ranges(case: Case, stage: Stage) -> dict[str, tuple[float, float] | None]:
    """Every point a controller tells, with the range beyond which its profile calls it bad."""
    ranges: dict[str, tuple[float, float] | None] = {}
    for device in case.devices:
        for register, point in assign(REGISTER_SETS[device.registers].points, device.watches,
                                      stage.kind_of):
            ranges[point] = register.range
            assert register.quantity in QUANTITIES[register.kind]
    return ranges
