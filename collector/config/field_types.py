"""Types of the site file's fields: quantities, dates, names; and the base class of its tables."""

from __future__ import annotations

import contextlib
from datetime import date, datetime
from typing import Annotated, ClassVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from collector.config.units import (
    QuantityError,
    StandardFlow,
    convert,
    parse_flow,
    parse_price,
)

__all__ = [
    "Date", "Duration", "Flow", "Id", "Length", "Percent", "Pressure", "Price", "Size", "Table",
    "Text", "Volume", "mistake", "sized",
]


def mistake(problem: str, expected: str) -> PydanticCustomError:
    """Return a mistake as a pydantic error."""
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


class Table(BaseModel):
    """A table of the site file."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
    needs: ClassVar[tuple[str, ...]] = ()
