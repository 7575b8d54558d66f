"""The payload of Sparkplug B 3.0: protobuf, from the specification's field numbers.

The message classes are made when the module loads, from the tables below, which say what the open
specification says (chapter "Payloads"): name, number and type of each field. There is no schema
file and no generated code to keep in step with them.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

Value = bool | int | float | str | None


class PayloadInvalid(ValueError):
    """Bytes that are no Sparkplug payload."""


class DataType(IntEnum):
    """Data types of a metric or a property, by the specification's numbers."""

    INT8 = 1
    INT16 = 2
    INT32 = 3
    INT64 = 4
    UINT8 = 5
    UINT16 = 6
    UINT32 = 7
    UINT64 = 8
    FLOAT = 9
    DOUBLE = 10
    BOOLEAN = 11
    STRING = 12
    DATE_TIME = 13
    TEXT = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """One metric. Births carry name, alias and datatype; data carry the alias alone.

    ``time`` is ms since 1970 UTC. A ``value`` of ``None`` travels as null.
    """

    name: str = ""
    alias: int | None = None
    time: int | None = None
    datatype: DataType | None = None
    value: Value = None
    historical: bool = False
    properties: Mapping[str, str | int] = field(default_factory=dict)
    """Text properties, and integers as Int32."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Payload:
    """The contents of one message. ``seq`` is 0 to 255, and absent in a node's death."""

    time: int | None = None
    metrics: tuple[Metric, ...] = ()
    seq: int | None = None


_TYPES = {"uint64": 4, "uint32": 13, "float": 2, "double": 1, "bool": 8, "string": 9, "bytes": 12}
_MESSAGE = 11
_OPTIONAL, _REPEATED = 1, 3
_PACKAGE = "quietpipe.sparkplug"

# (name, number, type); a star marks a repeated field. Data sets and templates are not used here,
# and what is not listed is passed over when it is read, as protobuf has it.
_FIELDS: dict[str, tuple[tuple[str, int, str], ...]] = {
    "PropertyValue": (
        ("type", 1, "uint32"), ("is_null", 2, "bool"), ("int_value", 3, "uint32"),
        ("long_value", 4, "uint64"), ("float_value", 5, "float"), ("double_value", 6, "double"),
        ("boolean_value", 7, "bool"), ("string_value", 8, "string"),
    ),
    "PropertySet": (("keys", 1, "string*"), ("values", 2, "PropertyValue*")),
    "Metric": (
        ("name", 1, "string"), ("alias", 2, "uint64"), ("timestamp", 3, "uint64"),
        ("datatype", 4, "uint32"), ("is_historical", 5, "bool"), ("is_transient", 6, "bool"),
        ("is_null", 7, "bool"), ("properties", 9, "PropertySet"), ("int_value", 10, "uint32"),
        ("long_value", 11, "uint64"), ("float_value", 12, "float"), ("double_value", 13, "double"),
        ("boolean_value", 14, "bool"), ("string_value", 15, "string"), ("bytes_value", 16, "bytes"),
    ),
    "Payload": (
        ("timestamp", 1, "uint64"), ("metrics", 2, "Metric*"), ("seq", 3, "uint64"),
        ("uuid", 4, "string"), ("body", 5, "bytes"),
    ),
}
_VALUES = ("int_value", "long_value", "float_value", "double_value", "boolean_value",
           "string_value", "bytes_value")


def _made() -> dict[str, Any]:
    file = descriptor_pb2.FileDescriptorProto(
        name="quietpipe/sparkplug", package=_PACKAGE, syntax="proto2",
    )
    for name, fields in _FIELDS.items():
        message = file.message_type.add(name=name)
        for field_name, number, kind in fields:
            bare = kind.removesuffix("*")
            made = message.field.add(name=field_name, number=number,
                                     label=_REPEATED if bare != kind else _OPTIONAL,
                                     type=_TYPES.get(bare, _MESSAGE))
            if bare not in _TYPES:
                made.type_name = f".{_PACKAGE}.{bare}"
    # A pool of our own: the library's default one is shared with whatever else speaks protobuf.
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return {name: message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.{name}"))
            for name in _FIELDS}


