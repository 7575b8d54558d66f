"""Settings of board, InfluxDB, MQTT, heartbeat, journal and scheduled reports.

Secrets are resolved here, and never shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from ipaddress import ip_network
from pathlib import Path

from collector.config.diagnostics import Diagnostics, Key, Source, nearest
from collector.config.field_types import holds_password, host_and_port, is_reference, read_secret
from collector.config.tables import BoardTable, HeartbeatTable, InfluxTable, MqttTable, SiteFile
from collector.config.units import QuantityError
from collector.domain.units import DAY
from collector.forward import BrokerSettings, InfluxSettings, MqttSettings

__all__ = [
    "BoardSettings",
    "HeartbeatSettings",
    "InfluxSettings",
    "Integrations",
    "JournalSettings",
    "MqttSettings",
    "ReportSettings",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSettings:
    """The board's address and access."""

    host: str = "127.0.0.1"
    port: int = 8600
    token: str | None = field(default=None, repr=False)
    public_address: str | None = None
    """The address that people use; it goes into messages."""
    proxies: tuple[str, ...] = ()
    """Addresses and networks of web servers before the board, whose word on clients is taken."""
    link_key: str | None = field(default=None, repr=False)
    """Key that signs the links in messages; ``None`` for one in the data folder."""
    link_lasts: int = DAY
    """ms after which a link in a message expires."""
    reading: str | None = None
    """``open`` or ``signed-in``; ``None``: open from this machine alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeartbeatSettings:
    """Address, interval (ms) and HTTP method of the heartbeat."""

    url: str = field(repr=False)
    every: int = 300_000
    method: str = "GET"


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalSettings:
    """Limits of the journal in ms and bytes; ``None`` is without limit."""

    keep: int | None
    max_bytes: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportSettings:
    """A report sent on a schedule: each ``every``, ``at`` minutes after midnight."""

    id: str
    every: str
    to: tuple[str, ...]
    at: int


def read_proxies(
    given: Sequence[str], key: Key, source: Source, mistakes: Diagnostics,
) -> tuple[str, ...]:
    """Return the addresses and networks of proxies; collect what is neither."""
    for number, text in enumerate(given):
        try:
            if ip_network(text).prefixlen == 0:
                raise ValueError("that is every address")
        except ValueError as error:
            mistakes.add(source, (*key, number), f"not an address or a network: {error}",
                         '"192.0.2.1" or "10.1.0.0/24"')
    return tuple(given)


@dataclass(frozen=True, slots=True, kw_only=True)
class Integrations:
    """Reads the settings of this module and collects their mistakes.

    Without ``secrets`` none is resolved.
    """

    file: SiteFile
    source: Source
    mistakes: Diagnostics
    folder: Path
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
        table: BoardTable = self.file.board
        host, port = "127.0.0.1", 8600
        try:
            host, port = host_and_port(table.listen)
        except QuantityError as exc:
            self.mistakes.add(self.source, ("board", "listen"), exc.problem, exc.expected)
        link_key = self._secret(table.link_key, ("board", "link_key"))
        if link_key is not None and len(link_key) < 16:
            self.mistakes.add(self.source, ("board", "link_key"), "too short to keep links safe",
                              "16 characters at least, chosen by chance")
        return BoardSettings(
            host=host, port=port, public_address=table.public_address, link_key=link_key,
            link_lasts=table.link_lasts, reading=table.reading,
            token=self._secret(table.token, ("board", "token")),
            proxies=read_proxies(table.proxies, ("board", "proxies"), self.source, self.mistakes),
        )

    def influx(self) -> InfluxSettings | None:
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
            ca=self._file(("influx", "ca"), table.ca), backfill=table.backfill,
        )

    def mqtt(self) -> MqttSettings | None:
        table: MqttTable | None = self.file.mqtt
        if table is None:
            return None
        tls = table.broker.startswith("mqtts:")
        host, port = self._broker(table.broker, 8883 if tls else 1883)
        if (table.certificate is None) != (table.key is None):
            self.mistakes.add(self.source, ("mqtt",), "a certificate needs its key, a key its "
                              "certificate", "certificate = … and key = …")
        if not tls and (table.ca or table.certificate):
            self.mistakes.add(self.source, ("mqtt", "broker"), "certificates, but no TLS",
                              "mqtts://…")
        return MqttSettings(
            broker=BrokerSettings(
                host=host, port=port, tls=tls,
                username=table.username, ca=self._file(("mqtt", "ca"), table.ca),
                certificate=self._file(("mqtt", "certificate"), table.certificate),
                key=self._file(("mqtt", "key"), table.key),
                password=self._secret(table.password, ("mqtt", "password")),
            ),
            fleet=table.fleet, events_prefix=table.events_prefix,
            primary_host=table.primary_host, backfill=table.backfill,
        )

    def _broker(self, address: str, usual: int) -> tuple[str, int]:
        bare = address.partition("://")[2].rstrip("/")
        if bare:  # what has not even the form of an address is said already
            try:
                return host_and_port(bare if ":" in bare else f"{bare}:{usual}")
            except QuantityError as exc:
                self.mistakes.add(self.source, ("mqtt", "broker"), exc.problem, exc.expected)
        return "", usual

    def _file(self, key: Key, name: str | None) -> Path | None:
        path = self.folder / name if name else None
        if path is not None and self.secrets and not path.is_file():
            self.mistakes.add(self.source, key, f'there is no file "{name}"',
                              "a file in PEM")
        return path

    def journal(self) -> JournalSettings:
        return JournalSettings(keep=self.file.journal.keep,
                               max_bytes=self.file.journal.max_size)

    def reports(self) -> tuple[ReportSettings, ...]:
        known = [r.id for r in self.file.recipients] + [p.id for p in self.file.people]
        seen: set[str] = set()
        for n, table in enumerate(self.file.reports):
            for who in table.to:
                if who not in known:
                    self.mistakes.add(self.source, ("reports", n, "to"),
                                      f'there is no recipient "{who}"{nearest(who, known)}',
                                      "ids of recipients or people")
            if table.id in seen:
                self.mistakes.add(self.source, ("reports", n, "id"),
                                  f'"{table.id}" is there twice', "an id of its own")
            seen.add(table.id)
        return tuple(
            ReportSettings(id=t.id, every=t.every or "", to=tuple(t.to),
                           at=int(t.at[:2]) * 60 + int(t.at[3:]))
            for t in self.file.reports)

    def heartbeat(self) -> HeartbeatSettings | None:
        table: HeartbeatTable | None = self.file.heartbeat
        if table is None:
            return None
        url = table.url
        if is_reference(url):
            url = self._secret(url, ("heartbeat", "url")) or ""
        elif holds_password(url):
            self.mistakes.add(self.source, ("heartbeat", "url"), "the address holds a password",
                              "env:NAME or file:PATH in its place")
        if url and not url.startswith(("http://", "https://")):
            self.mistakes.add(self.source, ("heartbeat", "url"), "not a web address",
                              "http:// or https://")
        return HeartbeatSettings(url=url, every=table.every, method=table.method)
