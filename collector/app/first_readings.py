"""Checks the first readings of a register map, until the map has proved to be right.

A map is on trial from its first start, and again when it was changed. While it is, an impossible
reading is not good, and what is impossible or unlikely is noted as a system event, from which the
condition ``readings-implausible`` follows. An unlikely reading stays good: its alarms come first.
Once every point of a device has given plausible readings for long enough the map is accepted, which
is journalled, and from then on its readings are no business of this module: a gauge that fails
later is a matter for the conditions.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from collector.clock import Clock
from collector.commissioning.first_look import FirstLook, counter_steps, look_back
from collector.commissioning.plausible import Grade, Growth, Plausibility
from collector.domain.events import SystemEvent
from collector.domain.plant import Plant
from collector.domain.readings import Quality, Reading, split_point
from collector.domain.units import DAY, HOUR, MINUTE, SECOND
from collector.journal import Journal
from collector.sources import DAMAGED, NO_VALUE, DeviceSettings
from collector.sources.poller import Poller
from collector.sources.read_plan import point_names

_log = logging.getLogger(__name__)

FOUND_IMPLAUSIBLE = "readings-found-implausible"
FOUND_PLAUSIBLE = "readings-found-plausible"
MAP_ACCEPTED = "register-map-accepted"

_DWELL = MINUTE
"""ms that a point must be implausible before it is noted (setting)."""
_AGAIN = 3
"""Plausible readings in a row after which a point that was doubted is good again (setting)."""
_TELLING = 20
"""Usual readings in a row, over 10 min, that speak for a point's map (setting)."""
_TELLING_FOR = 10 * MINUTE
_COUNTED_FOR = DAY
"""ms over which a counter is watched: one of ten times the true scale shows when it grows."""
_LOOK_EVERY, _LOOK_LATER = 10 * MINUTE, HOUR
"""ms between two looks: in the first hour, and after it."""
_TURN = 10 * SECOND
_COUNTERS = ("running_hours", "start_count")


def map_digest(settings: DeviceSettings) -> str:
    """Return the digest of a device's map: it changes with unit, addresses and registers."""
    whole = (settings.unit, str(settings.address), settings.points)
    return hashlib.sha256(repr(whole).encode()).hexdigest()[:16]


def accepted_maps(journal: Journal) -> dict[str, str]:
    """Return the digest of the map of each device that was accepted, from the journal."""
    return {s.event.asset: str(s.event.values.get("map"))
            for s in journal.events(kind=MAP_ACCEPTED) if isinstance(s.event, SystemEvent)}


@dataclass(slots=True)
class _PointTrial:
    """The state of one point's trial. Instants in ms."""

    why: str = ""
    """Why its last reading is implausible; empty where it is plausible."""
    begun: int | None = None
    """When it became implausible."""
    again: int = 0
    """Plausible readings since then."""
    ever_good: bool = False
    telling: int = 0
    telling_since: int = 0
    accepted: bool = False


@dataclass(slots=True, kw_only=True)
class _Trial:
    """A device whose map is on trial."""

    settings: DeviceSettings
    growth: Growth
    points: dict[str, _PointTrial]
    begun: int | None = None
    look: FirstLook | None = None
    look_due: int = 0
    latest: dict[str, Reading] = field(default_factory=dict)
    earlier: dict[str, Reading] = field(default_factory=dict)
    """Readings as they came, at the last turn."""
    noted: frozenset[str] = frozenset()
    """The points that were noted as implausible last."""


