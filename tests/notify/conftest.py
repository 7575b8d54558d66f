"""Parts the tests of this folder share: a small plant, a store in memory, servers that are real."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from collector.domain.errors import JournalError
from collector.domain.events import AlarmTransition, Event, Priority, Signal, Transition
from collector.domain.messages import Delivery, DeliveryOutcome, DeliveryState, NewDelivery
from collector.domain.plant import Generator, Plant, Riser, Room, Site, Vent
from collector.notify.policy import Together
from tests.servers import served

T0 = 1_772_323_800_000
"""2026-03-01T00:10:00Z, a Sunday."""


AT_ONCE = Together(urgent=0, other=0, following=0)
"""No waiting for the rest of a burst."""


@pytest.fixture
def plant() -> Plant:
    return Plant(
        site=Site(id="fenmoor", name="Fenmoor Cold Store", timezone="Europe/London"),
        generators={"gen1": Generator(id="gen1", name="Nitrogen generator")},
        risers={
            "r1": Riser(id="r1", name="Dock riser", fed_by="gen1"),
            "r2": Riser(id="r2", name="Freezer riser", fed_by="gen1"),
        },
        vents={"r1-vent": Vent(id="r1-vent", name="Dock vent", riser="r1")},
        rooms={"plant-room": Room(id="plant-room", name="Plant room")},
    )


def alarm(
    condition: str = "pressure-low", asset: str = "r1", *, time: int = T0,
    transition: Transition = Transition.RAISED, signal: Signal = Signal.SUPERVISORY,
    priority: Priority = Priority.HIGH, raised: int | None = None, text: str = "Pressure is low.",
) -> AlarmTransition:
    born = time if raised is None else raised
    return AlarmTransition(
        time=time, site="fenmoor", condition=condition, asset=asset, transition=transition,
        priority=priority, signal=signal, since=born - 15_000, text=text,
        id=f"{condition}.{asset}.{born // 1000}", values={"pressure_psi": 16.2},
    )


@dataclass(frozen=True, kw_only=True)
class Numbered:
    seq: int
    event: Event


@dataclass(frozen=True, kw_only=True)
class Lost:
    events: int


@dataclass(frozen=True, kw_only=True)
class Commit:
    number: int
    events: tuple[Numbered, ...]
    gap: Lost | None = None


@dataclass
class MemoryStore:
    """The journal's promises, kept in a list. It outlives an outbox that is killed."""

    commits: list[Commit] = field(default_factory=list)
    cursors: dict[str, int] = field(default_factory=dict)
    deliveries: dict[int, Delivery] = field(default_factory=dict)
    outcomes: list[tuple[int, DeliveryOutcome]] = field(default_factory=list)
    kept: dict[str, str] = field(default_factory=dict)
    now: int = 0

    def meta(self, key: str) -> str | None:
        return self.kept.get(key)

    def commit(self, *events: Event) -> None:
        number = len(self.commits) + 1
        first = sum(len(c.events) for c in self.commits) + 1
        self.commits.append(Commit(number=number, events=tuple(
            Numbered(seq=first + n, event=e) for n, e in enumerate(events)
        )))

    def position(self, consumer: str) -> int:
        return self.cursors.get(consumer, 0)

    def after(self, position: int, limit: int) -> Sequence[Commit]:
        return [c for c in self.commits if c.number > position][:limit]

    def settle(
        self, consumer: str, position: int, *, deliveries: Sequence[NewDelivery] = (),
        meta: Mapping[str, str] | None = None,
    ) -> None:
        self.cursors[consumer] = position
        self.kept.update(meta or {})
        for new in deliveries:
            number = len(self.deliveries) + 1
            self.deliveries[number] = Delivery(
                id=number, recipient=new.recipient, subject=new.subject, body=new.body,
                event_seq=new.event_seq, created=new.due, due=new.due, kind=new.kind,
            )

    def due_deliveries(self, now: int, limit: int) -> Sequence[Delivery]:
        return self._due(now)[:limit]

    def _due(self, now: int) -> list[Delivery]:
        return [d for d in self.deliveries.values()
                if d.state is DeliveryState.WAITING and d.due <= now]

    def crowded(self, now: int, most: int) -> list[str]:
        due = Counter(d.recipient for d in self._due(now))
        return [who for who, count in due.items() if count > most]

    def fold(
        self, recipient: str, keep: int, now: int,
        summary: Callable[[Sequence[Delivery], int], NewDelivery],
    ) -> int:
        due = [d for d in self._due(now) if d.recipient == recipient]
        old = due[:-keep]
        for d in old:
            self._set(d.id, state=DeliveryState.FOLDED)
        self.settle("fold", 0, deliveries=[summary(old[::-1], len(old))])
        return len(old)

    def begin(self, delivery_id: int, now: int) -> None:
        if self.deliveries[delivery_id].state is not DeliveryState.WAITING:
            raise JournalError(f"delivery {delivery_id} is not waiting")
        self._set(delivery_id, state=DeliveryState.BEGUN)

    def finish(
        self, delivery_id: int, outcome: DeliveryOutcome, now: int, *,
        retry_at: int | None = None, detail: str = "",
    ) -> None:
        if self.deliveries[delivery_id].state is not DeliveryState.BEGUN:
            raise JournalError(f"delivery {delivery_id} is not begun")
        self.outcomes.append((delivery_id, outcome))
        if outcome in (DeliveryOutcome.RETRY, DeliveryOutcome.REPEAT):
            assert retry_at is not None
            tries = self.deliveries[delivery_id].attempts + 1
            self._set(delivery_id, state=DeliveryState.WAITING, due=retry_at, detail=detail,
                      attempts=tries, uncertain=self.deliveries[delivery_id].uncertain
                      or outcome is DeliveryOutcome.REPEAT)
        else:
            self._set(delivery_id, state=DeliveryState(outcome.value), detail=detail)

    def recover(self, now: int) -> Sequence[Delivery]:
        closed = []
        for d in list(self.deliveries.values()):
            if d.state is not DeliveryState.BEGUN:
                continue
            if d.uncertain:
                self._set(d.id, state=DeliveryState.UNCERTAIN)
                closed.append(d)
            else:
                self._set(d.id, state=DeliveryState.WAITING, uncertain=True, due=now)
        return closed

    def _set(self, delivery_id: int, **changes: object) -> None:
        self.deliveries[delivery_id] = replace(
            self.deliveries[delivery_id], **changes  # type: ignore[arg-type]
        )


@dataclass
class Hook:
    """A real HTTP server: answers with the next of ``answers``, the last of them for ever."""

    port: int = 0
    answers: list[int] = field(default_factory=lambda: [204])
    got: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    hold: threading.Event | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook/s3cretpath?key=topsecret"


@pytest.fixture
def hook() -> Iterator[Hook]:
    state = Hook()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            state.got.append((self.path, dict(self.headers), body))
            if state.hold is not None:
                state.hold.wait(10)
            status = state.answers.pop(0) if len(state.answers) > 1 else state.answers[0]
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    state.port = server.server_port
    with served(server):
        yield state
        if state.hold is not None:
            state.hold.set()
