"""Rules of Sparkplug B 3.0.0 (16 Nov 2022) that need no broker; another's decoder reads."""

from __future__ import annotations

import re

import pytest

from collector.domain.live import LivePicture
from collector.domain.readings import Quality
from collector.forward.mqtt import Message
from collector.forward.sparkplug import Metric, Payload, PayloadInvalid, encode
from collector.forward.sparkplug.edge_node import EdgeNode, PrimaryHost, is_rebirth_request
from tests.forward.support import decoded, plant, reading

NOW = 1_772_323_805_000


def node(bd_seq: int = 7) -> EdgeNode:
    return EdgeNode(fleet="north", plant=plant(), version="1.2.3", bd_seq=bd_seq)


def picture() -> LivePicture:
    made = LivePicture()
    made.update([reading("gen1.tank_pressure", NOW - 1000, 61.5),
                 reading("gen1.mode", NOW - 900, 1.0),
                 reading("r1.pressure", NOW - 800, None, Quality.STALE)])
    return made


def verb(message: Message) -> str:
    return message.topic.split("/")[2]


def test_topics_have_the_five_parts_and_a_device_only_where_it_belongs() -> None:
    n = node()
    births = n.births(picture(), (), NOW)
    assert [m.topic for m in births] == [
        "spBv1.0/north/NBIRTH/fenmoor",
        "spBv1.0/north/DBIRTH/fenmoor/gen1", "spBv1.0/north/DBIRTH/fenmoor/r1",
    ]
    data = n.data("gen1", [reading("gen1.mode", NOW, 2.0)], NOW)
    assert data.topic == "spBv1.0/north/DDATA/fenmoor/gen1"
    assert n.death_of("r1", NOW).topic == "spBv1.0/north/DDEATH/fenmoor/r1"
    assert n.death(NOW).topic == "spBv1.0/north/NDEATH/fenmoor"
    assert not any(re.search(r"[+#]", m.topic) for m in births)


def test_births_and_data_are_qos_0_and_the_death_is_qos_1_and_nothing_is_retained() -> None:
    n = node()
    births = n.births(picture(), (), NOW)
    said = [*births, n.data("gen1", [reading("gen1.mode", NOW, 2.0)], NOW), n.death_of("r1", NOW)]
    assert {m.qos for m in said} == {0}
    assert n.death(NOW).qos == 1
    assert not any(m.retain for m in [*said, n.death(NOW)])


def test_the_node_s_birth_has_seq_0_bd_seq_and_rebirth() -> None:
    birth = decoded(node(7).births(picture(), (), NOW)[0].payload)
    metrics = {m.name: m for m in birth.metrics}
    assert birth.seq == 0
    assert birth.timestamp == NOW
    assert (metrics["bdSeq"].datatype, metrics["bdSeq"].long_value) == (4, 7)
    rebirth = metrics["Node Control/Rebirth"]
    assert (rebirth.datatype, rebirth.boolean_value) == (11, False)
    assert rebirth.WhichOneof("value") == "boolean_value"
    assert not rebirth.HasField("alias"), "a host that lost our births cannot know an alias"
    assert metrics["Properties/version"].string_value == "1.2.3"


def test_the_death_has_the_same_bd_seq_and_no_seq() -> None:
    n = node(7)
    n.births(picture(), (), NOW)
    death = decoded(n.death(NOW).payload)
    assert not death.HasField("seq")
    assert [(m.name, m.datatype, m.long_value) for m in death.metrics] == [("bdSeq", 4, 7)]


def test_births_name_every_metric_with_alias_datatype_time_and_unit() -> None:
    births = [decoded(m.payload) for m in node().births(picture(), (), NOW)]
    metrics = [m for b in births for m in b.metrics]
    assert all(m.name and m.timestamp and m.datatype for m in metrics)
    aliases = [m.alias for m in metrics if m.HasField("alias")]
    assert len(aliases) == len(set(aliases)), "one alias, one metric, over the whole node"
    gen1 = {m.name: m for m in births[1].metrics}
    assert list(gen1) == ["tank_pressure", "compressor_running", "mode"]
    assert gen1["tank_pressure"].double_value == 61.5
    assert gen1["tank_pressure"].timestamp == NOW - 1000
    assert gen1["mode"].string_value == "nitrogen"
    assert gen1["compressor_running"].is_null, "never had a reading"
    held = gen1["tank_pressure"].properties
    words = dict(zip(held.keys, held.values, strict=True))
    assert words["unit"].string_value == "psi"
    assert words["kind"].string_value == "generator"
    assert words["Quality"].int_value == 192
    stale = births[2].metrics[0]
    assert stale.is_null
    assert stale.properties.values[3].int_value == 500


