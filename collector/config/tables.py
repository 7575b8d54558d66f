"""The tables and keys of the site file, as pydantic models.

Only types and limits are checked here; what depends on other tables is checked later.

Every table forbids unknown keys. A key listed in ``needs`` must be there; the others may be left
out. Text with a unit is converted while it is read.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StrictBool
from pydantic_settings import BaseSettings, SettingsConfigDict

from collector.config.field_types import (
    Date,
    Duration,
    Flow,
    Id,
    Length,
    Percent,
    Pressure,
    Price,
    Size,
    Table,
    Text,
    Volume,
    mistake,
    sized,
)
from collector.domain.units import DAY, MINUTE, SECOND

__all__ = [
    "EnvironmentFile",
    "OverrideTable",
    "PersonTable",
    "RecipientTable",
    "RotaTable",
    "RouteTable",
    "SiteFile",
    "StepTable",
    "Table",
    "sized",
]


def _local(given: object) -> datetime:
    if isinstance(given, str):
        try:
            given = datetime.fromisoformat(given)
        except ValueError:
            given = None
    if isinstance(given, datetime) and given.tzinfo is None:
        return given
    raise mistake("not a time by the wall clock of the rota",
                  "date and time without an offset, such as 2026-12-24T08:00")


Local = Annotated[datetime, BeforeValidator(_local)]


class PersonTable(Table):
    """``[[people]]``."""

    needs = ("id", "to")
    id: Id = ""
    name: Text | None = None
    to: Text = Field(default="", repr=False)
    form: Literal["full", "short"] | None = None


class OverrideTable(Table):
    """``[[rotas.overrides]]``: another person is on duty for a while."""

    needs = ("starts", "ends", "person")
    starts: Local | None = None
    ends: Local | None = None
    person: Text = ""


class RotaTable(Table):
    """``[[rotas]]``."""

    needs = ("id", "people", "begins")
    id: Id = ""
    people: list[Text] = []
    begins: Date | None = None
    hand_over: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = "08:00"
    weeks: Annotated[int, Field(ge=1, le=52, strict=True)] = 1
    timezone: Text | None = None
    holidays: list[Date] = []
    overrides: list[OverrideTable] = []


class StepTable(Table):
    """One step of an escalation."""

    needs = ("after", "call")
    after: Annotated[int, sized("duration", 10 * SECOND, DAY)] = 0
    call: Text = ""
    turn: Annotated[int, Field(ge=1, le=20, strict=True)] = 1


class RouteTable(Table):
    """``[[recipients.routes]]``: which alarms go this way, and when."""

    signals: list[Literal["supervisory", "trouble", "service"]] | None = None
    priorities: list[Literal["high", "medium", "low"]] | None = None
    things: list[Text] | None = None
    conditions: list[Text] | None = None
    hours: Text | list[Text] | None = None
    days: Text | list[Text] | None = None


class RecipientTable(RouteTable):
    """``[[recipients]]``: one route's keys beside the address, or several ``routes``."""

    needs = ("id",)
    id: Id = ""
    name: Text | None = None
    to: Text | None = Field(default=None, repr=False)
    rota: Text | None = None
    routes: list[RouteTable] | None = None
    returned: bool = True
    facts: bool = False
    quiet: Text | list[Text] | None = None
    form: Literal["full", "short"] | None = None
    escalate: list[StepTable] = []
    repeat: Annotated[int, sized("duration", MINUTE, DAY)] = 15 * MINUTE
    repeats: Annotated[int, Field(ge=0, le=20, strict=True)] | None = None


def _written(value: object) -> object:
    # Schedules and sizes are names, though many look like numbers.
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


class SiteTable(Table):
    """``[site]``."""

    needs = ("id", "timezone")
    id: Id = ""
    name: Text | None = None
    timezone: Text = ""
    altitude: Annotated[float, sized("length", -430, 6000)] = 0.0
    units: Literal["us", "metric"] = "us"
    standard_temperature: Annotated[float, sized("temperature", -50, 60)] = 140 / 9
    data: Text | None = None
    profiles: Text | None = None
    evaluate_every: Annotated[int, sized("duration", 100, MINUTE)] = 1000


class GeneratorTable(Table):
    """``[[generators]]``."""

    needs = ("id",)
    id: Id = ""
    name: Text | None = None
    tank_volume: Volume | None = None
    cut_in: Pressure | None = None
    cut_out: Pressure | None = None
    air_fill_below: Pressure | None = None
    product_oxygen_limit: Percent | None = None
    compressor_delivery: Flow | None = None
    nitrogen_delivery: Flow | None = None
    compressor_power: Annotated[float, sized("power", 0, above=True)] | None = None
    energy_price: Price | None = None
    service_every: Annotated[float, sized("hours", 0, above=True)] | None = None
    service_months: Annotated[int, Field(ge=1, le=120, strict=True)] | None = None
    last_service: Date | None = None
    last_service_hours: Annotated[float, sized("hours", 0)] | None = None


class PipeTable(Table):
    """One stretch of a riser's pipe."""

    needs = ("size", "schedule", "length")
    size: Text = ""
    schedule: Annotated[str, BeforeValidator(_written)] = ""
    length: Length = 0.0


class RiserTable(Table):
    """``[[risers]]``."""

    needs = ("id",)
    id: Id = ""
    name: Text | None = None
    fed_by: Text | None = None
    volume: Volume | None = None
    pipes: list[PipeTable] | None = None
    supervisory_pressure: Pressure | None = None
    low_pressure: Pressure | None = None
    high_pressure: Pressure | None = None


