"""The tables and keys of the site file, as pydantic reads them: shape first, sense later.

Every table forbids unknown keys. A key listed in ``needs`` must be there; the others may be left
out. Text with a unit is converted while it is read.
"""

from __future__ import annotations

import contextlib
from datetime import date, datetime
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError
from pydantic_settings import BaseSettings, SettingsConfigDict

from collector.config.units import (
    QuantityError,
    StandardFlow,
    convert,
    parse_flow,
    parse_price,
)

__all__ = ["EnvironmentFile", "SiteFile", "Table", "sized"]


def mistake(problem: str, expected: str) -> PydanticCustomError:
    """Return an error of ours in pydantic's clothes."""
    # Text goes in as context, since pydantic reads braces in the template itself.
    return PydanticCustomError("ours", "{problem}", {"problem": problem, "expected": expected})


def sized(kind: str, low: float | None = None, high: float | None = None, *,
          above: bool = False) -> BeforeValidator:
    """Return the validator that reads a quantity of ``kind`` between ``low`` and ``high``.

    With ``above``, ``low`` itself is too low. Limits are in the unit of record.
    """
    def read(text: object) -> float:
        try:
            value = convert(text, kind)
        except QuantityError as exc:
            raise mistake(exc.problem, exc.expected) from exc
        if low is not None and (value <= low if above else value < low):
            raise mistake(f'"{text}" is too low', f"{'more than' if above else 'at least'} {low:g}"
                          f"{_unit_word(kind)}")
        if high is not None and value > high:
            raise mistake(f'"{text}" is too high', f"at most {high:g}{_unit_word(kind)}")
        return value
    return BeforeValidator(read)


def _unit_word(kind: str) -> str:
    words = {"pressure": " psi", "volume": " m3", "length": " m", "temperature": " degC",
             "duration": " ms", "percent": " %", "power": " W", "hours": " h"}
    return words.get(kind, "")


def _flow(text: object) -> StandardFlow:
    try:
        flow = parse_flow(text)
    except QuantityError as exc:
        raise mistake(exc.problem, exc.expected) from exc
    if flow.mol <= 0 and flow.volume <= 0:
        raise mistake(f'"{text}" is no flow', "more than 0")
    return flow


def _price(text: object) -> tuple[float, str]:
    try:
        return parse_price(text)
    except QuantityError as exc:
        raise mistake(exc.problem, exc.expected) from exc


def _date(given: object) -> date:
    if isinstance(given, str):
        # What is no date is said below, with everything else that is none.
        with contextlib.suppress(ValueError):
            given = date.fromisoformat(given)
    if isinstance(given, date) and not isinstance(given, datetime):
        return given
    raise mistake(f"not a date: {given!r}", "a date such as 2026-03-01")


Pressure = Annotated[float, sized("pressure", 0, 400, above=True)]
Volume = Annotated[float, sized("volume", 0, above=True)]
Length = Annotated[float, sized("length", 0, above=True)]
Percent = Annotated[float, sized("percent", 0, 100)]
Duration = Annotated[int, sized("duration", 0, above=True)]
Size = Annotated[int, sized("size", 0, above=True)]
Flow = Annotated[StandardFlow, BeforeValidator(_flow)]
Price = Annotated[tuple[float, str], BeforeValidator(_price)]
Date = Annotated[date, BeforeValidator(_date)]
Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=64)]
Text = Annotated[str, Field(min_length=1)]


def _written(value: object) -> object:
    # Schedules and sizes are names, though many look like numbers.
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


class Table(BaseModel):
    """A table of the site file."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
    needs: ClassVar[tuple[str, ...]] = ()


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
    evaluate_every: Annotated[int, sized("duration", 100, 60_000)] = 1000


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
    timeout: Annotated[int, sized("duration", 10, 60_000)] = 1000
    max_gap: Annotated[int, Field(ge=0, le=124, strict=True)] = 8
    max_registers: Annotated[int, Field(ge=1, le=125, strict=True)] = 125
    max_bits: Annotated[int, Field(ge=1, le=2000, strict=True)] = 2000
    watches: Text | list[Text] = ""

    @property
    def watched(self) -> list[str]:
        """The watched ids as a list."""
        return [self.watches] if isinstance(self.watches, str) else self.watches


class BoardTable(Table):
    """``[board]``."""

    listen: Text = "127.0.0.1:8600"
    token: Text | None = Field(default=None, repr=False)
    public_address: Annotated[str, Field(pattern=r"^https?://\S+$")] | None = None


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

    needs = ("id", "to")
    id: Id = ""
    to: Text = Field(default="", repr=False)
    routes: list[RouteTable] | None = None
    returned: bool = True
    facts: bool = False


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


class MqttTable(Table):
    """``[mqtt]``."""

    needs = ("broker",)
    broker: Annotated[str, Field(pattern=r"^mqtts?://[^\s/:]+(:\d+)?/?$")] = ""
    # Sparkplug 3.0.0 forbids these in group, edge and device ids.
    fleet: Annotated[str, Field(pattern=r"^[^+/#\s]+$")] | None = None
    events_prefix: Annotated[str, Field(pattern=r"^[^+#\s]+$")] = "quietpipe"
    username: Text | None = None
    password: Text | None = Field(default=None, repr=False)
    ca: Text | None = None


class JournalTable(Table):
    """``[journal]``."""

    keep: Duration = 63_115_200_000
    max_size: Size = 4_000_000_000


class SiteFile(Table):
    """The whole file."""

    needs = ("site",)
    site: SiteTable = SiteTable()
    generators: list[GeneratorTable] = []
    risers: list[RiserTable] = []
    vents: list[VentTable] = []
    rooms: list[RoomTable] = []
    devices: list[DeviceTable] = []
    conditions: dict[str, dict[str, Any]] = {}
    board: BoardTable = BoardTable()
    recipients: list[RecipientTable] = []
    influx: InfluxTable | None = None
    mqtt: MqttTable | None = None
    journal: JournalTable = JournalTable()


class EnvironmentFile(SiteFile, BaseSettings):
    """The same tables as environment variables: ``QUIETPIPE_SITE__DATA``."""

    model_config = SettingsConfigDict(
        env_prefix="QUIETPIPE_", env_nested_delimiter="__", extra="forbid", frozen=True,
    )
