"""Finding devices and their registers on real Modbus, with a recorder on the wire."""

import asyncio

import pytest

from collector.clock import ScaledClock
from collector.commissioning.images import moved, read_image, texts
from collector.commissioning.questions import PAUSE, PacedClient, Stopped, Vanished
from collector.commissioning.unit_search import Explored, explore, find_units, line_settings
from collector.config.field_types import parse_address
from collector.sources import Address
from simulators.unknown_maps import STYLES, Answering, draw_controller, serve_rtu, serve_tcp
from tests.wire import WireRegistry, pty_tap, tcp_tap

SPEED = 40.0


def clock():
    return ScaledClock(origin=1_772_323_200_000, speed=SPEED)


def answering(controllers, ticking):
    return Answering(controllers, lambda: ticking.monotonic() / 1000)


def existing(controller):
    return {t: sorted(cells) for t, cells in controller.image(0).items() if cells}


@pytest.mark.slow
@pytest.mark.parametrize("style", range(len(STYLES)))
async def test_every_address_that_exists_is_found_and_nothing_is_hurried(style):
    ticking = clock()
    controller = draw_controller(style)
    device = answering([controller], ticking)
    registry = WireRegistry()
    async with serve_tcp(device) as address:
        port = int(address.rsplit(":", 1)[1])
        async with tcp_tap("127.0.0.1", port, registry=registry) as tap:
            client = PacedClient(parse_address(f"tcp://127.0.0.1:{tap}"), ticking)
            explored = Explored()
            await explore(client, controller.unit, explored)
            image = await read_image(client, controller.unit, explored)
            await client.close()
    assert {t: a for t, a in explored.present.items() if a} == existing(controller)
    assert {t: sorted(cells) for t, cells in image.tables.items()} == existing(controller)
    assert registry.function_codes() <= {1, 2, 3, 4}
    registry.check()
    assert device.hangs == 0
    times = [asked[0] for asked in device.asked]
    gaps = [b - a for a, b in zip(times, times[1:], strict=False)]
    # Three in a second at most; the recorder's own clock may be a turn of the loop late.
    assert sorted(gaps)[len(gaps) // 100] > 0.25
    assert len(times) / (times[-1] - times[0]) < 1000 / PAUSE


async def test_units_behind_one_address_are_found_on_rtu_over_tcp():
    ticking = clock()
    controllers = [draw_controller(4), draw_controller(5)]
    controllers[0].unit, controllers[1].unit = 3, 7
    device = answering(controllers, ticking)
    async with serve_tcp(device, rtu=True) as address:
        client = PacedClient(parse_address(address), ticking)
        found = await find_units(client, range(1, 10))
        await client.close()
    assert found == [3, 7]


async def test_baud_rate_and_unit_are_found_on_a_serial_line():
    ticking = clock()
    controller = draw_controller(0)
    device = answering([controller], ticking)
    registry = WireRegistry()
    found = []
    async with serve_rtu(device, baud=19200) as path:
        for address in list(line_settings(path))[:6]:
            client = PacedClient(address, ticking)
            units = await find_units(client, [1, 2])
            await client.close()
            if units:
                found.append((address.baud, address.parity, units))
        async with pty_tap(path, registry=registry) as tapped:
            client = PacedClient(Address(kind="rtu", path=tapped, parity="none"), ticking)
            image = await read_image(client, controller.unit, Explored(
                present={"input-registers": existing(controller)["input-registers"]}))
            await client.close()
    # A pty refuses parity, so only "none" can be found on one; even and odd were tried and passed.
    assert found == [(19200, "none", [controller.unit])]
    assert image.tables["input-registers"].keys() == set(existing(controller)["input-registers"])
    assert registry.function_codes() <= {1, 2, 3, 4}


async def test_a_stop_is_heeded_before_the_next_question():
    ticking = clock()
    device = answering([draw_controller(0)], ticking)
    explored = Explored()
    async with serve_tcp(device) as address:
        stopping = False
        client = PacedClient(parse_address(address), ticking, stop=lambda: stopping)
        task = asyncio.create_task(explore(client, 1, explored))
        while len(device.asked) < 5:  # noqa: ASYNC110 - the server has no event
            await asyncio.sleep(0.001)
        stopping = True
        asked = len(device.asked)
        with pytest.raises(Stopped):
            await task
        assert len(device.asked) <= asked + 1
        blocks = list(explored.done)
        stopping = False
        await explore(client, 1, explored)  # and on from where it was
        await client.close()
    assert explored.done[:len(blocks)] == blocks
    assert {t: a for t, a in explored.present.items() if a} == existing(draw_controller(0))


async def test_a_device_that_vanishes_leaves_no_address_called_absent():
    ticking = clock()
    controller = draw_controller(1)
    device = answering([controller], ticking)
    explored = Explored()
    async with serve_tcp(device) as address:
        client = PacedClient(parse_address(address), ticking)
        task = asyncio.create_task(explore(client, controller.unit, explored))
        while len(device.asked) < 30:  # noqa: ASYNC110 - the server has no event
            await asyncio.sleep(0.001)
        device.gone = True
        with pytest.raises(Vanished):
            await task
        device.gone = False
        await explore(client, controller.unit, explored)
        await client.close()
    assert {t: a for t, a in explored.present.items() if a} == existing(controller)


async def test_what_moved_and_what_is_text_is_seen():
    controller = draw_controller(0)
    ticking = clock()
    device = answering([controller], ticking)
    explored = Explored(present=existing(controller))
    async with serve_tcp(device) as address:
        client = PacedClient(parse_address(address), ticking)
        images = [await read_image(client, controller.unit, explored) for _ in range(3)]
        await client.close()
    places = moved(images)
    tank = controller.truth()["gen1.tank_pressure"][0]
    stuck = next(c for c in controller.cells if c.name == "stuck")
    assert (tank.table, tank.address) in places
    assert (stuck.table, stuck.address) not in places
    assert any(text.startswith("NU-7B") for _, _, text in texts(images[0]))

