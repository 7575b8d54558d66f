"""What leads out of the house: board, recipients, InfluxDB, MQTT, and how long the journal keeps.

The settings of the last two are read and checked here; secrets are resolved, and never shown.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from collector.config.addresses import host_and_port
from collector.config.mistakes import Key, Mistakes, Source, nearest
from collector.config.secrets import holds_password, is_reference, read_secret
from collector.config.tables import (
    BoardTable,
    InfluxTable,
    MqttTable,
    RecipientTable,
    RouteTable,
    SiteFile,
)
from collector.config.units import QuantityError
from collector.domain.conditions import CATALOGUE
from collector.domain.events import Priority, Signal
from collector.notify.recipients import (
    DEFAULT_SIGNALS,
    Hours,
    Recipient,
    Route,
    parse_days,
    parse_hours,
)

__all__ = ["BoardSettings", "InfluxSettings", "JournalSettings", "MqttSettings", "Outward"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSettings:
    """Where the board listens, and what lets a person change something on it."""

    host: str = "127.0.0.1"
    port: int = 8600
    token: str | None = field(default=None, repr=False)
    public_address: str | None = None
    """How people reach it from elsewhere; goes into messages."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """Where readings are forwarded to; ``database`` for v1, ``org`` and ``bucket`` for v2."""

    api: str
    url: str
    org: str | None = None
    bucket: str | None = None
    database: str | None = None
    username: str | None = None
    token: str | None = field(default=None, repr=False)
    password: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """The broker, and under which names to publish."""

    broker: str
    fleet: str | None = None
    events_prefix: str = "quietpipe"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalSettings:
    """How long (ms) and how much (bytes) the journal keeps; ``None`` is without limit."""

    keep: int | None
    max_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Outward:
    """Reads these tables; every mistake is noted. Without ``secrets`` none is looked up."""

    file: SiteFile
    source: Source
    mistakes: Mistakes
    folder: Path
    assets: Iterable[str]
    """Ids of things and devices that a route may name."""
    secrets: bool = True

    def _secret(self, text: str | None, key: Key) -> str | None:
        if text is None:
            return None
        if not self.secrets and is_reference(text):
            return None
        try:
            return read_secret(text, self.folder)
        except QuantityError as exc:
            self.mistakes.add(self.source, key, exc.problem, exc.expected)
            return None

    def board(self) -> BoardSettings:
        """Return the board's settings."""
        table: BoardTable = self.file.board
        host, port = "127.0.0.1", 8600
        try:
            host, port = host_and_port(table.listen)
        except QuantityError as exc:
            self.mistakes.add(self.source, ("board", "listen"), exc.problem, exc.expected)
        return BoardSettings(host=host, port=port, public_address=table.public_address,
                             token=self._secret(table.token, ("board", "token")))

    def influx(self) -> InfluxSettings | None:
        """Return where to forward readings, or ``None``."""
        table: InfluxTable | None = self.file.influx
        if table is None:
            return None
        needs = {"v1": ("database",), "v2": ("org", "bucket", "token"),
                 "v3": ("database", "token")}.get(table.api or "", ())
        for name in needs:
            # v3 calls it a database, its v2-compatible writers a bucket: either will do.
            if name not in table.model_fields_set and \
                    not (name == "database" and table.bucket is not None):
                self.mistakes.add(self.source, ("influx",), f'api {table.api} needs "{name}"',
                                  f"{name} = …")
        return InfluxSettings(
            api=table.api or "", url=table.url, org=table.org, bucket=table.bucket,
            database=table.database or table.bucket, username=table.username,
            token=self._secret(table.token, ("influx", "token")),
            password=self._secret(table.password, ("influx", "password")),
        )

    def mqtt(self) -> MqttSettings | None:
        """Return where to publish, or ``None``."""
        table: MqttTable | None = self.file.mqtt
        if table is None:
            return None
        ca = self.folder / table.ca if table.ca else None
        if ca is not None and self.secrets and not ca.is_file():
            self.mistakes.add(self.source, ("mqtt", "ca"), f'there is no file "{table.ca}"',
                              "a file of certificates in PEM")
        return MqttSettings(
            broker=table.broker, fleet=table.fleet, events_prefix=table.events_prefix,
            username=table.username, ca=ca,
            password=self._secret(table.password, ("mqtt", "password")),
        )

    def journal(self) -> JournalSettings:
        """Return what the journal keeps."""
        return JournalSettings(keep=self.file.journal.keep,
                               max_bytes=self.file.journal.max_size)

    # -- people ----------------------------------------------------------------------------------

    def recipients(self) -> tuple[Recipient, ...]:
        """Return who is told."""
        return tuple(self._recipient(table, ("recipients", index))
                     for index, table in enumerate(self.file.recipients))

    def _recipient(self, table: RecipientTable, key: Key) -> Recipient:
        to = table.to
        if is_reference(to):
            to = self._secret(to, (*key, "to")) or ""
        elif holds_password(to):
            self.mistakes.add(self.source, (*key, "to"), "the address holds a password",
                              "env:NAME or file:PATH in its place")
        if to and "://" not in to and "to" in table.model_fields_set:
            self.mistakes.add(self.source, (*key, "to"), "not an address that can be delivered to",
                              "SCHEME://…, such as mailto://mail.example?to=on-call@works.example")
        return Recipient(id=table.id, to=to, routes=self._routes(table, key),
                         returned=table.returned, facts=table.facts)

    def _routes(self, table: RecipientTable, key: Key) -> tuple[Route, ...]:
        if table.routes is None:
            return (self._route(table, key),)
        own = [n for n in RouteTable.model_fields if n in table.model_fields_set]
        if own:
            self.mistakes.add(self.source, (*key, own[0]),
                              f'"{own[0]}" stands beside routes', "one or the other")
        return tuple(self._route(r, (*key, "routes", n)) for n, r in enumerate(table.routes))

    def _route(self, table: RouteTable, key: Key) -> Route:
        self._known((*key, "things"), table.things, list(self.assets), "thing or device")
        self._known((*key, "conditions"), table.conditions, list(CATALOGUE), "condition")
        signals = DEFAULT_SIGNALS if table.signals is None \
            else frozenset(Signal(s) for s in table.signals)
        route = Route(
            signals=signals, priorities=frozenset(Priority(p) for p in table.priorities or ()),
            things=frozenset(table.things or ()), conditions=frozenset(table.conditions or ()),
            days=self._days(table, key),
        )
        hours = self._hours(table, key)
        return route if not hours else Route(
            signals=route.signals, priorities=route.priorities, things=route.things,
            conditions=route.conditions, days=route.days, hours=hours,
        )

    def _known(self, key: Key, names: Iterable[str] | None, known: list[str], what: str) -> None:
        for name in names or ():
            if name not in known:
                self.mistakes.add(self.source, key,
                                  f'there is no {what} "{name}"{nearest(name, known)}',
                                  f"ids of a {what}")

    def _hours(self, table: RouteTable, key: Key) -> tuple[Hours, ...]:
        found = []
        for text in [table.hours] if isinstance(table.hours, str) else table.hours or ():
            try:
                found.append(parse_hours(text))
            except ValueError as exc:
                self._said((*key, "hours"), exc)
        return tuple(found)

    def _days(self, table: RouteTable, key: Key) -> frozenset[int]:
        words = table.days.replace(",", " ").split() if isinstance(table.days, str) \
            else table.days or ()
        try:
            return parse_days(words)
        except ValueError as exc:
            self._said((*key, "days"), exc)
            return frozenset()

    def _said(self, key: Key, error: ValueError) -> None:
        problem, _, expected = str(error).partition("; expected ")
        self.mistakes.add(self.source, key, problem, expected)