class VentTable(Table):
    """``[[vents]]``."""

    needs = ("id", "riser")
    id: Id = ""
    name: Text | None = None
    riser: Text = ""
    target_oxygen: Percent | None = None
    flow: Flow | None = None


class RoomTable(Table):
    """``[[rooms]]``."""

    needs = ("id",)
    id: Id = ""
    name: Text | None = None


class DeviceTable(Table):
    """``[[devices]]``."""

    needs = ("id", "address", "profile", "watches")
    id: Id = ""
    name: Text | None = None
    address: Text = ""
    unit: Annotated[int, Field(ge=0, le=255, strict=True)] = 1
    profile: Text = ""
    every: Annotated[int, sized("duration", 50)] = 5000
    timeout: Annotated[int, sized("duration", 10, MINUTE)] = 1000
    max_gap: Annotated[int, Field(ge=0, le=124, strict=True)] = 8
    max_registers: Annotated[int, Field(ge=1, le=125, strict=True)] = 125
    max_bits: Annotated[int, Field(ge=1, le=2000, strict=True)] = 2000
    pause: Annotated[int, sized("duration", 0, 10_000)] = 0
    retries: Annotated[int, Field(ge=0, le=3, strict=True)] = 0
    watches: Text | list[Text] = ""
    trusted: StrictBool | list[Text] = False

    @property
    def assets(self) -> list[str]:
        """The ids in ``watches`` as a list."""
        return [self.watches] if isinstance(self.watches, str) else self.watches


class BoardTable(Table):
    """``[board]``."""

    listen: Text = "127.0.0.1:8600"
    token: Text | None = Field(default=None, repr=False)
    public_address: Annotated[str, Field(pattern=r"^https?://\S+$")] | None = None
    proxies: list[Text] = []
    link_key: Text | None = Field(default=None, repr=False)
    link_lasts: Annotated[int, sized("duration", MINUTE, 30 * DAY)] = DAY
    reading: Literal["open", "signed-in"] | None = None


class InfluxTable(Table):
    """``[influx]``."""

    needs = ("api", "url")
    api: Literal["v1", "v2", "v3"] | None = None
    url: Annotated[str, Field(pattern=r"^https?://\S+$")] = ""
    org: Text | None = None
    bucket: Text | None = None
    database: Text | None = None
    token: Text | None = Field(default=None, repr=False)
    username: Text | None = None
    password: Text | None = Field(default=None, repr=False)
    ca: Text | None = None
    backfill: Annotated[int, Field(ge=10, le=1_000_000, strict=True)] = 2000


class MqttTable(Table):
    """``[mqtt]``."""

    needs = ("broker",)
    broker: Annotated[str, Field(pattern=r"^mqtts?://[^\s/:]+(:\d{1,5})?/?$")] = ""
    # Sparkplug 3.0.0 forbids these in group, edge and device ids.
    fleet: Annotated[str, Field(pattern=r"^[^+/#\s]+$")] = "quietpipe"
    events_prefix: Annotated[str, Field(pattern=r"^[^+#\s]+$")] = "quietpipe"
    username: Text | None = None
    password: Text | None = Field(default=None, repr=False)
    ca: Text | None = None
    certificate: Text | None = None
    key: Text | None = None
    primary_host: Annotated[str, Field(pattern=r"^[^+/#\s]+$")] | None = None
    backfill: Annotated[int, Field(ge=1, le=1_000_000, strict=True)] = 1000


class HeartbeatTable(Table):
    """``[heartbeat]``."""

    needs = ("url",)
    url: Text = Field(default="", repr=False)
    every: Annotated[int, sized("duration", 10 * SECOND, DAY)] = 5 * MINUTE
    method: Literal["GET", "POST"] = "GET"


class ReportTable(Table):
    """``[[reports]]``."""

    needs = ("id", "every", "to")
    id: Id = ""
    every: Literal["week", "month", "quarter"] | None = None
    to: list[Text] = []
    at: Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")] = "07:00"


class JournalTable(Table):
    """``[journal]``."""

    keep: Duration = 63_115_200_000
    max_size: Size = 4_000_000_000


class CodeTable(Table):
    """``[code]``: the codes adopted on site, as customers' papers name them."""

    installation: Text | None = None
    inspection: Text | None = None
    fire: Text | None = None
    authority: Text | None = None


class SiteFile(Table):
    """The whole site file."""

    needs = ("site",)
    site: SiteTable = SiteTable()
    code: CodeTable = CodeTable()
    generators: list[GeneratorTable] = []
    risers: list[RiserTable] = []
    vents: list[VentTable] = []
    rooms: list[RoomTable] = []
    devices: list[DeviceTable] = []
    conditions: dict[str, dict[str, Any]] = {}
    board: BoardTable = BoardTable()
    recipients: list[RecipientTable] = []
    people: list[PersonTable] = []
    rotas: list[RotaTable] = []
    reports: list[ReportTable] = []
    heartbeat: HeartbeatTable | None = None
    influx: InfluxTable | None = None
    mqtt: MqttTable | None = None
    journal: JournalTable = JournalTable()


class EnvironmentFile(SiteFile, BaseSettings):
    """The same tables as environment variables: ``QUIETPIPE_SITE__DATA``."""

    model_config = SettingsConfigDict(
        env_prefix="QUIETPIPE_", env_nested_delimiter="__", extra="forbid", frozen=True,
    )
