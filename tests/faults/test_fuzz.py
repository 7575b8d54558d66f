"""Generated inputs for every decoder: each is decoded or refused by name, and nothing else.

The quick profile is part of the suite. ``-m long`` runs many more, ``QUIETPIPE_FUZZ`` of each
(default 100,000); what was found is kept as a test of its own, or as an example here.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from collector.config import load_site
from collector.domain.errors import DeviceError, SiteFileError
from collector.domain.events import event_from_json, event_to_json
from collector.domain.messages import LinkRefused, LinkSigner
from collector.forward.sparkplug import Payload, PayloadInvalid, decode, encode
from collector.people.sessions import SessionManager
from collector.recorded import RecordingError, read_columns, read_recordings
from collector.sources import PointSettings, width
from collector.sources import decode as decode_point
from collector.sources.line import OutOfStep, take_frame
from collector.sources.pdu import Framing, ReadRequest, build_frame, check_outgoing, parse_reply
from tests.config.conftest import PROFILE, SITE
from tests.faults.messages import ALARM, ESTIMATE, FACT
from tests.faults.test_sign_in import ManualClock
from tests.forward.sparkplug.test_payload import METRICS

LONG = int(os.environ.get("QUIETPIPE_FUZZ", "100000"))
QUICK = examples(max_examples=150, deadline=None, derandomize=True,
                 suppress_health_check=list(HealthCheck))
MANY = examples(max_examples=LONG, deadline=None, suppress_health_check=list(HealthCheck))

Check = Callable[[Any], None]


def changed(good: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """Bytes, good ones with a few changed, cut, doubled, or joined."""
    @st.composite
    def spoilt(draw: st.DrawFn) -> bytes:
        data = bytearray(draw(good))
        for _ in range(draw(st.integers(0, 4))):
            at = draw(st.integers(0, max(len(data) - 1, 0)))
            kind = draw(st.integers(0, 3))
            if kind == 0 and data:
                data[at] = draw(st.integers(0, 255))
            elif kind == 1:
                del data[at:at + draw(st.integers(1, 8))]
            elif kind == 2:
                data[at:at] = draw(st.binary(max_size=8))
            else:
                data[at:at] = data[at:at + draw(st.integers(1, 40))]
        return bytes(data)
    return st.one_of(st.binary(max_size=300), spoilt())


# -- the wire -------------------------------------------------------------------------------------

@st.composite
def requests(draw: st.DrawFn) -> ReadRequest:
    table = draw(st.sampled_from(["coils", "discrete-inputs", "input-registers",
                                  "holding-registers"]))
    count = draw(st.integers(1, 2000 if table in ("coils", "discrete-inputs") else 125))
    return ReadRequest(unit=draw(st.integers(0, 255)), table=table, count=count,
                       address=draw(st.integers(0, 65536 - count)))


def replied(request: ReadRequest) -> bytes:
    return bytes([request.function_code, request.reply_bytes]) + bytes(request.reply_bytes)


def check_frame(given_: tuple[bytes, Framing]) -> None:
    data, framing = given_
    buffer = bytearray(data)
    with contextlib.suppress(OutOfStep):
        while True:
            before = len(buffer)
            frame = take_frame(buffer, framing)
            if frame is None:
                assert len(buffer) == before
                return
            assert len(buffer) < before
            assert len(frame.pdu) <= 257


def check_reply(given_: tuple[ReadRequest, bytes]) -> None:
    request, pdu = given_
    with contextlib.suppress(DeviceError):
        values = parse_reply(request, pdu)
        assert len(values) == request.count
        assert all(0 <= v <= (1 if request.is_bits else 65535) for v in values)
        assert pdu[0] == request.function_code


def check_request(request: ReadRequest) -> None:
    for framing in Framing:
        frame = build_frame(request, framing)
        check_outgoing(frame, framing)
        assert frame[7 if framing is Framing.TCP else 1] in (1, 2, 3, 4)


FRAMES = st.tuples(changed(requests().map(lambda r: (
    b"\0\1\0\0" + (len(replied(r)) + 1).to_bytes(2, "big") + bytes([r.unit]) + replied(r))[:300])),
    st.sampled_from(list(Framing)))
REPLIES = requests().flatmap(lambda r: st.tuples(st.just(r), changed(st.just(replied(r)))))


# -- register maps --------------------------------------------------------------------------------

NUMBER = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e12, max_value=1e12)


@st.composite
def mapped(draw: st.DrawFn) -> tuple[PointSettings, list[int]]:
    kind = draw(st.sampled_from(["int16", "uint16", "int32", "uint32", "int64", "uint64",
                                 "float32", "float64", "bit", "text"]))
    point = PointSettings(
        point="gen1.tank_pressure", table="holding-registers", type=kind,
        length=draw(st.integers(1, 8)) if kind == "text" else 1,
        bit=draw(st.integers(0, 15)) if kind == "bit" else None,
        word_order=draw(st.sampled_from(["high-first", "low-first"])),
        byte_order=draw(st.sampled_from(["high-first", "low-first"])),
        scale=draw(NUMBER), offset=draw(NUMBER), factor=draw(NUMBER), shift=draw(NUMBER),
        invalid=tuple(draw(st.lists(NUMBER, max_size=3))),
        low=draw(st.none() | NUMBER), high=draw(st.none() | NUMBER),
        values=draw(st.dictionaries(st.text(max_size=4), NUMBER, max_size=3)))
    size = width(point) if draw(st.integers(0, 9)) else draw(st.integers(0, 9))
    return point, draw(st.lists(st.integers(0, 65535), min_size=size, max_size=size))


def check_point(given_: tuple[PointSettings, list[int]]) -> None:
    point, raw = given_
    found = decode_point(point, raw)
    assert found.value is None or math.isfinite(found.value)
    assert found.value is not None or found.why
    if found.value is not None and not found.why and not point.values:
        assert point.low is None or found.value >= point.low
        assert point.high is None or found.value <= point.high


# -- files ----------------------------------------------------------------------------------------

def check_site(data: bytes) -> None:
    load(data, PROFILE.encode())


def check_profile(data: bytes) -> None:
    load(SITE.encode(), data)


def load(site: bytes, profile: bytes) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "site.toml").write_bytes(site)
        (folder / "generator-a.toml").write_bytes(profile)
        with contextlib.suppress(SiteFileError):
            config = load_site(folder / "site.toml", secrets=False)
            assert config.plant.site.id
            repr(config)


WORDS = ["=", "\"", "[", "]", "[[", "{", "}", "\n", "#", "true", "-1", "0", "1e400", "nan", "inf",
         "1_0", "'''", "2026-03-01", "psi", "\\u0000", "\\ud800", "é", "\x00", "0x10", "[site]",
         "[conditions.pressure-low]", "id = \"gen1\"", "unit = 300", "9" * 40]


def toml(text: str) -> st.SearchStrategy[bytes]:
    """A file with lines left out, doubled, moved, or words put in."""
    lines = text.splitlines(keepends=True)

    @st.composite
    def spoilt(draw: st.DrawFn) -> bytes:
        made = list(lines)
        for _ in range(draw(st.integers(1, 4))):
            at, kind = draw(st.integers(0, len(made) - 1)), draw(st.integers(0, 3))
            if kind == 0 and len(made) > 1:
                del made[at]
            elif kind == 1:
                made.insert(draw(st.integers(0, len(made))), made[at])
            elif kind == 2:
                key, sign, _ = made[at].partition("=")
                made[at] = f"{key}{sign} {draw(st.sampled_from(WORDS))}\n"
            else:
                place = draw(st.integers(0, len(made[at])))
                made[at] = made[at][:place] + draw(st.sampled_from(WORDS)) + made[at][place:]
        return "".join(made).encode("utf-8", "replace")
    return spoilt() | changed(st.just(text.encode()))


ROWS = (b"time,point,value,unit,quality,why\n"
        b"2026-03-01T00:10:05Z,gen1.tank_pressure,63.4,psi,good,\n"
        b"1772323806,gen1.mode,nitrogen,,good,\n"
        b"2026-03-01T00:10:07Z,r1.pressure,,,stale,no answer\n"
        b"2026-03-01T00:10:08+01:00,r1.low_air,1,,,\n")


def check_recording(data: bytes) -> None:
    found: list[int | None] = []
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "r.csv"
        path.write_bytes(data)
        for read in (read_recordings, read_columns):
            try:
                batches = list(read([path], unsorted=True))  # type: ignore[operator]
            except RecordingError:
                found.append(None)
            else:
                found.append(sum(len(batch) for batch in batches))
    assert found[0] == found[1], "both ways read the same"


# -- messages -------------------------------------------------------------------------------------

def check_sparkplug(data: bytes) -> None:
    with contextlib.suppress(PayloadInvalid):
        payload = decode(data)
        for metric in payload.metrics:
            repr(metric)


PAYLOADS = st.builds(
    Payload, time=st.none() | st.integers(0, 2**50), seq=st.none() | st.integers(0, 255),
    metrics=st.lists(METRICS, max_size=4).map(tuple)).map(encode)
EVENTS = st.sampled_from([json.dumps({k: v for k, v in e.items() if k not in ("seq", "journal")},
                                     ).encode() for e in (FACT, ALARM, ESTIMATE)])


def check_event(data: bytes) -> None:
    try:
        event = event_from_json(data.decode("utf-8", "replace"))
    except (ValueError, KeyError):
        return
    # What the journal or a file has is taken as it is; what is written of it is read the same.
    with contextlib.suppress(ValueError):
        assert event_from_json(event_to_json(event)) == event


_SIGNER = LinkSigner(b"k" * 32, "fenmoor")


def check_link(data: bytes) -> None:
    with pytest.raises(LinkRefused):
        _SIGNER.read(data.decode("latin-1"), 0)


_KEEPER = SessionManager(None, ManualClock(1))


def check_session(data: bytes) -> None:
    text = data.decode("latin-1")
    assert _KEEPER.find(text) is None


CASES: dict[str, tuple[st.SearchStrategy[Any], Check]] = {
    "frames": (FRAMES, check_frame),
    "replies": (REPLIES, check_reply),
    "requests": (requests(), check_request),
    "register maps": (mapped(), check_point),
    "site files": (toml(SITE), check_site),
    "profiles": (toml(PROFILE), check_profile),
    "recordings": (changed(st.just(ROWS)), check_recording),
    "Sparkplug payloads": (changed(PAYLOADS), check_sparkplug),
    "events": (changed(EVENTS), check_event),
    "links": (changed(st.just(b"WyJmZW5tb29yIl0.YQ")), check_link),
    "sessions": (st.binary(max_size=120), check_session),
}


@pytest.mark.parametrize("name", CASES)
def test_whatever_comes_is_decoded_or_refused(name: str) -> None:
    source, check = CASES[name]
    QUICK(given(source)(check))()


@pytest.mark.long
@pytest.mark.timeout(36_000)
@pytest.mark.parametrize("name", CASES)
def test_whatever_comes_is_decoded_or_refused_many_times(name: str) -> None:
    source, check = CASES[name]
    MANY(given(source)(check))()


@example("[1]")
@example("null")
@example('{"time": 5, "site": "x", "kind": "well", "text": ""}')
@example('{"time": "2026-03-01T00:00:00Z", "site": "x", "kind": ["alarm"], "text": ""}')
@example("[" * 100_000)
@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.sampled_from([*ALARM, *ESTIMATE]), inner, max_size=8), max_leaves=12).map(json.dumps))
@QUICK
def test_json_of_any_shape_is_an_event_or_none(text: str) -> None:
    check_event(text.encode())