@dataclass(kw_only=True)
class FirstReadings:
    """Passes readings on to ``sink``, those that are impossible as not good.

    ``accepted`` holds the digest of the map of each device that was accepted before, ``noted`` the
    devices whose readings were noted as implausible and not yet as plausible again.
    """

    site: str
    sink: Callable[[Sequence[Reading]], None]
    record_event: Callable[[SystemEvent], None]
    accepted: dict[str, str]
    noted: Iterable[str] = ()
    _plant: Plant = field(init=False)
    _plausibility: Plausibility = field(init=False)
    _trials: dict[str, _Trial] = field(default_factory=dict, init=False)
    _by_point: dict[str, _Trial] = field(default_factory=dict, init=False)
    _values: dict[str, float] = field(default_factory=dict, init=False)

    def __repr__(self) -> str:
        return f"FirstReadings({len(self._trials)} maps on trial)"

    def use(self, plant: Plant, devices: Sequence[DeviceSettings]) -> None:
        """Put each device on trial whose map was not accepted; trials in progress continue."""
        self._plant, self._plausibility = plant, Plausibility(plant)
        before, self._trials = self._trials, {}
        for device in devices:
            old = before.get(device.id)
            if old is not None and old.settings == device:
                self._trials[device.id] = old
            elif self.accepted.get(device.id) != map_digest(device):
                names = [n for p in device.points for n in point_names(p)
                         if p.point not in device.trusted]
                noted = old.noted if old is not None else \
                    frozenset({""} if device.id in self.noted else ())
                self._trials[device.id] = _Trial(
                    settings=device, growth=Growth(counter_steps(device.points)), noted=noted,
                    points={n: _PointTrial() for n in names})
        self._by_point = {n: t for t in self._trials.values() for n in t.points}

    # -- readings --------------------------------------------------------------------------------

    def put(self, readings: Sequence[Reading]) -> None:
        """Assess readings that share a time, and pass them on."""
        if not self._trials:
            self.sink(readings)
            return
        for reading in readings:
            if reading.usable is not None:
                self._values[reading.point] = reading.usable
            elif reading.point in self._values:
                del self._values[reading.point]
        self.sink([self._assessed(r) for r in readings])

    def _assessed(self, reading: Reading) -> Reading:
        trial = self._by_point.get(reading.point)
        if trial is None:
            return reading
        trial.begun = reading.time if trial.begun is None else trial.begun
        trial.latest[reading.point] = reading
        seen, value = trial.points[reading.point], reading.usable
        if value is None:
            self._not_good(seen, reading)
            return reading
        seen.ever_good = True
        why = trial.growth.impossible(reading) if seen.accepted else \
            self._plausibility.impossible(reading.point, value, self._values) \
            or trial.growth.impossible(reading)
        if why:
            self._implausible(seen, reading, why)
        elif seen.begun is not None:
            seen.again += 1
            if seen.again < _AGAIN:
                why = seen.why
            else:
                seen.begun, seen.why = None, ""
        if not why:
            self._plausible(seen, reading, value)
            return reading
        return replace(reading, quality=Quality.BAD, why=f"suspect: {why}")

    def _not_good(self, seen: _PointTrial, reading: Reading) -> None:
        """Apply a reading that is not good: a point without any good one may be mapped wrongly.

        A damaged reply is the line's fault, and no sign of a wrong map.
        """
        if reading.quality is Quality.BAD and not seen.ever_good \
                and not reading.why.startswith((*NO_VALUE, DAMAGED, "both legs")):
            self._implausible(seen, reading, reading.why)

    @staticmethod
    def _implausible(seen: _PointTrial, reading: Reading, why: str) -> None:
        seen.begun = reading.time if seen.begun is None else seen.begun
        seen.why, seen.again, seen.telling = why, 0, 0

    def _plausible(self, seen: _PointTrial, reading: Reading, value: float) -> None:
        usual = self._plausibility.usual(reading.point)
        if usual is not None and not usual[0] <= value <= usual[1]:
            seen.telling = 0  # a plant that is empty says nothing about a scale
            return
        if not seen.telling:
            seen.telling_since = reading.time
        seen.telling += 1
        seen.accepted = seen.accepted or (
            seen.telling >= _TELLING and reading.time - seen.telling_since >= _TELLING_FOR)

    # -- looks and events ------------------------------------------------------------------------

    async def run(self, poller: Poller, clock: Clock) -> None:
        """Examine the devices when they are due, until cancelled."""
        while True:
            await clock.sleep(_TURN)
            try:
                await self.turn(poller, clock)
            except Exception:  # a doubt must not end the monitoring
                _log.exception("first readings could not be looked at")

    async def turn(self, poller: Poller, clock: Clock) -> None:
        """Examine the devices that are due, and record what changed."""
        for trial in list(self._trials.values()):
            now = clock.now()
            if trial.begun is None:
                continue
            answered = any(p.ever_good or p.begun is not None for p in trial.points.values())
            if answered and now >= trial.look_due:
                early = now - trial.begun < HOUR
                trial.look_due = now + (_LOOK_EVERY if early else _LOOK_LATER)
                try:
                    trial.look = await look_back(
                        poller, trial.settings, self._plant, clock,
                        (list(trial.earlier.values()), list(trial.latest.values())))
                except KeyError:
                    continue  # the site file was read again meanwhile: it has no such device
            trial.earlier = dict(trial.latest)
            if self._trials.get(trial.settings.id) is trial:
                self._record_changes(trial, clock.now())

    def _record_changes(self, trial: _Trial, now: int) -> None:
        doubts = dict(self._doubts(trial, now))
        points = frozenset(doubts)
        device = trial.settings
        if points != trial.noted and (points or trial.look is not None):
            trial.noted = points
            text = " ".join(f"{point}: {why}." for point, why in doubts.items())
            self.record_event(SystemEvent(
                time=now, site=self.site, fact=FOUND_IMPLAUSIBLE, asset=device.id,
                text=f"Readings of {device.name} cannot be right or are unlikely. {text}",
                values={"points": ", ".join(doubts)},
            ) if points else SystemEvent(
                time=now, site=self.site, fact=FOUND_PLAUSIBLE, asset=device.id,
                text=f"The readings of {device.name} are plausible again."))
        if not points and trial.look is not None and self._is_accepted(trial, now):
            digest = map_digest(device)
            self.accepted[device.id] = digest
            del self._trials[device.id]
            self._by_point = {n: t for n, t in self._by_point.items() if t is not trial}
            self.record_event(SystemEvent(
                time=now, site=self.site, fact=MAP_ACCEPTED, asset=device.id,
                values={"map": digest},
                text=f"The readings of {device.name} were plausible for long enough; its register "
                     "map is taken as right."))

    def _doubts(self, trial: _Trial, now: int) -> Iterator[tuple[str, str]]:
        """Yield each point that has been implausible for long enough, with the reason."""
        looked = {d.point: d for d in trial.look.doubts} if trial.look is not None else {}
        for name, seen in trial.points.items():
            doubt = looked.get(name)
            if seen.begun is not None and now - seen.begun >= _DWELL:
                hints = doubt.hints if doubt is not None else ()
                yield name, "; ".join((seen.why, *hints))
            elif doubt is not None and doubt.grade is Grade.UNLIKELY and not seen.accepted:
                yield name, doubt.text

    def _is_accepted(self, trial: _Trial, now: int) -> bool:
        assert trial.begun is not None
        counted = any(split_point(n)[1] in _COUNTERS for n in trial.points)
        return all(p.accepted for p in trial.points.values()) and (
            not counted or now - trial.begun >= _COUNTED_FOR)
