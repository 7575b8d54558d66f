"""Shapes of Grafana's provisioning files, from its administration guide ("Provisioning Grafana"),
and of a dashboard's own model ("Dashboard JSON model"). From memory, and narrower than they are:
only what is used here is allowed.
"""

from __future__ import annotations

from typing import Any

_TEXT = {"type": "string", "minLength": 1}
_BOOL = {"type": "boolean"}


def _closed(required: list[str], **properties: Any) -> dict[str, Any]:
    return {"type": "object", "additionalProperties": False, "required": required,
            "properties": properties}


DATASOURCES = _closed(
    ["apiVersion", "datasources"], apiVersion={"const": 1}, prune=_BOOL,
    datasources={"type": "array", "minItems": 1, "items": _closed(
        ["name", "uid", "type", "access", "url"], name=_TEXT, uid={"const": "quietpipe"},
        type={"const": "influxdb"}, access={"const": "proxy"}, url=_TEXT, user=_TEXT,
        isDefault=_BOOL, editable={"const": False},
        jsonData=_closed(["version", "dbName"], version={"const": "InfluxQL"}, dbName=_TEXT,
                         httpMode={"enum": ["GET", "POST"]}),
        secureJsonData={"type": "object", "additionalProperties": _TEXT},
    )},
)

PROVIDERS = _closed(
    ["apiVersion", "providers"], apiVersion={"const": 1},
    providers={"type": "array", "minItems": 1, "items": _closed(
        ["name", "type", "options"], name=_TEXT, orgId={"type": "integer"}, folder=_TEXT,
        folderUid=_TEXT, type={"const": "file"}, disableDeletion=_BOOL,
        allowUiUpdates={"const": False}, updateIntervalSeconds={"type": "integer", "minimum": 10},
        options=_closed(["path"], path={"type": "string", "pattern": "^/"},
                        foldersFromFilesStructure=_BOOL),
    )},
)

_DATASOURCE = _closed(["type", "uid"], type={"const": "influxdb"}, uid={"const": "quietpipe"})
_TARGET = _closed(
    ["refId", "datasource", "rawQuery", "query", "resultFormat"],
    refId={"type": "string", "pattern": "^[A-Z]$"}, datasource=_DATASOURCE,
    rawQuery={"const": True}, query={"type": "string", "pattern": "^SELECT "},
    resultFormat={"enum": ["time_series", "table"]}, alias={"type": "string"},
)
_PANEL = {
    "type": "object", "required": ["id", "type", "title", "gridPos", "options", "fieldConfig"],
    "additionalProperties": False,
    "properties": {
        "id": {"type": "integer", "minimum": 1}, "title": _TEXT,
        "type": {"enum": ["timeseries", "state-timeline", "stat", "table", "text"]},
        "description": {"type": "string"}, "transparent": _BOOL, "datasource": _DATASOURCE,
        "targets": {"type": "array", "minItems": 1, "items": _TARGET},
        "options": {"type": "object"}, "transformations": {"type": "array", "items": _closed(
            ["id", "options"], id={"enum": ["merge", "organize"]}, options={"type": "object"})},
        "gridPos": _closed(["x", "y", "w", "h"], **{
            "x": {"type": "integer", "minimum": 0, "maximum": 23},
            "y": {"type": "integer", "minimum": 0},
            "w": {"type": "integer", "minimum": 1, "maximum": 24},
            "h": {"type": "integer", "minimum": 2}}),
        "fieldConfig": _closed(
            ["defaults", "overrides"], defaults={"type": "object"},
            overrides={"type": "array", "items": _closed(
                ["matcher", "properties"],
                matcher=_closed(["id", "options"], id={"enum": ["byName", "byRegexp"]},
                                options=_TEXT),
                properties={"type": "array", "items": _closed(
                    ["id", "value"], id=_TEXT, value={})})}),
    },
    "if": {"properties": {"type": {"const": "text"}}},
    "else": {"required": ["targets", "datasource"]},
}
DASHBOARD = {
    "type": "object",
    "required": ["uid", "title", "schemaVersion", "panels", "time", "templating"],
    "properties": {
        "uid": {"type": "string", "pattern": "^[A-Za-z0-9_-]{1,40}$"}, "title": _TEXT,
        "schemaVersion": {"type": "integer", "minimum": 36}, "editable": {"const": False},
        "panels": {"type": "array", "minItems": 3, "items": _PANEL},
        "time": _closed(["from", "to"], **{
            "from": {"type": "string", "pattern": r"^now-\d+[hd]$"}, "to": {"const": "now"}}),
        "refresh": {"type": "string", "pattern": r"^\d+[sm]$"},
        "templating": _closed(["list"], list={"type": "array", "items": {
            "type": "object", "required": ["name", "type", "query"]}}),
    },
}
