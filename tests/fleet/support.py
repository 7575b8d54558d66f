"""Sites as a hub sees them, made by the edge node's own code, and a hub on a real broker."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from pathlib import Path

from collector.clock import SystemClock
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
from collector.domain.live import LivePicture
from collector.fleet import Customer, Group, HubSettings, folded
from collector.fleet.hub import Hub
from collector.fleet.hub_store import ReceivedEvent
from collector.forward import BrokerSettings
from collector.forward.mqtt import Message, Received
from collector.forward.sparkplug.edge_node import EdgeNode
from tests.forward.support import plant, reading

NOW = 1_772_323_805_000
DAY = 86_400_000


def alarm(site: str, transition: Transition = Transition.RAISED, *, condition: str = "pressure-low",
          asset: str = "r1", at: int = NOW, signal: Signal = Signal.SUPERVISORY,
          priority: Priority = Priority.HIGH) -> AlarmTransition:
    return AlarmTransition(
        time=at, site=site, condition=condition, asset=asset, transition=transition,
        priority=priority, signal=signal, since=NOW, text=f"{condition} at {asset}",
        id=f"{condition}.{asset}.{NOW // 1000}")


def estimate(site: str, quantity: str, asset: str, value: float, at: int,
             unit: str = "scfh") -> EstimateMade:
    return EstimateMade(time=at, site=site, quantity=quantity, asset=asset, value=value,
                        low=value * 0.95, high=value * 1.05, unit=unit)


def fact(site: str, text: str, at: int = NOW) -> SystemEvent:
    return SystemEvent(time=at, site=site, fact="site-file-read", text=text)


def came(seq: int, event: Event, journal: str = "j") -> ReceivedEvent:
    return ReceivedEvent(site=event.site, journal=journal, seq=seq, event=event)


def event_message(event: Event, seq: int, *, journal: str = "j",
                  prefix: str = "quietpipe") -> Message:
    body = json.loads(event_to_json(event)) | {"seq": seq, "journal": journal}
    return Message(topic=f"{prefix}/{event.site}/events", payload=json.dumps(body).encode(), qos=1)


def mark(site: str, prefix: str = "quietpipe") -> Message:
    return Message(topic=f"{prefix}/{site}/mark", qos=1, payload=json.dumps(
        {"site": site, "commit": 3, "behind": 1, "time": "2026-03-01T00:10:05Z"}).encode())


class FakeSite:
    """What one site publishes."""

    def __init__(self, site: str, group: str = "north", *, version: str = "1.0.0",
                 name: str = "", bd_seq: int = 0) -> None:
        made = plant(site)
        made = replace(made, site=replace(made.site, name=name or site.title()))
        self.site = site
        self.node = EdgeNode(fleet=group, plant=made, version=version, bd_seq=bd_seq)
        self.picture = LivePicture()

    def births(self, now: int = NOW, *, silent: Sequence[str] = ()) -> list[Message]:
        self.picture.update([reading("gen1.tank_pressure", now - 1000, 61.5),
                             reading("gen1.mode", now - 1000, 1.0),
                             reading("gen1.compressor_running", now - 1000, 0.0),
                             reading("r1.pressure", now - 1000, 25.0)])
        return self.node.births(self.picture, silent, now)

    def data(self, now: int, value: float, *, historical: bool = False) -> Message:
        return self.node.data("gen1", [reading("gen1.tank_pressure", now, value)], now,
                              historical=historical)


def received(*messages: Message) -> list[Received]:
    return [Received(topic=m.topic, payload=m.payload, qos=m.qos, retain=False, number=n)
            for n, m in enumerate(messages)]


def settings(folder: Path, broker: BrokerSettings | None = None, *,
             groups: Sequence[str] = ("north",), silent_after: int = 45_000,
             customers: Sequence[Customer] = (), staff: Sequence[str] = ()) -> HubSettings:
    return HubSettings(
        name="Marsh Service", data=folder / "hub", host="127.0.0.1", port=0, public_address=None,
        silent_after=silent_after, newest=None, staff=frozenset(map(folded, staff)),
        broker=broker or BrokerSettings(host="127.0.0.1", port=1), host_id="hub",
        groups=tuple(Group(id=g, events_prefix="quietpipe" if len(groups) == 1
                           else f"quietpipe/{g}") for g in groups),
        customers=tuple(customers),
    )


@contextlib.asynccontextmanager
async def running(made: HubSettings, me: str = "hub") -> AsyncIterator[Hub]:
    hub = Hub(made, me=me, clock=SystemClock())
    ready = asyncio.Event()
    task = asyncio.create_task(hub.run(lambda _: ready.set()))
    try:
        await asyncio.wait_for(ready.wait(), 10)
        yield hub
    finally:
        hub.stop()
        await asyncio.wait_for(task, 10)


