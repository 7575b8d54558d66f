"""What the site file says of the ways out of the house, resolved."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["BrokerSettings", "InfluxSettings", "MqttSettings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Where the broker is, and how it knows us. Without ``tls`` everything travels in the open.

    ``ca`` is who must have signed the broker's certificate (the machine's own list without it);
    ``certificate`` and ``key`` are ours.
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
    """The broker, and under which names to publish.

    ``primary_host`` names the host application without which nothing is published; ``backfill`` is
    how many readings of the past go out per second at most.
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
    """Where readings are forwarded to; ``database`` for v1, ``org`` and ``bucket`` for v2.

    ``ca`` is who must have signed the server's certificate (the machine's own list without it);
    ``backfill`` is how many lines of the past go out per second at most.
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
