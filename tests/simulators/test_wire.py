"""Frames against the specification's own examples and against an independent client."""

from __future__ import annotations

import asyncio
import struct
from typing import Any

import crcmod.predefined
import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

from collector.clock import ManualClock
from simulators.registers import REGISTER_SETS, assign
from simulators.scenario import load_scenario
from simulators.testing import PlantServer
from simulators.wire import Ask, answer, crc16, rtu_frame, split_rtu, split_tcp, tcp_frame

PSI_IN_KPA = 6.894757


def _image(**tables: dict[int, int]) -> dict[str, dict[int, int]]:
    names = ("coils", "discrete_inputs", "input_registers", "holding_registers")
    return {n.replace("_", "-"): tables.get(n, {}) for n in names}


def _bits(first: int, *octets: int) -> dict[int, int]:
    return {first + 8 * n + i: octet >> i & 1 for n, octet in enumerate(octets) for i in range(8)}


@pytest.mark.parametrize(("request_", "image", "reply"), [
    ("0100130013", _image(coils=_bits(0x13, 0xCD, 0x6B, 0x05)), "0103CD6B05"),
    ("0200C40016", _image(discrete_inputs=_bits(0xC4, 0xAC, 0xDB, 0x35)), "0203ACDB35"),
    ("03006B0003", _image(holding_registers={0x6B: 0x022B, 0x6C: 0, 0x6D: 0x64}),
     "0306022B00000064"),
    ("0400080001", _image(input_registers={8: 0x0A}), "0402000A"),
])
def test_replies_are_the_specification_s_examples(request_: str, image: Any, reply: str) -> None:
    """Modbus Application Protocol V1.1b3, sections 6.1 to 6.4."""
    assert answer(bytes.fromhex(request_), image, refuses_gaps=False) == bytes.fromhex(reply)


@pytest.mark.parametrize("pdu", [
    "0600010003", "0500ACFF00", "10000100020400010002", "0F0013000A02CD01", "11", "2B0E0100",
    "170003000600", "16000400F2"])
def test_whatever_is_no_read_is_refused_as_an_illegal_function(pdu: str) -> None:
    asked = bytes.fromhex(pdu)
    assert answer(asked, _image(), refuses_gaps=False) == bytes([asked[0] | 0x80, 1])


@pytest.mark.parametrize(("pdu", "code"), [
    ("0300000000", 3), ("030000007E", 3), ("02000007D1", 3), ("0300", 3), ("0300090002", 2),
    ("03FFFF0001", 2), ("0100000001", 2)])
def test_impossible_reads_are_refused(pdu: str, code: int) -> None:
    image = _image(holding_registers={9: 1})
    asked = bytes.fromhex(pdu)
    assert answer(asked, image, refuses_gaps=False) == bytes([asked[0] | 0x80, code])


def test_a_hole_is_zero_or_refused() -> None:
    image = _image(holding_registers={0: 7, 2: 9})
    asked = bytes.fromhex("0300000003")
    assert answer(asked, image, refuses_gaps=False).hex() == "0306000700000009"
    assert answer(asked, image, refuses_gaps=True).hex() == "8302"


@pytest.mark.parametrize("frame", ["1101001300250e84", "110400080001b298", "010300000001840a",
                                   "0a8102b053"])
def test_checksum_agrees_with_published_frames_and_a_reference(frame: str) -> None:
    """Published frames (serial-line guide and its tutorials); crcmod is the reference library."""
    data = bytes.fromhex(frame)
    assert struct.pack("<H", crc16(data[:-2])) == data[-2:]
    assert crc16(data[:-2]) == crcmod.predefined.mkCrcFun("modbus")(data[:-2])


