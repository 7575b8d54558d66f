"""InfluxQL that runs on 1.x, 2.x and 3.x, made of names that are checked when it is made.

``${site:regex}`` and the like are the dashboard's variables, ``$timeFilter`` and ``$__interval``
Grafana's own. Conversions of units are variables too: what people choose is put behind the field.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.forward.influx.points import FIELDS, TAGS

__all__ = [
    "DATASOURCE",
    "INTERVAL",
    "LONG",
    "PLAIN",
    "PRESSURE",
    "TEMPERATURE",
    "In",
    "Query",
    "active_alarms",
    "estimate",
    "field",
    "select",
    "tag",
]

DATASOURCE: Mapping[str, str] = {"type": "influxdb", "uid": "quietpipe"}

LONG = "time > now() - 400d"
"""How far back an active alarm may have begun: one of low priority may last a year."""

_SITE = '"site" =~ /^${site:regex}$/'


@dataclass(frozen=True, slots=True)
class In:
    """The unit a quantity is shown in: what is put behind the field, and the unit's name."""

    convert: str
    name: str


INTERVAL = {"value": "estimate", "low": "at least", "high": "at most"}
"""An estimate and its interval, and how the series are called."""

PLAIN = In("", "")
PRESSURE = In(" ${pressure:raw}", "${pressure:text}")
TEMPERATURE = In(" ${temperature:raw}", "${temperature:text}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Query:
    """One query of a panel; ``alias`` names its series, ``table`` asks for rows in their place."""

    text: str
    alias: str = ""
    table: bool = False

    def target(self, ref: str) -> dict[str, Any]:
        """Return it as a panel holds it."""
        return {
            "refId": ref, "datasource": dict(DATASOURCE), "rawQuery": True, "query": self.text,
            "resultFormat": "table" if self.table else "time_series", "alias": self.alias,
        }


def field(measurement: str, name: str) -> str:
    """Return a field as a query writes it; ``KeyError`` when nothing writes such a field."""
    if name not in FIELDS[measurement]:
        raise KeyError(f"{measurement} has no field {name}")
    return f'"{name}"'


def tag(measurement: str, name: str) -> str:
    """Return a tag as a query writes it; ``KeyError`` when nothing writes such a tag."""
    if name not in TAGS[measurement]:
        raise KeyError(f"{measurement} has no tag {name}")
    return f'"{name}"'


def select(
    measurement: str, columns: Mapping[str, str], *, by: Sequence[str] = ("asset",),
    every: str | None = "$__interval", having: Mapping[str, str] | None = None,
    like: Mapping[str, str] | None = None, when: str = "$timeFilter",
) -> str:
    """Return a query. ``columns`` are expressions by the name they get.

    ``every`` groups by time; ``having`` asks for values of tags, ``like`` for patterns of them.
    """
    wanted = ", ".join(f'{what} AS "{name}"' for name, what in columns.items())
    asked = [
        _SITE, *(f"{tag(measurement, k)} = '{v}'" for k, v in (having or {}).items()),
        *(f"{tag(measurement, k)} =~ /{v}/" for k, v in (like or {}).items()), when,
    ]
    groups = [*([f"time({every})"] if every else []), *(tag(measurement, b) for b in by)]
    text = f'SELECT {wanted} FROM "{measurement}" WHERE {" AND ".join(asked)}'
    if groups:
        text += f" GROUP BY {', '.join(groups)}"
    return text + (" fill(none)" if every else "")


def estimate(quantity: str) -> Query:
    """Return every estimate of a quantity with its interval, a series each."""
    return Query(
        text=select("estimate", {text: field("estimate", c) for c, text in INTERVAL.items()},
                    by=("asset", "unit"), every=None, having={"quantity": quantity}),
        alias="$tag_asset $col, $tag_unit",
    )


def active_alarms(*by: str) -> str:
    """Return a query that counts the active alarms, by tags."""
    inner = select("alarm", {"stands": f"last({field('alarm', 'standing')})"},
                   by=tuple(dict.fromkeys((*by, "site", "asset", "condition"))), every=None,
                   when=LONG)
    groups = ", ".join(tag("alarm", b) for b in by)
    return f'SELECT count("stands") AS "standing" FROM ({inner}) WHERE "stands" = 1' + (
        f" GROUP BY {groups}" if by else "")
