"""Other meanings of a point's registers and of those beside them."""

from dataclasses import replace

import pytest

from collector.commissioning.hints import Words, alternatives
from collector.commissioning.plausible import Plausibility
from collector.sources import PointSettings
from tests.commissioning.test_plausible import PLANT

TANK = PointSettings(point="gen1.tank_pressure", table="input-registers", address=3, type="int16",
                     scale=0.1)
OXYGEN = PointSettings(point="gen1.product_oxygen", table="input-registers", address=6,
                       type="float32")


def hints(point: PointSettings, words: dict[int, int]) -> list[str]:
    found: Words = {"input-registers": words}
    unit = "psi" if "pressure" in point.point else "%"
    return [a.text + " !" * a.strong
            for a in alternatives(point, found, Plausibility(PLANT), unit)]


@pytest.mark.parametrize(("point", "words", "first"), [
    # 1.83 is 3FEA 3D71.
    (OXYGEN, {6: 0x3D71, 7: 0x3FEA}, "as low-first it would be 1.83 % !"),
    (replace(TANK, scale=1.0), {3: 715}, "with scale = 0.1 it would be 71.5 psi !"),
    (replace(TANK, scale=0.01), {3: 715}, "with scale = 0.1 it would be 71.5 psi !"),
    (TANK, {3: 183, 4: 715}, "the neighbouring address 4 would give 71.5 psi"),
    (TANK, {2: 715, 3: 183}, "the neighbouring address 2 would give 71.5 psi"),
    (TANK, {3: 0xCB02}, "with byte_order low-first it would be 71.5 psi"),
    (replace(TANK, type="uint16"), {3: 0, 4: 715},
     "the neighbouring address 4 would give 71.5 psi"),
])
def test_the_plainest_mistake_comes_first(
    point: PointSettings, words: dict[int, int], first: str,
) -> None:
    assert hints(point, words)[0] == first


def test_a_small_whole_number_is_no_other_order_of_a_large_one() -> None:
    hours = PointSettings(point="gen1.running_hours", table="input-registers", address=3,
                          type="uint32", scale=0.1)
    found = hints(hours, {3: 0, 4: 3})  # a new unit: 0.3 h
    assert found
    assert not [h for h in found if h.endswith("!")]


def test_what_lies_beside_an_empty_tank_speaks_against_nothing() -> None:
    half = replace(TANK, type="uint16")
    found = hints(half, {2: 615, 3: 0, 4: 715, 5: 800})
    assert found
    assert not [h for h in found if h.endswith("!")]


def test_nothing_is_said_of_words_that_are_not_known() -> None:
    assert hints(OXYGEN, {6: 0x3D71}) == []