def test_frames_in_pieces_in_a_row_and_after_noise() -> None:
    ask = Ask(unit=17, transaction=0, pdu=bytes.fromhex("0300000001"))
    frame = rtu_frame(ask, ask.pdu)
    buffer = bytearray(frame[:5])
    assert split_rtu(buffer) == []
    buffer += frame[5:] + b"\xff\x00" + frame
    assert split_rtu(buffer) + split_rtu(buffer) == [ask, ask]
    tcp = Ask(unit=1, transaction=513, pdu=ask.pdu)
    stream = bytearray(tcp_frame(tcp, tcp.pdu) * 2 + b"\x00")
    assert split_tcp(stream) == [tcp, tcp]
    assert stream == b"\x00"
    with pytest.raises(ValueError, match="no Modbus TCP header"):
        split_tcp(bytearray(b"GET / HTTP/1.1\r\n"))


def test_a_write_on_a_serial_line_is_whole_and_refused() -> None:
    pdu = bytes.fromhex("10000100020400010002")
    ask = Ask(unit=1, transaction=0, pdu=pdu)
    assert split_rtu(bytearray(rtu_frame(ask, pdu))) == [ask]


def _client(address: str) -> Any:
    kind, _, rest = address.partition(":")
    if kind == "rtu":
        return AsyncModbusSerialClient(rest.partition("?")[0], baudrate=19200, timeout=1, retries=0)
    host, _, port = rest.removeprefix("//").rpartition(":")
    framer = FramerType.RTU if kind == "rtu+tcp" else FramerType.SOCKET
    return AsyncModbusTcpClient(host, port=int(port), framer=framer, timeout=1, retries=0)


async def _ask(client: Any, point: Any, unit: int, words: int) -> Any:
    ask = {"input-registers": client.read_input_registers,
           "holding-registers": client.read_holding_registers,
           "discrete-inputs": client.read_discrete_inputs}[point.table]
    return await ask(point.address, count=words, device_id=unit)


async def _decode(client: Any, point: Any, unit: int, order: str) -> float | str | None:
    """Read one point as a stranger would, by pymodbus' own decoding."""
    if point.type == "bit":
        bit = float((await _ask(client, point, unit, 1)).bits[0])
        return point.values[str(int(bit))] if point.values else bit
    kinds = client.DATATYPE
    kind = getattr(kinds, point.type.upper())
    reply = await _ask(client, point, unit, kind.value[1])
    assert not reply.isError(), reply
    raw = client.convert_from_registers(
        reply.registers, kind, word_order="little" if order == "low-first" else "big")
    if point.values:
        return point.values[str(raw)]
    value = raw * point.scale
    return value / PSI_IN_KPA if point.unit == "kPa" else value


@pytest.mark.parametrize("name", ["demo", "archive-purge", "tripped-riser", "contacts-alone"])
async def test_registers_decode_to_what_the_gauges_say(name: str) -> None:
    """Over real TCP, RTU over TCP, and RTU on a pty, with an independent client."""
    scenario = load_scenario(name)
    clock = ManualClock(scenario.plant.start + 45 * 60_000)
    checked = 0
    async with PlantServer(scenario, clock=clock) as plant:
        for serve in scenario.serve:
            client = _client(plant.addresses[serve.id])
            assert await client.connect()
            for unit in serve.units:
                registers = REGISTER_SETS[unit.registers]
                for point, where in assign(registers.points, unit.watches, plant.stage.kind_of):
                    if point.normally_open is not None:
                        continue
                    seen = await _decode(client, point, unit.unit, registers.word_order)
                    told = plant.read(where)
                    if isinstance(told, float):
                        assert seen == pytest.approx(told, abs=point.scale / 2 + 1e-3), where
                    else:
                        assert seen == told, where
                    checked += 1
            client.close()
    assert checked >= 7


@pytest.fixture
async def talk() -> Any:
    """Serve two like controllers on one line and give the plant, its clock and a client."""
    scenario = load_scenario("bad-manners")
    clock = ManualClock(scenario.plant.start)
    async with PlantServer(scenario, clock=clock, play=False) as plant:
        client = _client(plant.addresses["tcp-1"])
        await client.connect()
        yield plant, clock, client
        client.close()


