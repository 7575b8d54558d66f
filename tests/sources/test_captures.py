"""Published packet captures: every reply to a read decodes as other tools say, or is an error.

Captures and expected logs: cisagov/icsnpp-modbus and zeek/zeek, BSD-3. They are not in the clone.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import dpkt
import pytest

from collector.domain.errors import DeviceError, DeviceRefused, DeviceReplyInvalid
from collector.sources.line import Frame, take_frame
from collector.sources.pdu import FUNCTION_CODES, Framing, ReadRequest, parse_reply

pytestmark = pytest.mark.data

TABLES = {code: table for table, code in FUNCTION_CODES.items()}
Flow = tuple[bytes, int, bytes, int]


@dataclass
class Exchange:
    client_port: int
    request: ReadRequest
    reply: Frame


@pytest.fixture(scope="session")
def captures(open_data: Path) -> Path:
    folder = open_data / "modbus_captures"
    if not folder.is_dir():
        pytest.skip("the packet captures are not in this clone")
    return folder


def segments(file: Path) -> Iterator[tuple[Flow, bytes]]:
    """Yield flow and payload of each TCP segment, repeated ones once."""
    seen: set[tuple[Flow, int, bytes]] = set()
    with file.open("rb") as handle:
        for _, packet in dpkt.pcap.Reader(handle):
            layer = dpkt.ethernet.Ethernet(packet).data
            tcp = getattr(layer, "data", None)
            if not isinstance(tcp, dpkt.tcp.TCP) or not tcp.data:
                continue
            flow = (layer.src, tcp.sport, layer.dst, tcp.dport)
            key = (flow, tcp.seq, bytes(tcp.data))
            if key not in seen:
                seen.add(key)
                yield flow, bytes(tcp.data)


def frames(file: Path) -> Iterator[tuple[Flow, Frame]]:
    """Yield Modbus frames in the order in which they became complete."""
    buffers: dict[Flow, bytearray] = defaultdict(bytearray)
    for flow, payload in segments(file):
        buffers[flow] += payload
        try:
            while (frame := take_frame(buffers[flow], Framing.TCP)) is not None:
                yield flow, frame
        except DeviceReplyInvalid:
            buffers[flow].clear()  # out of step: the bus would open the connection anew


def exchanges(file: Path) -> list[Exchange]:
    """Pair read requests with what came back under the same transaction and unit."""
    asked: dict[tuple[Flow, int], ReadRequest] = {}
    found = []
    for flow, frame in frames(file):
        source, sport, target, dport = flow
        if dport == 502:
            request = as_request(frame)
            if request is not None:
                asked[flow, frame.transaction] = request
        elif (back := asked.pop(((target, dport, source, sport), frame.transaction), None)):
            found.append(Exchange(dport, back, frame))
    return found


def as_request(frame: Frame) -> ReadRequest | None:
    if len(frame.pdu) != 5 or frame.pdu[0] not in TABLES:
        return None
    try:
        return ReadRequest(
            unit=frame.unit, table=TABLES[frame.pdu[0]],
            address=int.from_bytes(frame.pdu[1:3], "big"),
            count=int.from_bytes(frame.pdu[3:5], "big"),
        )
    except ValueError:
        return None


NAMES = {
    "READ_COILS": 1, "READ_DISCRETE_INPUTS": 2,
    "READ_HOLDING_REGISTERS": 3, "READ_INPUT_REGISTERS": 4,
}


def test_every_read_reply_has_the_listed_values(captures: Path) -> None:
    listed = []
    for line in (captures / "icsnpp_expected_modbus_detailed.log").read_text().splitlines():
        cells = line.split("\t")
        if line.startswith("#") or cells[8] not in NAMES:
            continue
        values = None if cells[12] == "-" else tuple(int(v) for v in cells[12].split(","))
        listed.append((int(cells[6]), int(cells[7]), NAMES[cells[8]], int(cells[9]),
                       int(cells[10]), values, cells[19]))
    found = []
    for exchange in exchanges(captures / "icsnpp_modbus_example.pcap"):
        request, reply = exchange.request, exchange.reply
        assert reply.unit == request.unit
        values, words = None, "-"
        try:
            values = parse_reply(request, reply.pdu)
        except DeviceRefused as refusal:
            words = {2: "ILLEGAL_DATA_ADDRESS"}[refusal.code]
        found.append((reply.transaction, request.unit, request.function_code, request.address,
                      request.count, values, words))
    assert len(found) == 9
    assert sum(v is not None for *_, v, _ in found) == 8
    assert sorted(found, key=str) == sorted(listed, key=str)


def test_coils_port_by_port(captures: Path) -> None:
    text = (captures / "zeek_expected_coil_parsing_small_output").read_text()
    listed = {}
    pattern = r"modbus_read_coils_response, \[orig_h=[^,]*, orig_p=(\d+)/tcp.*?\], \[([TF, ]+)\]"
    for port, bits in re.findall(pattern, text):
        listed[int(port)] = tuple(int(b == "T") for b in bits.split(", "))
    found = {
        e.client_port: parse_reply(e.request, e.reply.pdu)
        for e in exchanges(captures / "zeek_modbusSmall.pcap")
    }
    assert len(listed) == 8
    # The log shows whole bytes; three coils were asked, and the padding is not ours to give.
    assert found == {port: bits[:3] for port, bits in listed.items()}


def test_fuzzed_bytes_are_errors_never_values(captures: Path) -> None:
    """Every frame of the fuzzed capture, of either side, held against many questions."""
    file = captures / "zeek_fuzz-72.pcap"
    questions = [
        ReadRequest(unit=1, table=table, address=0, count=count)
        for table in FUNCTION_CODES for count in (1, 2, 3, 8, 10, 16, 100)
    ]
    outcome: Counter[str] = Counter()
    for _, frame in frames(file):
        for question in questions:
            try:
                parse_reply(question, frame.pdu)
                outcome["value"] += 1
            except DeviceError as error:
                outcome[type(error).__name__] += 1
    assert outcome["value"] == 0
    assert outcome["DeviceReplyInvalid"] > 0


def test_every_cut_and_every_changed_count_of_a_real_reply_is_an_error(captures: Path) -> None:
    for exchange in exchanges(captures / "icsnpp_modbus_example.pcap"):
        pdu = exchange.reply.pdu
        if pdu[0] & 0x80:
            continue
        wrong = [pdu[:n] for n in range(len(pdu))]
        wrong += [bytes([pdu[0], n]) + pdu[2:] for n in range(256) if n != pdu[1]]
        wrong += [bytes([n]) + pdu[1:] for n in range(256) if n != pdu[0]]
        for broken in wrong:
            with pytest.raises(DeviceError):
                parse_reply(exchange.request, broken)
