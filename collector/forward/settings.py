"""Settings of InfluxDB, of the broker and of publishing, with their secrets resolved."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["BrokerSettings", "InfluxSettings", "MqttSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Address of the broker and our credentials. Without ``tls`` nothing is encrypted.

    ``ca`` is the authority that must have signed the broker's certificate (default: the machine's
    own list); ``certificate`` and ``key`` are ours.
    """

    host: str
    port: int
    tls: bool = False
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    def __str__(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """The broker and the names to publish under.

    ``primary_host`` names the host application without which nothing is published; ``backfill`` is
    the most readings of the past published per second.
    """

    broker: BrokerSettings
    fleet: str = "quietpipe"
    """The Sparkplug group."""
    events_prefix: str = "quietpipe"
    primary_host: str | None = None
    backfill: int = 1000

    @property
    def password(self) -> str | None:
        """The secret among them."""
        return self.broker.password


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """The InfluxDB to forward to; ``database`` for v1, ``org`` and ``bucket`` for v2.

    ``ca`` is the authority that must have signed the server's certificate (default: the machine's
    own list); ``backfill`` is the most lines of the past sent per second.
    """

    api: str
    url: str
    org: str | None = None
    bucket: str | None = None
    database: str | None = None
    username: str | None = None
    token: str | None = field(default=None, repr=False)
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    backfill: int = 2000
