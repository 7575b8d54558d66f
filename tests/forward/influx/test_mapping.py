"""What commits become, against the contract: measurements, tags, fields, times."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass

import pytest

from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Event,
    Priority,
    Signal,
    SystemEvent,
    Transition,
)
from collector.domain.readings import QUANTITIES, Quality, Reading, point_kind
from collector.forward.influx import FIELDS, TAGS, InfluxMapping
from tests.forward.influx.conftest import PLANT, T0, poll, reading
from tests.forward.influx.protocol import parse


@dataclass(frozen=True)
class Stored:
    event: Event
    seq: int = 1


@dataclass(frozen=True)
class Made:
    readings: tuple[Reading, ...] = ()
    events: tuple[Stored, ...] = ()
    number: int = 1
    gap: None = None


def mapped(*readings: Reading, events: tuple[Event, ...] = ()):
    return InfluxMapping(PLANT).of([Made(readings, tuple(Stored(e) for e in events))])


def points(*readings: Reading, events: tuple[Event, ...] = ()):
    return [p for line in mapped(*readings, events=events).lines for p in parse(line)]


def moved(transition: Transition, **more) -> AlarmTransition:
    return AlarmTransition(**{
        "time": T0, "site": "fenmoor", "condition": "pressure-low", "asset": "r1",
        "transition": transition, "priority": Priority.HIGH, "signal": Signal.SUPERVISORY,
        "since": T0 - 5000, "text": 'Low, "very" low.', "id": "pressure-low.r1.1",
        "values": {"pressure_psi": 17.5, "riser": "r1"}, **more})


def test_one_line_for_each_thing_and_instant():
    found = {p.measurement: p for p in points(*poll(T0 + 1000))}
    assert set(found) == {"generator", "riser", "vent", "room"}
    assert found["generator"].tags == (("asset", "gen1"), ("site", "fenmoor"))
    assert found["generator"].time == T0 + 1000
    assert set(found["generator"].fields) == {"tank_pressure", "compressor_running", "mode"}
    assert all(isinstance(v, float) for v in found["generator"].fields.values())


def test_what_is_not_trusted_stays_at_home():
    made = mapped(
        reading("r1.pressure", T0, 25.0), reading("r1.pipe_temperature", T0, None,
                                                  quality=Quality.STALE, why="no answer"),
        reading("r1.low_air", T0, 1.0, quality=Quality.BAD, why="out of range"),
    )
    assert (made.withheld, made.dead_letters) == (2, ())
    (point,) = parse(made.lines[0])
    assert point.fields == {"pressure": 25.0}


def test_a_number_nobody_can_write_is_set_aside_and_the_rest_goes():
    made = mapped(reading("r1.pressure", T0, math.nan), reading("gen1.tank_pressure", T0, 70.0))
    assert len(made.lines) == 1
    assert "not a finite number" in made.dead_letters[0].why


def test_a_thing_that_left_the_site_file_is_set_aside():
    made = mapped(reading("r9.pressure", T0), reading("r1.oxygen", T0))
    assert made.lines == ()
    assert [a.why for a in made.dead_letters] == ["the site file has no such point"] * 2


def test_alarms_keep_everything_they_say():
    events = (moved(Transition.RAISED), moved(Transition.ACKNOWLEDGED, by="Ada", why="seen"),
              moved(Transition.SHELVED, by="Ada", until=T0 + 9000), moved(Transition.RETURNED))
    found = {dict(p.tags)["transition"]: p for p in points(events=events)}
    raised = found["raised"]
    assert raised.measurement == "alarm"
    assert dict(raised.tags) == {"site": "fenmoor", "asset": "r1", "condition": "pressure-low",
                                 "transition": "raised", "priority": "high",
                                 "signal": "supervisory"}
    assert raised.fields["text"] == 'Low, "very" low.'
    assert json.loads(str(raised.fields["values"])) == {"pressure_psi": 17.5, "riser": "r1"}
    assert (raised.fields["standing"], found["returned"].fields["standing"]) == (1.0, 0.0)
    assert "standing" not in found["acknowledged"].fields
    assert (found["acknowledged"].fields["by"], found["shelved"].fields["until"]) == \
        ("Ada", T0 + 9000)


def test_estimates_with_and_without_a_value():
    made, none = points(events=(
        EstimateMade(time=T0, site="fenmoor", quantity="leak-rate", asset="r1", value=2, low=1.5,
                     high=2.5, unit="scfh", window=(T0 - 1000, T0)),
        EstimateMade(time=T0, site="fenmoor", quantity="purge-done-at", asset="r1-vent",
                     value=None, reason="no purge"),
    ))
    assert made.fields == {"value": 2.0, "low": 1.5, "high": 2.5, "window_from": T0 - 1000,
                           "window_to": T0}
    assert isinstance(made.fields["value"], float)
    assert dict(made.tags)["unit"] == "scfh"
    assert (none.fields, "unit" in dict(none.tags)) == ({"reason": "no purge"}, False)


def test_two_that_would_replace_each_other_stand_apart_and_always_alike():
    fact = SystemEvent(time=T0, site="fenmoor", fact="delivery-given-up", text="To one.")
    other = SystemEvent(time=T0, site="fenmoor", fact="delivery-given-up", text="To two.")
    found = points(events=(fact, other))
    assert [(p.time, p.fields["text"]) for p in found] == [(T0, "To one."), (T0 + 1, "To two.")]
    assert found == points(events=(fact, other))


@pytest.mark.parametrize("kind", QUANTITIES)
def test_every_field_of_a_thing_is_a_quantity_of_it(kind):
    assert all(point_kind(kind, field) is not None for field in FIELDS[kind])
    assert set(QUANTITIES[kind]) <= FIELDS[kind]


def test_nothing_is_written_that_is_not_listed():
    events = (
        moved(Transition.SHELVED, by="a", why="b", until=1), moved(Transition.RAISED),
        EstimateMade(time=T0, site="fenmoor", quantity="q", asset="a", value=1.0, low=0.0,
                     high=2.0, unit="psi", window=(0, 1), reason="r"),
        SystemEvent(time=T0, site="fenmoor", fact="f", text="t", asset="gen1", values={"a": 1}),
    )
    fields: dict[str, set[str]] = {}
    tags: dict[str, set[str]] = {}
    for point in points(*poll(T0 + 1000), events=events):
        fields.setdefault(point.measurement, set()).update(point.fields)
        tags.setdefault(point.measurement, set()).update(k for k, _ in point.tags)
    for measurement in ("alarm", "estimate", "fact"):
        assert fields[measurement] == FIELDS[measurement]
        assert tags[measurement] == TAGS[measurement]
    assert all(fields[m] <= FIELDS[m] and tags[m] == TAGS[m] for m in fields)