async def _registers(client: Any, unit: int = 1) -> Any:
    return await client.read_input_registers(0, count=9, device_id=unit)


async def test_manners_on_the_wire(talk: Any) -> None:
    plant, clock, client = talk
    plant.fault("exceptions", device="vents-east", code=6)
    assert (await client.read_input_registers(0, count=1, device_id=1)).exception_code == 6
    plant.fault("exceptions", False, device="vents-east")
    assert not (await client.read_input_registers(0, count=1, device_id=1)).isError()
    plant.fault("silent", device="vents-east")
    with pytest.raises(Exception, match="No response"):
        await client.read_input_registers(0, count=1, device_id=1)
    plant.fault("silent", False, device="vents-east")
    assert not (await client.read_input_registers(0, count=1, device_id=2)).isError()


async def _raw(address: str, frame: bytes, size: int = 256) -> bytes:
    host, _, port = address.rpartition("//")[2].rpartition(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(frame)
    try:
        return await asyncio.wait_for(reader.read(size), 2)
    finally:
        writer.close()
        await writer.wait_closed()


async def test_short_replies_another_unit_s_data_and_delays(talk: Any) -> None:
    plant, _clock, _client_ = talk
    address = plant.addresses["line-1"]
    ask = Ask(unit=1, transaction=0, pdu=bytes.fromhex("0400000004"))
    frame = rtu_frame(ask, ask.pdu)
    whole = await _raw(address, frame)
    assert (whole[0], whole[2], len(whole)) == (1, 8, 13)
    plant.fault("short-replies", device="gen1-controller")
    short = await _raw(address, frame)
    assert (short[0], short[2], len(short)) == (1, 6, 11)
    assert crc16(short[:-2]) == struct.unpack("<H", short[-2:])[0]
    plant.fault("short-replies", False, device="gen1-controller")
    plant.fault("other-unit", device="gen1-controller")
    other = await _raw(address, frame)
    assert other[0] == 2
    assert other != whole
    plant.fault("other-unit", False, device="gen1-controller")
    plant.fault("slow", device="gen1-controller", seconds=0.3)
    began = asyncio.get_running_loop().time()
    assert await _raw(address, frame) == whole
    assert asyncio.get_running_loop().time() - began >= 0.3


async def test_frozen_registers_repeat_counters_included(talk: Any) -> None:
    plant, clock, _ = talk
    address = plant.addresses["line-1"]
    ask = Ask(unit=1, transaction=0, pdu=bytes.fromhex("0400000008"))
    frame = rtu_frame(ask, ask.pdu)
    before = await _raw(address, frame)
    plant.fault("frozen-registers", device="gen1-controller")
    clock.advance(6 * 3_600_000)
    assert await _raw(address, frame) == before
    plant.fault("frozen-registers", False, device="gen1-controller")
    assert await _raw(address, frame) != before


async def test_a_write_is_refused_and_counted(talk: Any) -> None:
    plant, _clock, client = talk
    reply = await client.write_register(0, 1, device_id=1)
    assert reply.exception_code == 1
    assert plant.asked()["vents-east"][6] == 1
    assert plant.statistics().refused == 1


async def test_no_power_no_answer() -> None:
    scenario = load_scenario("black-out")
    clock = ManualClock(scenario.plant.start)
    async with PlantServer(scenario, clock=clock, play=False) as plant:
        client = _client(plant.addresses["tcp-1"])
        await client.connect()
        plant.fault("power-off", generator="gen1")
        with pytest.raises(Exception, match="No response"):
            await client.read_holding_registers(100, count=2, device_id=1)
        client.close()
        contacts = _client(plant.addresses["tcp-2"])
        await contacts.connect()
        power = await contacts.read_discrete_inputs(4, count=2, device_id=1)
        assert power.bits[:2] == [False, True]
        contacts.close()
