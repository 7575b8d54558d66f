"""A site with a story, told by fakes: the board cannot know it from a real one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from argon2 import PasswordHasher

from collector.clock import ManualClock
from collector.config import default_settings
from collector.domain.actions import (
    ActionKind,
    Baseline,
    DeclaredFill,
    OperatorAction,
    Window,
)
from collector.domain.conditions import ConditionSettings
from collector.domain.errors import ActionRefused
from collector.domain.evaluations import NotMonitored
from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Event,
    Priority,
    Signal,
    SystemEvent,
    Transition,
    event_to_json,
)
from collector.domain.live import AlarmState, LiveAlarm, LivePicture
from collector.domain.messages import Delivery, DeliveryState
from collector.domain.plant import Device, Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import Quality, Reading, TrendStep
from collector.people import Accounts, Passwords, Role
from collector.people.sessions import SessionManager
from collector.web import (
    BoardServices,
    CollectorStatistics,
    DeviceStatistics,
)
from collector.web.access import AccessPolicy
from collector.web.render import Live
from collector.web.services import HistoryServices, MeasureLine, Search

PASSWORD = "nine lives of a cat"
PEOPLE = {"L. Ames": Role.LOOK, "J. Whitlock": Role.RESPOND, "R. Okafor": Role.MANAGE}


def accounts(folder: Path) -> Accounts:
    """One account of each role, all with the same password; the hash is a cheap one."""
    made = Accounts(folder / "people.sqlite",
                    Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)))
    for name, role in PEOPLE.items():
        made.add(name, role, PASSWORD, NOW)
    return made


HANDBOOK = {name: (f"About {name}", "<h2>Why</h2><p>&lt;b&gt;</p>")
            for name in ("contents", "pressure-low")}
TOKEN = "correct-horse-täglich"
NOW = 1_784_448_605_000  # 2026-07-19T08:10:05Z, 09:10 in London
MINUTE, HOUR = 60_000, 3_600_000


def plant(**site: str) -> Plant:
    """Two generators, three risers with vents, a room."""
    gen_points = ("tank_pressure", "compressor_running", "mode", "product_oxygen", "running_hours",
                  "start_count", "trouble", "trouble_no", "trouble_nc")
    return Plant(
        site=Site(**({"id": "fenmoor", "name": "Fenmoor Cold Store", "timezone": "Europe/London"}
                     | site)),
        generators={
            "gen1": Generator(id="gen1", name="Generator, dock end"),
            "gen2": Generator(id="gen2", name="Generator, freezer"),
        },
        risers={
            "r1": Riser(id="r1", name="Dock riser", fed_by="gen1"),
            "r2": Riser(id="r2", name="Freezer riser", fed_by="gen2", volume=0.6,
                        supervisory_pressure=25.0),
            "r3": Riser(id="r3", name="Office riser", fed_by="gen1"),
        },
        vents={"r1-vent": Vent(id="r1-vent", name="Dock vent", riser="r1"),
               "r2-vent": Vent(id="r2-vent", name="Freezer vent", riser="r2",
                                target_oxygen=2.0, flow=0.0002)},
        rooms={"plant-room": Room(id="plant-room", name="Plant room")},
        devices={
            "gen1-controller": Device(
                id="gen1-controller", name="Controller of the dock generator", every=5000,
                points=tuple(f"gen1.{q}" for q in gen_points)),
            "gen2-controller": Device(
                id="gen2-controller", name="Controller of the freezer generator", every=5000,
                points=("gen2.tank_pressure", "gen2.compressor_running", "gen2.mode")),
            "field": Device(
                id="field", name="Field inputs", every=10_000,
                points=("r1.pressure", "r1.pipe_temperature", "r1.low_air", "r2.pressure",
                        "r2.valve_room_temperature", "r3.pressure", "r1-vent.oxygen",
                        "r1-vent.open", "r2-vent.oxygen", "plant-room.oxygen",
                        "plant-room.temperature")),
        },
    )


def picture(now: int = NOW) -> LivePicture:
    """Most points good, one bad, one old, one device silent, one point never read."""
    good = {
        "gen1.tank_pressure": 63.4, "gen1.compressor_running": 1.0, "gen1.mode": 1.0,
        "gen1.product_oxygen": 1.84, "gen1.running_hours": 4211.3, "gen1.start_count": 20418.0,
        "gen1.trouble": 0.0, "gen1.trouble_no": 0.0, "gen1.trouble_nc": 0.0,
        "r1.pressure": 24.9, "r1.pipe_temperature": 16.4, "r1.low_air": 0.0,
        "r2.valve_room_temperature": 6.5, "r3.pressure": 25.2,
        "r1-vent.oxygen": 7.3, "r1-vent.open": 1.0, "plant-room.oxygen": 20.8,
        "plant-room.temperature": 21.2,
    }
    live = LivePicture()
    live.update(Reading(point=p, asked=now - 1200, time=now - 1000, value=v)
                for p, v in good.items())
    old = now - 14 * MINUTE
    live.update(Reading(point=f"gen2.{q}", asked=old, time=old, value=v)
                for q, v in (("tank_pressure", 71.0), ("compressor_running", 0.0), ("mode", 1.0)))
    live.update(Reading(point=f"gen2.{q}", asked=now - 2000, time=now - 1000, value=None,
                        quality=Quality.STALE, why="no reply within 1 s")
                for q in ("tank_pressure", "compressor_running", "mode"))
    live.update([Reading(point="r2.pressure", asked=now - MINUTE, time=now - MINUTE, value=25.0)])
    live.update([Reading(point="r2-vent.oxygen", asked=now - 1000, time=now - 900, value=99.9,
                         quality=Quality.BAD, why="99.9 % is outside 0 % to 25 %")])
    return live


def _alarm(condition: str, asset: str, state: AlarmState, minutes: int, text: str,
           **more: object) -> LiveAlarm:
    since = NOW - minutes * MINUTE
    known: dict[str, object] = {
        "signal": Signal.TROUBLE, "priority": Priority.HIGH, "present": True,
        "since": since, "raised": since + 5000,
    }
    return LiveAlarm(id=f"{condition}.{asset}.{(since + 5000) // 1000}", condition=condition,
                     asset=asset, state=state, text=text, **(known | more))  # type: ignore[arg-type]


def alarms() -> list[LiveAlarm]:
    """One alarm in each state that people meet."""
    return [
        _alarm("contact-disagreement", "gen1.trouble", AlarmState.SHELVED, 1900,
               "Both legs of the trouble contact read open.", by="R. Okafor",
               why="terminal to be remade on Tuesday", until=NOW + 7 * HOUR),
        _alarm("compressor-long-run", "gen1", AlarmState.UNACKNOWLEDGED, 17,
               "Compressor of Generator, dock end has run for 17.2 min; the limit is 12.0 min. "
               "It began at 08:53.\nLook for, in this order: a leak in the pipe or at the tank: "
               "listen, soap the joints; a riser being filled without a declared fill, or a bypass "
               "left open; a worn compressor or a clogged intake filter.\nCompressors start by "
               "themselves; tanks hold pressure with the power off. Isolate, lock out, bleed down.",
               values={"run_minutes": 17.2, "limit_minutes": 12.0}),
        _alarm("device-silent", "gen2-controller", AlarmState.ACKNOWLEDGED, 14,
               "Controller of the freezer generator has not answered for 14 min. Look for: power "
               "to the device; the cable, its plug, or the network between here and there.",
               priority=Priority.MEDIUM, by="J. Whitlock"),
        _alarm("oxygen-not-falling", "r1-vent", AlarmState.RETURNED_UNACKNOWLEDGED, 400,
               "Oxygen at Dock vent fell by 0.02 % per h; 0.21 % per h was predicted.",
               priority=Priority.MEDIUM, present=False),
    ]


def _moved(minutes: int, condition: str, asset: str, transition: Transition, **who: str) -> Event:
    time = NOW - minutes * MINUTE
    return AlarmTransition(time=time, site="fenmoor", condition=condition, asset=asset,
                      transition=transition, priority=Priority.HIGH, signal=Signal.TROUBLE,
                      since=time, text="", id=f"{condition}.{asset}.{time // 1000}", **who)


def history() -> list[Event]:
    """A day of entries."""
    return [
        SystemEvent(time=NOW - 23 * HOUR, site="fenmoor", fact="collector-started",
                  text="The collector started."),
        _moved(1200, "pressure-low", "r3", Transition.RAISED),
        _moved(1194, "pressure-low", "r3", Transition.ACKNOWLEDGED, by="J. Whitlock"),
        _moved(1130, "pressure-low", "r3", Transition.RETURNED),
        _moved(400, "oxygen-not-falling", "r1-vent", Transition.RAISED),
        _moved(140, "oxygen-not-falling", "r1-vent", Transition.RETURNED),
        _moved(17, "compressor-long-run", "gen1", Transition.RAISED),
        _moved(14, "device-silent", "gen2-controller", Transition.RAISED),
        _moved(9, "device-silent", "gen2-controller", Transition.ACKNOWLEDGED, by="J. Whitlock"),
    ]


def baselines() -> list[Baseline]:
    """One that is learned, one being learned, one that the site file gives."""
    days = "at least 3 clean runs, no air-fill and no declared fill"
    return [
        Baseline(quantity="compressor-delivery", asset="gen1", unit="scfh", value=41.234,
                 deviation=0.6, days=3, needed=3, window=(NOW - 96 * HOUR, NOW - 24 * HOUR),
                 given=False, conditions=days),
        Baseline(quantity="compressor-delivery", asset="gen2", unit="scfh", value=None,
                 deviation=None, days=1, needed=3, window=(NOW - 48 * HOUR, NOW - 24 * HOUR),
                 given=False, conditions=days),
        Baseline(quantity="pump-up-time", asset="gen1", unit="s", value=240.0, deviation=0.0,
                 days=0, needed=3, window=None, given=True, conditions=days),
    ]


def declared(asset: str = "r1", **told: object) -> DeclaredFill:
    """A fill that was declared ten minutes ago for four hours."""
    known: dict[str, object] = {
        "since": NOW - 10 * MINUTE, "until": NOW + 4 * HOUR, "by": "R. Okafor",
        "why": "sprinkler head replaced", "held": ("compressor-overduty", "vent-stuck-open"),
        "afterwards": ("compressor-overduty",), "longer": ("compressor-long-run",),
    }
    return DeclaredFill(asset=asset, **(known | told))  # type: ignore[arg-type]


@dataclass
class FakeSite:
    """The services, and what was asked of them."""

    clock: ManualClock = field(default_factory=lambda: ManualClock(NOW))
    plant: Plant = field(default_factory=plant)
    settings: ConditionSettings = field(
        default_factory=lambda: ConditionSettings(defaults=default_settings()))
    picture: LivePicture = field(default_factory=picture)
    alarms: list[LiveAlarm] = field(default_factory=alarms)
    events: list[Event] = field(default_factory=history)
    not_monitored: list[NotMonitored] = field(default_factory=lambda: [
        NotMonitored(condition="compressor-not-starting", asset="gen1", reason="not built yet"),
        NotMonitored(condition="compressor-not-starting", asset="gen2", reason="not built yet"),
        NotMonitored(condition="leak-high", asset="r1", reason="not built yet"),
        NotMonitored(condition="vent-stuck-open", asset="r1-vent", reason="not built yet"),
        NotMonitored(condition="pressure-low", asset="r2", reason="no low_pressure for r2"),
    ])
    estimates: list[EstimateMade] = field(default_factory=lambda: [
        EstimateMade(time=NOW - HOUR, site="fenmoor", quantity="nitrogen-demand", asset="gen1",
                     value=2.31, low=2.10, high=2.52, unit="scfh",
                     window=(NOW - 25 * HOUR, NOW - HOUR)),
        EstimateMade(time=NOW - HOUR, site="fenmoor", quantity="purge-done-at", asset="r1-vent",
                     value=None, reason="oxygen has not fallen enough to tell"),
    ])
    statistics: CollectorStatistics = CollectorStatistics(
        started=NOW - 23 * HOUR, last_turn=NOW - 800, last_commit=NOW - 1400,
        readings=81_300, events=311, commits=16_000, waiting=3, deliveries_waiting=1,
        numbers={"polls_per_second": 1.5},
        devices=(
            DeviceStatistics(device="gen1-controller", answering=True, last_answer=NOW - 1000,
                             polls=16_560, silent=4),
            DeviceStatistics(device="gen2-controller", answering=False, polls=16_560, silent=170,
                             last_answer=NOW - 14 * MINUTE, why="no reply within 1 s"),
            DeviceStatistics(device="field", answering=True, last_answer=NOW - 1000, polls=8280,
                             lateness_middle=1300),
        ),
    )
    fills: list[DeclaredFill] = field(default_factory=list)
    windows: list[Window] = field(default_factory=list)
    baselines: list[Baseline] = field(default_factory=baselines)
    token: str | None = TOKEN
    accounts: Accounts | None = None
    real: ManualClock = field(default_factory=lambda: ManualClock(NOW))
    reading: str | None = "open"
    public_address: str | None = None
    live: Live = field(default_factory=Live)
    searches: list[Search] = field(default_factory=list)
    notes: list[tuple[str, str, Mapping[str, str]]] = field(default_factory=list)
    actions: list[OperatorAction] = field(default_factory=list)
    trends: list[tuple[str, int, int, int]] = field(default_factory=list)

    async def act(self, action: OperatorAction) -> Sequence[Event]:
        """Do as the watch does, as far as the tests go."""
        self.actions.append(action)
        if action.kind in (ActionKind.DECLARE_FILL, ActionKind.END_FILL):
            return self._fill(action)
        if action.kind is ActionKind.RESET_BASELINE:
            return self._reset(action)
        for place, alarm in enumerate(self.alarms):
            if alarm.id == action.alarm:
                self.alarms[place] = self._moved(alarm, action)
                return []
        raise ActionRefused(f"{action.alarm} is normal: there is nothing to {action.kind}")

    def _fill(self, action: OperatorAction) -> Sequence[Event]:
        others = [f for f in self.fills if f.asset != action.alarm]
        if action.kind is ActionKind.END_FILL and len(others) == len(self.fills):
            raise ActionRefused(f"no fill of {action.alarm} is declared")
        self.fills = others
        if action.kind is ActionKind.DECLARE_FILL:
            self.fills.append(declared(action.alarm, since=action.time, until=action.until,
                                       by=action.by, why=action.why))
        return []

    def _reset(self, action: OperatorAction) -> Sequence[Event]:
        for place, one in enumerate(self.baselines):
            if f"{one.quantity}.{one.asset}" == action.alarm:
                if one.given:
                    raise ActionRefused("this baseline is set in the site file: change it there")
                self.baselines[place] = replace(one, value=None, deviation=None, days=0,
                                                window=None)
        return []

    def _moved(self, alarm: LiveAlarm, action: OperatorAction) -> LiveAlarm:
        if action.kind is ActionKind.ACKNOWLEDGE and alarm.state is AlarmState.UNACKNOWLEDGED:
            return replace(alarm, state=AlarmState.ACKNOWLEDGED, by=action.by)
        if action.kind is ActionKind.SHELVE and alarm.state is not AlarmState.SHELVED:
            return replace(alarm, state=AlarmState.SHELVED, by=action.by, why=action.why,
                           until=action.until)
        if action.kind is ActionKind.UNSHELVE and alarm.state is AlarmState.SHELVED:
            return replace(alarm, state=AlarmState.UNACKNOWLEDGED, by="", why="", until=None)
        if action.kind is ActionKind.TAKE_OUT:
            return replace(alarm, state=AlarmState.OUT_OF_SERVICE, by=action.by, why=action.why)
        if action.kind is ActionKind.PUT_BACK and alarm.state is AlarmState.OUT_OF_SERVICE:
            return replace(alarm, state=AlarmState.UNACKNOWLEDGED, by="", why="")
        raise ActionRefused(f"the alarm is {alarm.state}: it cannot be {action.kind}d")

    async def trend(self, point: str, start: int, end: int, step: int) -> Sequence[TrendStep]:
        """A wave with a gap in it; contacts are on now and then; oxygen falls."""
        self.trends.append((point, start, end, step))
        count = -((start - end) // step)
        return [self._step(point, start + n * step, min(start + (n + 1) * step, end), n / count)
                for n in range(count)]

    @staticmethod
    def _step(point: str, start: int, end: int, place: float) -> TrendStep:
        if 0.6 < place < 0.65:
            return TrendStep(start=start, end=end, count=0, low=None, mean=None, high=None)
        quantity = point.rpartition(".")[2]
        if quantity in ("compressor_running", "open", "trouble", "mode", "low_air"):
            on = 1.0 if math.sin(place * 60) > 0.5 else 0.0
            return TrendStep(start=start, end=end, count=3, low=on, mean=on, high=on)
        middle = {"oxygen": 2.0 + 18.0 * math.exp(-3 * place), "pressure": 25.0,
                  "tank_pressure": 70.0 + 9.0 * math.sin(place * 60)}.get(quantity, 20.0)
        wave = middle + 0.3 * math.sin(place * 30)
        return TrendStep(start=start, end=end, count=3, low=wave - 0.2, mean=wave, high=wave + 0.2)

    async def history(self, start: int, end: int) -> Sequence[Event]:
        """The events of a span."""
        return [e for e in self.events if start <= e.time < end]

    async def moved(self, start: int, end: int, assets: Sequence[str]) -> Sequence[AlarmTransition]:
        """The alarm events of a span and of some assets."""
        return [e for e in self.events if start <= e.time < end and isinstance(e, AlarmTransition)
                and any(e.asset == a or e.asset.startswith(f"{a}.") for a in assets)]

    async def made(self, quantity: str, asset: str, start: int, end: int) -> list[EstimateMade]:
        """A delivery that falls off by and by."""
        return [
            EstimateMade(time=t, site="fenmoor", quantity=quantity, asset=asset, unit="scfh",
                         value=41.0 - 9.0 * (t - start) / (end - start))
            for t in range(start, end, max((end - start) // 12, 1))
        ]

    async def find(self, search: Search) -> Sequence[Event]:
        """The newest first, filtered as the journal does but by title."""
        self.searches.append(search)
        found = [
            e for e in reversed(self.events)
            if (isinstance(e, AlarmTransition) or not search.alarms_only)
            and (not search.condition or getattr(e, "condition", "") == search.condition)
            and (not search.asset or getattr(e, "asset", "").startswith(search.asset))
            and all(w.lower() in event_to_json(e).lower() for w in search.words)
            and (search.end is None or e.time < search.end)
            and (search.start is None or e.time >= search.start)
        ]
        return found[:search.limit]

    async def measures(self, start: int, end: int) -> Sequence[MeasureLine]:
        """Two lines."""
        return [MeasureLine(what="Alarms a day", value="0.3", acceptable="about 150",
                            source="ISA-18.2"),
                MeasureLine(what="Chattering", value="1", acceptable="none", source="ISA-18.2",
                            more=("Contacts disagree, Generator, dock end (7)",))]

    async def told(self, limit: int) -> Sequence[Delivery]:
        """One message that arrived and one that did not."""
        return [Delivery(id=2, recipient="on-call", subject="Compressor running too long", body="",
                         event_seq=7, created=NOW - 16 * MINUTE, due=NOW, kind="raised",
                         attempts=3, state=DeliveryState.GIVEN_UP, detail="no route to host"),
                Delivery(id=1, recipient="desk", subject="Pressure low", body="", event_seq=2,
                         created=NOW - 20 * HOUR, due=NOW, kind="raised",
                         state=DeliveryState.DELIVERED)][:limit]

    def services(self) -> BoardServices:
        """What the board is given."""
        return BoardServices(
            plant=lambda: self.plant, settings=lambda: self.settings, clock=self.clock,
            picture=self.picture,
            alarms=lambda: self.alarms, not_monitored=lambda: self.not_monitored, act=self.act,
            fills=lambda: self.fills, windows=lambda: self.windows,
            baselines=lambda: self.baselines,
            trend=self.trend, events=self.history, estimates=lambda: self.estimates,
            statistics=lambda: self.statistics, version="0.1.0", live=self.live,
            past=HistoryServices(alarms=self.moved, estimates=self.made, find=self.find,
                              measures=self.measures, deliveries=self.told),
            handbook=HANDBOOK.get, record_event=lambda *told: self.notes.append(told),
            access=AccessPolicy(sessions=SessionManager(self.accounts, self.real), token=self.token,
                      reading=self.reading, public_address=self.public_address),
        )
