"""The fleet end: many sites on one board. Here, the hub's file (TOML): groups, brokers, access."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated

from pydantic import Field

from collector.config.diagnostics import Diagnostics, Source, read_text, unreadable
from collector.config.field_types import host_and_port
from collector.config.integrations import Integrations, read_proxies
from collector.config.schema import parse_toml, read_tables
from collector.config.tables import InfluxTable, MqttTable, SiteFile, Table, sized
from collector.config.units import QuantityError
from collector.domain.errors import SiteFileError
from collector.domain.units import HOUR
from collector.forward import BrokerSettings, InfluxSettings

Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=64)]
Text = Annotated[str, Field(min_length=1)]
Word = Annotated[str, Field(pattern=r"^[^+/#\s.][^+/#\s]*$", max_length=64)]


class HubTable(Table):
    """``[hub]``."""

    name: Text = "Fleet"
    data: Text = "var/hub"
    listen: Text = "127.0.0.1:8700"
    public_address: Annotated[str, Field(pattern=r"^https?://\S+$")] | None = None
    proxies: list[Text] = []
    silent_after: Annotated[int, sized("duration", 15_000, HOUR)] = 45_000
    newest: Text | None = None
    staff: list[Text] = []


class HubMqttTable(Table):
    """``[mqtt]``."""

    needs = ("broker",)
    broker: Annotated[str, Field(pattern=r"^mqtts?://[^\s/:]+(:\d{1,5})?/?$")] = ""
    username: Text | None = None
    password: Text | None = Field(default=None, repr=False)
    ca: Text | None = None
    certificate: Text | None = None
    key: Text | None = None
    host: Word = "hub"


class GroupTable(Table):
    """``[[groups]]``."""

    needs = ("id",)
    id: Word = ""
    events_prefix: Annotated[str, Field(pattern=r"^[^+#\s]+$")] | None = None


class CustomerTable(Table):
    """``[[customers]]``."""

    needs = ("id",)
    id: Id = ""
    name: Text | None = None
    sites: list[Annotated[str, Field(pattern=r"^[^/]+/[^/]+$")]] = []
    people: list[Text] = []


class HubFile(Table):
    """The whole hub file."""

    needs = ("mqtt", "groups")
    hub: HubTable = HubTable()
    mqtt: HubMqttTable = HubMqttTable()
    groups: list[GroupTable] = []
    customers: list[CustomerTable] = []
    influx: InfluxTable | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A Sparkplug group, and where its sites' events come."""

    id: str
    events_prefix: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Customer:
    """A customer and their sites. ``sites`` are patterns ``group/site``, ``*`` for any."""

    id: str
    name: str
    sites: tuple[str, ...]
    people: frozenset[str]

    def has(self, group: str, site: str) -> bool:
        """Whether a site is theirs. A pattern's group and site are matched apart."""
        return any(
            fnmatchcase(group, pattern.partition("/")[0])
            and fnmatchcase(site, pattern.partition("/")[2]) for pattern in self.sites
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HubSettings:
    """The settings of a hub. Durations in ms; people by their name, folded."""

    name: str
    data: Path
    host: str
    port: int
    public_address: str | None
    proxies: tuple[str, ...] = ()
    silent_after: int
    newest: str | None
    """The version every collector should have; without it the newest that any has."""
    staff: frozenset[str]
    broker: BrokerSettings
    host_id: str
    groups: tuple[Group, ...]
    customers: tuple[Customer, ...]
    influx: InfluxSettings | None = field(default=None, repr=False)


def folded(name: str) -> str:
    """Return a person's name in the form used for comparison."""
    return " ".join(name.split()).casefold()


def load_hub(path: Path, *, secrets: bool = True) -> HubSettings:
    """Read the hub's file. Raises ``SiteFileError`` with every mistake found."""
    mistakes = Diagnostics()
    try:
        _, text = read_text(path)
    except (OSError, UnicodeDecodeError) as exc:
        mistakes.add(Source(str(path), ""), (), unreadable(exc), "a hub's file (TOML)")
        raise SiteFileError(mistakes.sorted()) from exc
    data = parse_toml(path.name, text, mistakes)
    if data is None:
        raise SiteFileError(mistakes.sorted())
    source = Source(path.name, text)
    file = read_tables(HubFile, data, source, mistakes)
    settings = _build(file, source, mistakes, path.parent, secrets)
    if mistakes:
        raise SiteFileError(mistakes.sorted())
    return settings


def _build(
    file: HubFile, source: Source, mistakes: Diagnostics, folder: Path, secrets: bool,
) -> HubSettings:
    known = file.mqtt.model_dump(exclude={"host"}, exclude_unset=True)
    # The keys to a broker and to InfluxDB are those of a site file, and are read as there.
    like_site = SiteFile(mqtt=MqttTable.model_construct(**known), influx=file.influx)
    integrations = Integrations(file=like_site, source=source, mistakes=mistakes, folder=folder,
                      secrets=secrets)
    mqtt = integrations.mqtt()
    assert mqtt is not None  # the table is there, whatever is in it
    host, port = "127.0.0.1", 8700
    try:
        host, port = host_and_port(file.hub.listen)
    except QuantityError as exc:
        mistakes.add(source, ("hub", "listen"), exc.problem, exc.expected)
    return HubSettings(
        name=file.hub.name, data=folder / file.hub.data, host=host, port=port,
        public_address=file.hub.public_address, silent_after=file.hub.silent_after,
        proxies=read_proxies(file.hub.proxies, ("hub", "proxies"), source, mistakes),
        newest=file.hub.newest, staff=frozenset(map(folded, file.hub.staff)),
        broker=mqtt.broker, host_id=file.mqtt.host, influx=integrations.influx(),
        groups=_groups(file, source, mistakes), customers=_customers(file, source, mistakes),
    )


def _groups(file: HubFile, source: Source, mistakes: Diagnostics) -> tuple[Group, ...]:
    if not file.groups and "groups" in file.model_fields_set:
        mistakes.add(source, ("groups",), "no group is named", "[[groups]] with an id")
    alone = len(file.groups) == 1
    made: list[Group] = []
    for number, table in enumerate(file.groups):
        # Event topics do not name the group: were two to share a prefix, an event could not be
        # told to belong to one of them.
        usual = "quietpipe" if alone else f"quietpipe/{table.id}"
        group = Group(id=table.id, events_prefix=table.events_prefix or usual)
        for other in made:
            if group.id == other.id:
                mistakes.add(source, ("groups", number, "id"), f'"{group.id}" is there twice',
                             "each group once")
            elif group.events_prefix == other.events_prefix:
                mistakes.add(source, ("groups", number), "shares its events_prefix with "
                             f'"{other.id}"', "a prefix of its own for each group")
        made.append(group)
    return tuple(made)


def _customers(file: HubFile, source: Source, mistakes: Diagnostics) -> tuple[Customer, ...]:
    seen: Mapping[str, str] = {}
    made = []
    staff = set(map(folded, file.hub.staff))
    for number, table in enumerate(file.customers):
        people = frozenset(map(folded, table.people))
        for name in sorted(people & (staff | seen.keys())):
            where = f'customer "{seen[name]}"' if name in seen else "the firm's own staff"
            mistakes.add(source, ("customers", number, "people"),
                         f'"{name}" belongs to {where} already', "each person in one place")
        seen = {**seen, **dict.fromkeys(people, table.id)}
        made.append(Customer(id=table.id, name=table.name or table.id, sites=tuple(table.sites),
                             people=people))
    return tuple(made)