_CLASSES = _made()

_SIGNED = {DataType.INT8: 8, DataType.INT16: 16, DataType.INT32: 32, DataType.INT64: 64}
_LONG = frozenset({DataType.INT64, DataType.UINT64, DataType.DATE_TIME})


def encode(payload: Payload) -> bytes:
    """Return the bytes of a payload. Raises ``ValueError`` for a value its type cannot hold."""
    message = _CLASSES["Payload"]()
    if payload.time is not None:
        message.timestamp = payload.time
    if payload.seq is not None:
        message.seq = payload.seq
    for metric in payload.metrics:
        _write_metric(message.metrics.add(), metric)
    return bytes(message.SerializeToString())


def _write_metric(made: Any, metric: Metric) -> None:
    if metric.name:
        made.name = metric.name
    if metric.alias is not None:
        made.alias = metric.alias
    if metric.time is not None:
        made.timestamp = metric.time
    if metric.datatype is not None:
        made.datatype = metric.datatype
    if metric.historical:
        made.is_historical = True
    for key, value in metric.properties.items():
        made.properties.keys.append(key)
        held = made.properties.values.add()
        if isinstance(value, str):
            held.type, held.string_value = DataType.STRING, value
        else:
            held.type, held.int_value = DataType.INT32, value & 0xFFFF_FFFF
    if metric.value is None:
        made.is_null = True
    else:
        _write_value(made, metric.value, metric.datatype)


def _write_value(made: Any, value: bool | int | float | str, datatype: DataType | None) -> None:
    if isinstance(value, bool):
        made.boolean_value = value
    elif isinstance(value, str):
        made.string_value = value
    elif isinstance(value, int) and (datatype is None or datatype in _LONG):
        made.long_value = value & 0xFFFF_FFFF_FFFF_FFFF
    elif isinstance(value, int) and datatype not in (DataType.FLOAT, DataType.DOUBLE):
        made.int_value = value & 0xFFFF_FFFF
    elif datatype is DataType.FLOAT:
        made.float_value = value
    else:
        made.double_value = value


def decode(data: bytes) -> Payload:
    """Read a payload. Raises :class:`PayloadInvalid` when the bytes are none.

    An integer without its datatype (data carry none) is read as unsigned.
    """
    message = _CLASSES["Payload"]()
    try:
        message.ParseFromString(data)
    except (DecodeError, struct.error) as exc:
        raise PayloadInvalid(f"no Sparkplug payload: {exc}") from exc
    return Payload(
        time=message.timestamp if message.HasField("timestamp") else None,
        seq=message.seq if message.HasField("seq") else None,
        metrics=tuple(_read_metric(m) for m in message.metrics),
    )


def _read_metric(read: Any) -> Metric:
    try:
        datatype = DataType(read.datatype) if read.HasField("datatype") else None
    except ValueError:  # data sets, templates, arrays: known to others, of no use here
        datatype = None
    properties = read.properties
    return Metric(
        name=read.name, alias=read.alias if read.HasField("alias") else None,
        time=read.timestamp if read.HasField("timestamp") else None, datatype=datatype,
        value=_read_value(read, datatype), historical=read.is_historical,
        properties={key: held.string_value if held.HasField("string_value") else held.int_value
                    for key, held in zip(properties.keys, properties.values, strict=False)},
    )


def _read_value(read: Any, datatype: DataType | None) -> Value:
    if read.is_null:
        return None
    for name in _VALUES[:-1]:
        if read.HasField(name):
            value: bool | int | float | str = getattr(read, name)
            bits = _SIGNED.get(datatype) if datatype is not None else None
            if bits and isinstance(value, int) and value >= 1 << (bits - 1):
                value = (value & ((1 << bits) - 1)) - (1 << bits)
            return value
    return None