def test_data_carry_the_alias_and_the_time_and_neither_name_nor_datatype() -> None:
    n = node()
    births = n.births(picture(), (), NOW)
    alias = {m.name: m.alias for m in decoded(births[1].payload).metrics}
    data = decoded(n.data("gen1", [
        reading("gen1.tank_pressure", NOW, 62.0), reading("gen1.mode", NOW + 1, 2.0),
        reading("gen1.compressor_running", NOW + 2, 0.0),
        reading("gen1.tank_pressure", NOW + 3, None, Quality.BAD),
    ], NOW).payload)
    first, second, third, bad = data.metrics
    assert [m.alias for m in data.metrics] == [
        alias[n] for n in ("tank_pressure", "mode", "compressor_running", "tank_pressure")]
    assert not any(m.name or m.HasField("datatype") for m in data.metrics)
    assert [m.timestamp for m in data.metrics] == [NOW, NOW + 1, NOW + 2, NOW + 3]
    assert (first.double_value, second.string_value, third.boolean_value) == (62, "air-fill", False)
    assert bad.is_null
    assert bad.properties.values[0].int_value == 0


def test_seq_counts_over_births_data_and_device_deaths_and_wraps_at_255() -> None:
    n = node()
    said = n.births(picture(), (), NOW)
    for i in range(300):
        if i % 50 == 49:
            said += [n.death_of("r1", NOW + i), n.birth("r1", picture(), NOW + i)]
        said.append(n.data("gen1", [reading("gen1.mode", NOW + i, 1.0)], NOW + i))
    numbers = [decoded(m.payload).seq for m in said]
    assert numbers == [i % 256 for i in range(len(said))]
    n.death(NOW)
    again = n.births(picture(), (), NOW)
    assert [decoded(m.payload).seq for m in again] == [0, 1, 2]


def test_history_is_marked_and_so_is_what_comes_late() -> None:
    n = node()
    n.births(picture(), (), NOW)
    old = n.data("gen1", [reading("gen1.mode", NOW - 9000, 1.0)], NOW, historical=True)
    live = n.data("gen1", [reading("gen1.mode", NOW, 1.0)], NOW)
    late = n.data("gen1", [reading("gen1.mode", NOW - 1, 1.0)], NOW)
    flags = [[m.is_historical for m in decoded(x.payload).metrics] for x in (old, live, late)]
    assert flags == [[True], [False], [True]]


def test_no_data_before_birth_and_none_after_death() -> None:
    n = node()
    with pytest.raises(ValueError, match="not born"):
        n.data("gen1", [reading("gen1.mode", NOW, 1.0)], NOW)
    n.births(picture(), ["r1"], NOW)
    with pytest.raises(ValueError, match="not born"):
        n.data("r1", [reading("r1.pressure", NOW, 1.0)], NOW)
    n.death_of("gen1", NOW)
    with pytest.raises(ValueError, match="not born"):
        n.data("gen1", [reading("gen1.mode", NOW, 1.0)], NOW)


def test_a_point_no_birth_has_named_asks_for_a_new_birth() -> None:
    n = node()
    n.births(picture(), (), NOW)
    late = reading("gen1.dew_point", NOW, -40.0)
    assert n.learn([late]) == {"gen1"}
    birth = decoded(n.birth("gen1", picture(), NOW).payload)
    alias = birth.metrics[-1].alias
    assert birth.metrics[-1].name == "dew_point"
    assert decoded(n.data("gen1", [late], NOW).payload).metrics[0].alias == alias
    assert n.learn([late]) == set()


@pytest.mark.parametrize(("metrics", "asked"), [
    ((Metric(name="Node Control/Rebirth", value=True),), True),
    ((Metric(name="Node Control/Rebirth", value=False),), False),
    ((Metric(name="Node Control/Reboot", value=True),), False),
    ((Metric(name="gen1/mode", value="off"),), False),
    ((), False),
])
def test_only_a_rebirth_is_obeyed(metrics: tuple[Metric, ...], asked: bool) -> None:
    assert is_rebirth_request(encode(Payload(time=1, metrics=metrics))) is asked


def test_a_command_that_is_no_payload_is_refused() -> None:
    with pytest.raises(PayloadInvalid):
        is_rebirth_request(b"reboot")


TOPIC = "spBv1.0/STATE/hub"


@pytest.mark.parametrize(("said", "online"), [
    ([b'{"online":true,"timestamp":5}'], True),
    ([b'{"online":true,"timestamp":5}', b'{"online":false,"timestamp":4}'], True),
    ([b'{"online":true,"timestamp":5}', b'{"online":false,"timestamp":5}'], False),
    ([b'{"online":false,"timestamp":5}', b'{"online":true,"timestamp":6}'], True),
    ([b"ONLINE"], False),
    ([b'{"online":"true","timestamp":5}'], False),
    ([b'{"online":true}'], False),
    ([b'{"online":true,"timestamp":true}'], False),
    ([b"[]"], False),
    ([], False),
])
def test_only_a_state_that_is_not_older_counts(said: list[bytes], online: bool) -> None:
    host = PrimaryHost("hub")
    for payload in said:
        host.apply(TOPIC, payload)
    assert host.online is online


def test_another_host_s_state_is_nobody_s_business() -> None:
    host = PrimaryHost("hub")
    assert not host.apply("spBv1.0/STATE/other", b'{"online":true,"timestamp":5}')
    assert not host.online
    assert PrimaryHost(None).online
