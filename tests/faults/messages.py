"""Messages that no hub may take for good ones, and the good ones they are made from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from collector.domain.events import event_to_json
from collector.forward.mqtt import Message
from collector.forward.sparkplug import DataType, Metric, Payload, encode
from tests.fleet.support import NOW, alarm, estimate, fact

SITE = "fenmoor"
EVENTS, MARK = f"quietpipe/{SITE}/events", f"quietpipe/{SITE}/mark"
MARKED = {"site": SITE, "journal": "j", "commit": 3, "behind": 0, "events": 3,
          "time": "2026-03-01T00:10:05Z"}
FACT = json.loads(event_to_json(fact(SITE, "well"))) | {"seq": 1, "journal": "j"}
ALARM = json.loads(event_to_json(alarm(SITE))) | {"seq": 2, "journal": "j", "values": {"a": 1.5}}
ESTIMATE = json.loads(event_to_json(estimate(SITE, "leak-rate", "r1", 2.0, NOW))) | {
    "seq": 3, "journal": "j", "window": ["2026-03-01T00:00:00Z", "2026-03-01T00:10:00Z"]}
RAW = "@RAW@"


def changed(good: Mapping[str, Any], key: str, raw: str) -> bytes:
    """Return a good message with the JSON text ``raw`` for one value: ``json`` writes none such."""
    return json.dumps({**good, key: RAW}).replace(f'"{RAW}"', raw).encode()


def without(good: Mapping[str, Any], key: str) -> bytes:
    return json.dumps({k: v for k, v in good.items() if k != key}).encode()


def sparkplug(verb: str, *metrics: Metric, seq: int | None = 0, time: int | None = NOW,
              thing: str = "") -> Message:
    topic = "/".join(filter(None, ("spBv1.0/north", verb, SITE, thing)))
    return Message(topic=topic, payload=encode(Payload(time=time, metrics=metrics, seq=seq)))


_VALUE = Metric(name="tank_pressure", alias=1, time=NOW, datatype=DataType.DOUBLE, value=1.0)


def metric(**changes: Any) -> Metric:
    return Metric(**{**{f: getattr(_VALUE, f) for f in (
        "name", "alias", "time", "datatype", "value", "historical", "properties")}, **changes})


_DEEP = "[" * 200_000 + "]" * 200_000

EVENT_CASES: dict[str, bytes] = {
    "seq beyond a float": changed(FACT, "seq", "1e999"),
    "seq of thirty digits": changed(FACT, "seq", str(10**30)),
    "seq of six thousand digits": changed(FACT, "seq", "9" * 6000),
    "seq beyond the room of a journal": changed(FACT, "seq", str(2**40)),
    "seq below nought": changed(FACT, "seq", "-1"),
    "seq with a fraction": changed(FACT, "seq", "1.5"),
    "seq true": changed(FACT, "seq", "true"),
    "seq as text": changed(FACT, "seq", '"7"'),
    "no seq": without(FACT, "seq"),
    "deeply nested": changed(FACT, "values", _DEEP),
    "deeply nested objects": changed(FACT, "values", '{"a":' * 100_000 + "1" + "}" * 100_000),
    "nothing but brackets": b"[" * 200_000,
    "surrogate in a text": changed(FACT, "text", r'"\ud800"'),
    "surrogate in a key": changed(FACT, "values", r'{"\udfff": 1}'),
    "surrogate in the journal": changed(FACT, "journal", r'"\ud83d"'),
    "surrogate as bytes": changed(FACT, "text", '"?"').replace(b"?", b"\xed\xa0\x80"),
    "text in another encoding": json.dumps(FACT).encode("utf-16"),
    "value not a number": changed(ESTIMATE, "value", "NaN"),
    "value infinite by name": changed(ESTIMATE, "value", "-Infinity"),
    "value infinite by size": changed(ESTIMATE, "value", "1e999"),
    "bound infinite by size": changed(ESTIMATE, "high", "1e999"),
    "value of thirty digits": changed(ESTIMATE, "value", str(10**30)),
    "value absurdly large": changed(ESTIMATE, "value", "1e300"),
    "value as text": changed(ESTIMATE, "value", '"2"'),
    "unit a list": changed(ESTIMATE, "unit", "[1]"),
    "quantity an object": changed(ESTIMATE, "quantity", "{}"),
    "window of one": changed(ESTIMATE, "window", '["2026-03-01T00:00:00Z"]'),
    "window backwards": changed(
        ESTIMATE, "window", '["2026-03-01T00:00:00Z","2025-03-01T00:00:00Z"]'),
    "not a number among values": changed(ALARM, "values", '{"a": NaN}'),
    "list among values": changed(ALARM, "values", '{"a": [1]}'),
    "list for values": changed(ALARM, "values", "[1, 2]"),
    "list for values of a fact": changed(FACT, "values", "[1, 2]"),
    "number for an asset": changed(ALARM, "asset", "5"),
    "list for an id": changed(ALARM, "id", '["x"]'),
    "list for a text": changed(FACT, "text", '["x"]'),
    "list for a kind": changed(FACT, "kind", '["x"]'),
    "list for the message": json.dumps([FACT]).encode(),
    "text for the message": b'"x"',
    "number for the message": b"7",
    "null for the message": b"null",
    "empty": b"",
    "not JSON": b"{",
    "two messages": json.dumps(FACT).encode() * 2,
    "time 1e300": changed(FACT, "time", '"1e300"'),
    "time as a number": changed(FACT, "time", "1e300"),
    "time in the year 1": changed(FACT, "time", '"0001-01-01T00:00:00Z"'),
    "time in the year 9999": changed(FACT, "time", '"9999-12-31T23:59:59Z"'),
    "time without an offset": changed(FACT, "time", '"2026-03-01T00:00:00"'),
    "time not a number": changed(FACT, "time", '"nan"'),
    "since 1e300": changed(ALARM, "since", '"1e300"'),
    "until 1e300": changed(ALARM, "until", '"1e300"'),
    "transition unknown": changed(ALARM, "transition", '"exploded"'),
    "priority a list": changed(ALARM, "priority", "[]"),
    "another's site": changed(FACT, "site", '"hillside"'),
    "site a list": changed(FACT, "site", '["fenmoor"]'),
    "the hub's own journal": changed(FACT, "journal", '"hub"'),
    "journal a list": changed(FACT, "journal", "[]"),
    "journal too long": changed(FACT, "journal", json.dumps("j" * 129)),
    "control character in an id": changed(ALARM, "asset", r'"r1\u0000"'),
    "too large": changed(FACT, "text", json.dumps("x" * 2_000_000)),
}

MARK_CASES: dict[str, bytes] = {
    "events of thirty digits": changed(MARKED, "events", str(10**30)),
    "events beyond a float": changed(MARKED, "events", "1e999"),
    "commit of thirty digits": changed(MARKED, "commit", str(10**30)),
    "commit true": changed(MARKED, "commit", "true"),
    "behind below nought": changed(MARKED, "behind", "-1"),
    "behind a list": changed(MARKED, "behind", "[0]"),
    "journal surrogate": changed(MARKED, "journal", r'"\udc00"'),
    "time 1e300": changed(MARKED, "time", '"1e300"'),
    "deeply nested": changed(MARKED, "more", _DEEP),
    "list": b"[]",
    "another's site": changed(MARKED, "site", '"hillside"'),
    "empty": b"",
}

_BD_SEQ = Metric(name="bdSeq", datatype=DataType.INT64, value=0, time=NOW)

SPARKPLUG_CASES: dict[str, Message] = {
    "no payload": Message(topic=f"spBv1.0/north/NBIRTH/{SITE}", payload=b"\xff"),
    "empty data": Message(topic=f"spBv1.0/north/DDATA/{SITE}/gen1", payload=b""),
    "seq of 64 bit": sparkplug("NBIRTH", _BD_SEQ, seq=2**64 - 1),
    "seq 256": sparkplug("DDATA", metric(), seq=256, thing="gen1"),
    "birth without seq": sparkplug("NBIRTH", _BD_SEQ, seq=None),
    "bdSeq a text": sparkplug("NBIRTH", Metric(name="bdSeq", value="0", time=NOW)),
    "death without bdSeq": sparkplug("NDEATH", seq=None),
    "units unknown": sparkplug("NBIRTH", _BD_SEQ, Metric(
        name="Properties/units", datatype=DataType.STRING, value="ells", time=NOW)),
    "value not a number": sparkplug("DDATA", metric(value=float("nan")), thing="gen1"),
    "value infinite": sparkplug("DDATA", metric(value=float("inf")), thing="gen1"),
    "value absurdly large": sparkplug("DDATA", metric(value=1e300), thing="gen1"),
    "value of 64 bit": sparkplug("DDATA", metric(
        value=2**64 - 1, datatype=DataType.UINT64), thing="gen1"),
    "birth not a number": sparkplug("DBIRTH", metric(value=float("nan")), thing="gen1"),
    "birth of another type": sparkplug(
        "DBIRTH", metric(value="x", datatype=DataType.BOOLEAN), thing="gen1"),
    "birth without a name": sparkplug("DBIRTH", metric(name=""), thing="gen1"),
    "birth with a name too long": sparkplug("DBIRTH", metric(name="n" * 300), thing="gen1"),
    "time of a metric beyond the calendar": sparkplug(
        "DDATA", metric(time=2**63), thing="gen1"),
    "time of a metric in 1970": sparkplug("DDATA", metric(time=1), thing="gen1"),
    "time of the message beyond the calendar": sparkplug(
        "DDATA", metric(), time=2**64 - 1, thing="gen1"),
    "alias of 64 bit": sparkplug("DBIRTH", metric(alias=2**64 - 1), thing="gen1"),
    "data of a device without one": sparkplug("DDATA", metric()),
    "data of a node with a device": sparkplug("NDATA", metric(), thing="gen1"),
    "kind of message unknown": sparkplug("XDATA", metric(), thing="gen1"),
    "name that is no text": Message(
        topic=f"spBv1.0/north/DBIRTH/{SITE}/gen1", payload=b"\x12\x04\x0a\x02\xff\xfe\x18\x01"),
    "site too long": Message(topic="spBv1.0/north/NDATA/" + "x" * 300,
                             payload=encode(Payload(seq=0))),
    "topic of nothing known": Message(topic="quietpipe/fenmoor/gossip", payload=b"{}"),
    "topic that could not be read": Message(topic="", payload=b"{}"),
}


def all_cases() -> dict[str, Message]:
    return {
        **{f"event: {n}": Message(topic=EVENTS, payload=p, qos=1) for n, p in EVENT_CASES.items()},
        **{f"mark: {n}": Message(topic=MARK, payload=p, qos=1) for n, p in MARK_CASES.items()},
        **{f"sparkplug: {n}": m for n, m in SPARKPLUG_CASES.items()},
    }
