"""Line protocol: against its published examples, the client library, and a reader of our own."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.forward.influx import Line
from tests.forward.influx.protocol import parse

# InfluxData, docs-v2, reference of line protocol: the examples of its sections on strings, special
# characters and escapes.
PUBLISHED = [
    (r'my\ Measurement fieldKey="string value"',
     ("my Measurement", (), {"fieldKey": "string value"})),
    (r'myMeasurement fieldKey="\"string\" within a string"',
     ("myMeasurement", (), {"fieldKey": '"string" within a string'})),
    (r"myMeasurement,tag\ Key1=tag\ Value1,tag\ Key2=tag\ Value2 fieldKey=100",
     ("myMeasurement", (("tag Key1", "tag Value1"), ("tag Key2", "tag Value2")),
      {"fieldKey": 100.0})),
]


@pytest.mark.parametrize(("line", "expected"), PUBLISHED)
def test_the_published_examples_read_as_they_say(line, expected):
    (point,) = parse(line)
    assert (point.measurement, point.tags, point.fields) == expected


@pytest.mark.parametrize(("line", "expected"), PUBLISHED)
def test_the_published_examples_are_what_we_write(line, expected):
    measurement, tags, fields = expected
    written = Line(measurement=measurement, tags=dict(tags), fields=fields, time=7).text()
    assert written == line.replace("=100", "=100.0") + " 7"


@pytest.mark.parametrize("bad", ["", "m", "m ", "m f=", "m f=1.2.3 5", 'm f="x 5', "m,t= f=1 5",
                                 "m f=nan 5", "_m f=1", "m,_t=1 f=1", "m f=1 12x", "m,t f=1",
                                 "m f=1 9223372036854775807", "m f=1\n"])
def test_the_reader_has_no_mercy(bad):
    with pytest.raises(ValueError, match="."):
        parse(bad)


# No quotation mark in a name: the description is silent on it, and no name of ours has one.
names = st.text(
    st.characters(codec="utf-8", exclude_characters='\n\r\0"', exclude_categories=("Cs",)),
    min_size=1,
).filter(lambda t: not t.endswith("\\") and t[0] not in "_#"
         and not any(mark in t for mark in (r"\,", r"\ ", r"\=")))
values = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(min_value=-2**63, max_value=2**63 - 1),
    st.text(st.characters(codec="utf-8", exclude_characters="\n\r", exclude_categories=("Cs",))),
)


@example(measurement=",", tags={",": ","}, fields={",": 0.0}, time=0)
@example(measurement="=", tags={"=": "="}, fields={"=": "="}, time=0)
@given(measurement=names, tags=st.dictionaries(names, names, max_size=3),
       fields=st.dictionaries(names, values, min_size=1, max_size=4),
       time=st.integers(min_value=0, max_value=2**53))
def test_what_is_written_is_read_back(measurement, tags, fields, time):
    line = Line(measurement=measurement, tags=tags, fields=fields, time=time)
    (point,) = parse(line.text())
    assert point.measurement == measurement
    assert dict(point.tags) == tags
    assert point.time == time
    assert point.fields == fields
    assert {k: type(v) for k, v in point.fields.items()} == {k: type(v) for k, v in fields.items()}


@settings(deadline=None)  # loading the library is slow
@given(tags=st.dictionaries(names, names, max_size=3),
       fields=st.dictionaries(names, values, min_size=1, max_size=4))
def test_the_client_library_writes_the_same_point(tags, fields):
    from influxdb_client import Point

    theirs = Point("riser").time(5)
    for key, value in tags.items():
        theirs.tag(key, value)
    for key, value in fields.items():
        theirs.field(key, value)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        written = theirs.to_line_protocol()
    # The library escapes tabs to two characters, which read back as those two.
    (a,) = parse(written)
    (b,) = parse(Line(measurement="riser", tags=tags, fields=fields, time=5).text())
    if "\t" not in "".join([*tags, *tags.values(), *fields]):
        assert a == b


@pytest.mark.parametrize("line", [
    Line(measurement="riser", tags={}, fields={}, time=0),
    Line(measurement="riser", tags={}, fields={"pressure": math.nan}, time=0),
    Line(measurement="riser", tags={}, fields={"pressure": math.inf}, time=0),
    Line(measurement="riser", tags={"unit": ""}, fields={"pressure": 1.0}, time=0),
    Line(measurement="riser", tags={"unit": "a\\"}, fields={"pressure": 1.0}, time=0),
    Line(measurement="riser", tags={"unit": "a\nb"}, fields={"pressure": 1.0}, time=0),
])
def test_what_line_protocol_cannot_say_is_refused(line):
    with pytest.raises(ValueError, match="."):
        line.text()
