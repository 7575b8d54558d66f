"""The payload against a vector and a decoder that are not ours."""

from __future__ import annotations

import pytest
from esio_spb_builder.core.sparkplug_b_pb2 import DataType as OpenDataType
from hypothesis import given
from hypothesis import strategies as st

from collector.forward.sparkplug import (
    DataType,
    Metric,
    Payload,
    PayloadInvalid,
    decode,
    encode,
)
from tests.forward.support import decoded

# Built with the reference implementation of the Sparkplug project (tahu) from the same values.
VECTOR = bytes.fromhex("08eaf2f5a8a02b120c0a017820092801650000c03f1802")
SAID = Payload(time=1486144502122, seq=2, metrics=(
    Metric(name="x", datatype=DataType.FLOAT, value=1.5, historical=True),
))


def test_the_reference_implementation_s_bytes() -> None:
    assert encode(SAID) == VECTOR
    assert decode(VECTOR) == SAID


@pytest.mark.parametrize("datatype", list(DataType))
def test_numbers_of_datatypes_are_the_open_schema_s(datatype: DataType) -> None:
    names = {name.lower(): number for name, number in OpenDataType.items()}
    assert names[datatype.name.replace("_", "").lower()] == datatype


VALUES = st.one_of(
    st.tuples(st.just(DataType.DOUBLE), st.floats(allow_nan=False)),
    st.tuples(st.just(DataType.BOOLEAN), st.booleans()),
    st.tuples(st.just(DataType.STRING), st.text()),
    st.tuples(st.just(DataType.INT64), st.integers(-2**63, 2**63 - 1)),
    st.tuples(st.just(DataType.INT32), st.integers(-2**31, 2**31 - 1)),
    st.tuples(st.just(DataType.UINT32), st.integers(0, 2**32 - 1)),
    st.tuples(st.sampled_from(DataType), st.none()),
)
METRICS = st.builds(
    lambda name, alias, time, typed, historical, unit: Metric(
        name=name, alias=alias, time=time, datatype=typed[0], value=typed[1],
        historical=historical, properties={"unit": unit, "Quality": 192}),
    st.text(), st.none() | st.integers(0, 2**63), st.none() | st.integers(0, 2**50), VALUES,
    st.booleans(), st.text(),
)


@given(st.builds(Payload, time=st.none() | st.integers(0, 2**50), seq=st.none() | st.integers(
    0, 255), metrics=st.lists(METRICS, max_size=4).map(tuple)))
def test_what_is_written_is_read_by_us_and_by_another(payload: Payload) -> None:
    data = encode(payload)
    assert decode(data) == payload
    other = decoded(data)
    assert other.HasField("seq") == (payload.seq is not None)
    for metric, read in zip(payload.metrics, other.metrics, strict=True):
        assert read.name == metric.name
        assert read.HasField("alias") == (metric.alias is not None)
        assert read.datatype == metric.datatype
        assert read.is_historical == metric.historical
        assert read.is_null == (metric.value is None)
        if metric.value is not None:
            held = getattr(read, read.WhichOneof("value"))
            bits = {DataType.INT32: 32, DataType.INT64: 64}.get(metric.datatype, 0)
            assert held == (metric.value % 2**bits if bits else metric.value)
        assert list(read.properties.keys) == ["unit", "Quality"]
        assert read.properties.values[0].type == DataType.STRING
        assert read.properties.values[1].int_value == 192
        assert read.properties.values[1].type == DataType.INT32


@pytest.mark.parametrize("data", [b"\xff", b"\x12\x05\x01", b"online"])
def test_other_bytes_are_refused(data: bytes) -> None:
    with pytest.raises(PayloadInvalid):
        decode(data)
