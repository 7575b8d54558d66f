"""A site as an edge node of Sparkplug B 3.0: its messages, their order and their numbers.

No I/O. The group is the fleet, the edge node the site, a device an asset of the plant. The rules
are the specification's: births name every metric with alias, datatype and timestamp; data carry the
alias; ``seq`` counts 0 to 255 over everything but the node's death, and a birth of the node begins
it again; the death carries the ``bdSeq`` of the birth that goes with it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence

from collector.domain.live import LivePicture, PointState
from collector.domain.plant import Plant
from collector.domain.readings import MODES, Quality, Quantity, Reading, point_kind, split_point
from collector.forward.mqtt import Message
from collector.forward.sparkplug import DataType, Metric, Payload, Value, decode, encode

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
_SEQ = 256
_QUALITY = {Quality.GOOD: 192, Quality.BAD: 0, Quality.STALE: 500}
"""The specification's codes: good, bad, stale."""
_ABOUT = ("Properties/version", "Properties/name", "Properties/timezone", "Properties/units")


class EdgeNode:
    """The messages of one session with a broker, begun by :meth:`births`.

    ``bd_seq`` ties birth and death of the session together; the caller counts it from one
    connection to the next.
    """

    def __init__(self, *, fleet: str, plant: Plant, version: str, bd_seq: int) -> None:
        self._fleet, self._plant, self._version = fleet, plant, version
        self.bd_seq = bd_seq
        self._seq = 0
        self._aliases = {name: number for number, name in enumerate(_ABOUT)}
        self._metrics: dict[str, list[str]] = {}
        self._born: set[str] = set()
        self._newest: dict[str, int] = {}
        for device in plant.devices.values():
            for point in device.points:
                self._learn(point)

    def __repr__(self) -> str:
        return (f"EdgeNode({self._fleet}/{self.site}, bdSeq {self.bd_seq}, seq {self._seq}, "
                f"{len(self._born)} of {len(self._metrics)} born)")

    @property
    def site(self) -> str:
        """The edge node's id."""
        return self._plant.site.id

    @property
    def assets(self) -> tuple[str, ...]:
        """The devices that have metrics."""
        return tuple(self._metrics)

    def is_born(self, asset: str) -> bool:
        """Whether data of a device may be published."""
        return asset in self._born

    def topic(self, verb: str, asset: str = "") -> str:
        """Return the topic of a message type, for the node or for one device."""
        return "/".join(filter(None, (NAMESPACE, self._fleet, verb, self.site, asset)))

    # -- births and deaths -----------------------------------------------------------------------

    def death(self, now: int) -> Message:
        """Return the node's death: the will, and the last message of an ordered end."""
        metric = Metric(name="bdSeq", datatype=DataType.INT64, value=self.bd_seq, time=now)
        payload = encode(Payload(time=now, metrics=(metric,)))
        return Message(topic=self.topic("NDEATH"), payload=payload, qos=1)

    def births(self, picture: LivePicture, silent: Iterable[str], now: int) -> list[Message]:
        """Return the node's birth and that of every device but the silent ones."""
        self._seq = 0
        self._born.clear()
        self._newest.clear()
        site = self._plant.site
        about = dict(zip(_ABOUT, (self._version, site.name, site.timezone, site.units),
                         strict=True))
        metrics = (
            Metric(name="bdSeq", datatype=DataType.INT64, value=self.bd_seq, time=now),
            # Without an alias, so that a host that has lost our births can still ask for them.
            Metric(name=REBIRTH, datatype=DataType.BOOLEAN, value=False, time=now),
            *(Metric(name=name, alias=self._aliases[name], datatype=DataType.STRING, value=value,
                     time=now) for name, value in about.items()),
        )
        born = self._message("NBIRTH", "", metrics, now)
        silenced = frozenset(silent)
        return [born, *(self.birth(t, picture, now) for t in self._metrics if t not in silenced)]

    def birth(self, asset: str, picture: LivePicture, now: int) -> Message:
        """Return a device's birth, with all its metrics."""
        self._born.add(asset)
        metrics = [self._born_metric(p, picture.get(p), now) for p in self._metrics[asset]]
        return self._message("DBIRTH", asset, metrics, now)

    def death_of(self, asset: str, now: int) -> Message:
        """Return a device's death."""
        self._born.discard(asset)
        return self._message("DDEATH", asset, (), now)

    # -- data ------------------------------------------------------------------------------------

    def knows(self, point: str) -> bool:
        """Whether the births name this point's metric."""
        return point in self._aliases

    def learn(self, readings: Iterable[Reading]) -> set[str]:
        """Add points that no birth has named; return the devices to be born again."""
        new = {r.point for r in readings if not self.knows(r.point)}
        for point in sorted(new):
            self._learn(point)
        return {split_point(point)[0] for point in new}

    def data(self, asset: str, readings: Sequence[Reading], now: int, *,
             historical: bool = False) -> Message:
        """Return one message with readings of a born device, oldest first.

        A reading older than the last one published of its point is always historical.
        """
        if asset not in self._born:
            raise ValueError(f"{asset} is not born")
        metrics = []
        for reading in readings:
            late = historical or reading.time < self._newest.get(reading.point, 0)
            if not late:
                self._newest[reading.point] = reading.time
            quality = {} if reading.quality is Quality.GOOD \
                else {"Quality": _QUALITY[reading.quality]}
            metrics.append(Metric(
                alias=self._aliases[reading.point], time=reading.time, historical=late,
                value=self._value(reading), properties=quality,
            ))
        return self._message("DDATA", asset, metrics, now)

    # -- inside ----------------------------------------------------------------------------------

    def _learn(self, point: str) -> None:
        self._aliases[point] = len(self._aliases)
        self._metrics.setdefault(split_point(point)[0], []).append(point)

    def _quantity(self, point: str) -> Quantity | None:
        asset, quantity = split_point(point)
        found = self._plant.thing(asset)
        return point_kind(found.kind, quantity) if found is not None else None

    def _datatype(self, point: str) -> DataType:
        known = self._quantity(point)
        if known is None:
            return DataType.DOUBLE
        return {"contact": DataType.BOOLEAN, "mode": DataType.STRING}.get(
            known.unit, DataType.DOUBLE)

    def _value(self, reading: Reading) -> Value:
        value, datatype = reading.value, self._datatype(reading.point)
        if value is None or datatype is DataType.DOUBLE:
            return value
        if datatype is DataType.BOOLEAN:
            return value >= 0.5
        return MODES[int(value)] if value in range(len(MODES)) else None

    def _born_metric(self, point: str, state: PointState | None, now: int) -> Metric:
        last = state.last if state is not None else None
        quality = _QUALITY[last.quality] if last is not None else _QUALITY[Quality.STALE]
        if last is not None:
            self._newest[point] = last.time
        known = self._quantity(point)
        asset = self._plant.thing(split_point(point)[0])
        words = {"unit": known.unit, "label": known.label, "kind": asset.kind} \
            if known is not None and asset is not None else {}
        properties: Mapping[str, str | int] = {**words, "Quality": quality}
        return Metric(
            name=split_point(point)[1], alias=self._aliases[point],
            datatype=self._datatype(point), time=last.time if last is not None else now,
            value=self._value(last) if last is not None else None, properties=properties,
        )

    def _message(
        self, verb: str, asset: str, metrics: Sequence[Metric], now: int,
    ) -> Message:
        payload = encode(Payload(time=now, metrics=tuple(metrics), seq=self._seq))
        self._seq = (self._seq + 1) % _SEQ
        return Message(topic=self.topic(verb, asset), payload=payload)


