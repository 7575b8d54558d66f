"""The tables of the site file about people: who they are, whose turn it is, who hears of what."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from collector.config.kinds import Date, Id, Table, Text, mistake, sized

__all__ = ["OverrideTable", "PersonTable", "RecipientTable", "RotaTable", "RouteTable", "StepTable"]


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


class OverrideTable(Table):
    """``[[rotas.overrides]]``: somebody takes over for a while."""

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
    after: Annotated[int, sized("duration", 10_000, 86_400_000)] = 0
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
    escalate: list[StepTable] = []
    repeat: Annotated[int, sized("duration", 60_000, 86_400_000)] = 900_000
    repeats: Annotated[int, Field(ge=0, le=20, strict=True)] | None = None
