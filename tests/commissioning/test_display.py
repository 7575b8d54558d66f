"""What a display tells of twelve drawn controllers: the right register, or all that fit, named."""

import pytest

from collector.commissioning.matching import Outlook
from simulators.unknown_maps import draw_controller
from tests.commissioning.drive import image_at, is_true, match_point, quantity_of, readings_of
from tests.commissioning.outcomes import commission

TIMES = (20, 110, 230)
POINTS = ("gen1.tank_pressure", "gen1.product_oxygen", "gen1.running_hours", "gen1.start_count",
          "gen1.dew_point", "gen1.cabinet_temperature", "r1.pressure")


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("point", POINTS)
def test_three_readings_leave_the_right_register_and_only_what_fits(seed, point):
    controller = draw_controller(seed)
    match = match_point(controller, point, TIMES)
    cells = controller.truth()[point]
    named = [c for family in match.families for c in family.candidates]
    assert any(is_true(cell, c) for cell in cells for c in named), "the true one is not named"
    if match.outlook in (Outlook.FOUND, Outlook.WEAK):
        assert any(is_true(cell, c) for cell in cells for c in match.families[0].candidates)
    # What is named beside it gives every shown value too: the display does not tell them apart.
    for family in match.families:
        for reading in readings_of(controller, point, TIMES):
            values = family.best.values(reading.images)
            step = max(family.best.decoding.step, reading.shown.step)
            assert min(values) - step <= reading.shown.value <= max(values) + step


@pytest.mark.parametrize("seed", range(12, 36))
def test_without_its_register_a_point_is_never_called_found(seed):
    """The true register is not among those searched: what is left by chance must be doubted."""
    controller = draw_controller(seed)
    for point in POINTS:
        gone = {(c.table, c.address + n) for c in controller.truth()[point]
                for n in range(c.width)}
        found = match_without(controller, point, gone)
        assert found.outlook is not Outlook.FOUND, (point, [str(f.best) for f in found.families])


def match_without(controller, point, gone):
    from collector.commissioning.images import Image
    from collector.commissioning.matching import DisplayReading, match

    def without(image):
        return Image(began=image.began, ended=image.ended, tables={
            t: {a: v for a, v in cells.items() if (t, a) not in gone}
            for t, cells in image.tables.items()})
    readings = [DisplayReading(shown=r.shown, images=tuple(map(without, r.images)))
                for r in readings_of(controller, point, TIMES)]
    return match(readings, limits=quantity_of(point).limits)


def test_a_counter_that_looks_like_the_pressure_is_out_once_the_pressure_turns():
    controller = draw_controller(0)
    counter = next(c for c in controller.cells if c.name == "counter")
    match = match_point(controller, "gen1.tank_pressure", TIMES)
    places = {(c.table, c.address) for f in match.families for c in f.candidates}
    assert (counter.table, counter.address) not in places


def test_mirrored_registers_are_both_named():
    controller = draw_controller(2)
    match = match_point(controller, "gen1.tank_pressure", TIMES)
    assert match.outlook is Outlook.SEVERAL
    assert match.same
    first = {f.best.address for f in match.families}
    assert {abs(c.address - min(first)) <= 1 or abs(c.address - max(first)) <= 1
            for c in controller.truth()["gen1.tank_pressure"]} == {True}


def test_a_misread_display_is_named_and_the_others_still_count():
    controller = draw_controller(0)
    from collector.commissioning.decodings import parse_shown
    from collector.commissioning.matching import DisplayReading, match
    readings = readings_of(controller, "gen1.tank_pressure", (*TIMES, 330))
    readings[1] = DisplayReading(shown=parse_shown("17.4 psi", "psi"), images=readings[1].images)
    found = match(readings, limits=quantity_of("gen1.tank_pressure").limits)
    assert found.without == "17.4 psi"
    assert any(is_true(controller.truth()["gen1.tank_pressure"][0], c)
               for c in found.families[0].candidates)


def test_a_value_that_turned_between_two_images_is_not_lost():
    from collector.commissioning.decodings import parse_shown
    from collector.commissioning.images import Image
    from collector.commissioning.matching import DisplayReading, match

    def at(second, tenths):
        return Image(began=second * 1000, ended=second * 1000,
                     tables={"input-registers": {3: tenths, 4: 17}})
    # Cut-out at 80.0 psi lies between 78.9 on the way up and 79.3 on the way down.
    up, before, after, down = at(0, 770), at(10, 789), at(20, 793), at(30, 778)
    turning = DisplayReading(shown=parse_shown("80.0 psi", "psi"), images=(before, after),
                             context=(up, before, after, down))
    other = DisplayReading(shown=parse_shown("66.1 psi", "psi"), images=(at(90, 661), at(95, 660)))
    found = match([turning, other], limits=(-15, 1000))
    assert [f.best.address for f in found.families] == [3]
    # Without a turn there is no such allowance.
    rising = DisplayReading(shown=parse_shown("80.0 psi", "psi"), images=(before, after),
                            context=(up, before, after, at(30, 796)))
    assert not any(c.decoding.byte_order == "high-first" for f in match(
        [rising], limits=(-15, 1000)).families for c in f.candidates)


def test_a_value_that_stayed_is_not_called_found_though_one_is_left():
    controller = draw_controller(0)
    readings = readings_of(controller, "gen1.product_oxygen", (20, 21, 22))
    from collector.commissioning.matching import match
    found = match(readings, limits=(0, 100))
    assert found.outlook in (Outlook.WEAK, Outlook.SEVERAL)


def test_the_images_are_what_the_map_says():
    controller = draw_controller(1)
    cell = controller.truth()["gen1.tank_pressure"][0]
    image = image_at(controller, 50)
    assert image.words(cell.table, cell.address, cell.width) == cell.words(50)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 5])
def test_the_whole_dialogue_finds_what_the_display_tells_apart(seed, tmp_path):
    run = commission(seed, tmp_path)
    assert run.codes <= {1, 2, 3, 4}
    assert run.hangs == 0
    assert run.most_a_second <= 3
    for row in run.rows:
        assert row.true != "WRONG", row
        if row.outlook is Outlook.FOUND:
            assert row.true in ("right", "alike"), row
    assert sum(row.outlook is Outlook.FOUND for row in run.rows) >= 4