def is_rebirth_request(payload: bytes) -> bool:
    """Whether a command is the request for new births; every other command is skipped.

    Raises ``PayloadInvalid`` when it is no payload.
    """
    return any(m.name == REBIRTH and m.value is True for m in decode(payload).metrics)


class PrimaryHost:
    """The last accepted state of the primary host. Without a name there is none to wait for.

    A state older than the last one accepted is skipped: the will of a host's old session may come
    after the birth of its new one.
    """

    def __init__(self, name: str | None) -> None:
        self.name = name
        self._online = name is None
        self._at = -1

    def __repr__(self) -> str:
        return f"PrimaryHost({self.name or 'none'}, {'online' if self._online else 'away'})"

    @property
    def online(self) -> bool:
        """Whether anything may be published."""
        return self._online

    @property
    def topic(self) -> str:
        """The topic of the host's STATE messages."""
        return f"spBv1.0/STATE/{self.name}"

    def apply(self, topic: str, payload: bytes) -> bool:
        """Apply a STATE message; return whether it was accepted."""
        if self.name is None or topic != self.topic:
            return False
        try:
            state = json.loads(payload)
            online, at = state["online"], state["timestamp"]
        except (ValueError, KeyError, TypeError):
            return False
        # An integer: true would be one to Python.
        if not isinstance(online, bool) or type(at) is not int or at < self._at:
            return False
        self._online, self._at = online, at
        return True
