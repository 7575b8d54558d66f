"""Contacts and modes: which bit moved when the switch was operated."""

import pytest

from collector.commissioning.images import Image
from collector.commissioning.states import (
    BitPlace,
    StateReading,
    bits_that_follow,
    codes_that_follow,
    form_c,
)
from simulators.unknown_maps import draw_controller
from tests.commissioning.drive import image_at


def image(**bits):
    return Image(began=0, ended=0, tables={"discrete-inputs": dict(enumerate(bits.values())),
                                           "holding-registers": {7: sum(bits.values()), 8: 500}})


def operate(controller, point, times):
    readings = []
    for n, t in enumerate(times):
        controller.switches[point] = bool(n % 2)
        readings.append(StateReading(state=str(n % 2), images=(image_at(controller, t),)))
    return readings


@pytest.mark.parametrize("seed", range(12))
def test_a_form_c_contact_is_found_as_a_pair(seed):
    controller = draw_controller(seed)
    truth = controller.truth()
    legs = form_c(bits_that_follow(operate(controller, "gen1.trouble", [10, 13, 21, 26, 33])))
    assert legs is not None
    assert [(p.table, p.address) for p in legs] == [
        (truth[name][0].table, truth[name][0].address)
        for name in ("gen1.trouble_no", "gen1.trouble_nc")]


@pytest.mark.parametrize("seed", range(12))
def test_a_single_switch_is_no_pair(seed):
    controller = draw_controller(seed)
    places = bits_that_follow(operate(controller, "r1.low_air", [10, 13, 21, 26, 33]))
    cell = controller.truth()["r1.low_air"][0]
    assert places == [BitPlace(table=cell.table, address=cell.address)]
    assert form_c(places) is None


def test_a_switch_that_nobody_operated_is_not_guessed():
    still = [StateReading(state="0", images=(image(a=1, b=0),))] * 3
    assert bits_that_follow(still) == []
    assert codes_that_follow(still) == []


def test_two_switches_that_always_move_together_are_both_named():
    readings = [StateReading(state=str(n), images=(image(a=n, b=n, c=0),)) for n in (0, 1, 0)]
    named = [p for p in bits_that_follow(readings) if p.bit is None]
    assert [p.address for p in named] == [0, 1]


def test_a_bit_of_a_register_follows_too_but_no_bit_of_a_number():
    def register(word, number):
        return Image(began=0, ended=0, tables={"holding-registers": {3: word, 4: number}})
    readings = [StateReading(state="0", images=(register(0b1000, 7011),)),
                StateReading(state="1", images=(register(0b1100, 7344),)),
                StateReading(state="0", images=(register(0b1000, 6899),))]
    assert bits_that_follow(readings) == [BitPlace(table="holding-registers", address=3, bit=2)]


@pytest.mark.parametrize("seed", range(6))
def test_the_mode_register_is_found_by_its_words(seed):
    controller = draw_controller(seed)
    running = controller.truth()["gen1.compressor_running"][0].signal
    readings = [StateReading(state="nitrogen" if running(t) else "off",
                             images=(image_at(controller, t),)) for t in range(0, 900, 97)]
    found = codes_that_follow(readings)
    cells = controller.truth()["gen1.mode"]
    assert [(f.table, f.address) for f in found] == [(c.table, c.address) for c in cells]
    on = 256 if cells[0].byte_order == "low-first" else 1
    assert found[0].words == ((0, "off"), (on, "nitrogen"))
