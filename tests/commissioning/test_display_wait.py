"""When another reading of a display helps, by what the registers hold meanwhile."""

from types import SimpleNamespace

from collector.clock import ManualClock
from collector.commissioning.decodings import parse_shown
from collector.commissioning.display_wait import Waiting
from collector.commissioning.images import Image
from collector.commissioning.matching import DisplayReading, Outlook, match

POINT = "gen1.tank_pressure"


def at(second, others=0, **cells):
    """An image; ``others`` further registers make it likelier that one fits by chance."""
    held = {int(name[1:]): value for name, value in cells.items()}
    held |= dict.fromkeys(range(100, 100 + others), 9)
    return Image(began=second * 1000, ended=second * 1000, tables={"input-registers": held})


def read(text, *images):
    return DisplayReading(shown=parse_shown(text, "psi"), images=images)


def waiting(readings, images, *, left=2, **more):
    thread = SimpleNamespace(images=images, clock=ManualClock(10_000), is_reading=True)
    found = match(readings, limits=(-15, 1000), **more)
    return found, thread, Waiting(
        thread, 10_000, matches={POINT: found}, last={POINT: readings[-1]}, left={POINT: left},
        states={}, words={POINT: "gen1 tank pressure"})


def test_a_value_that_has_not_moved_is_no_reading_to_take():
    first = at(0, 90, r3=715, r9=700)
    found, thread, wait = waiting([read("71.5", first, first)], [at(20, 90, r3=715, r9=700)])
    assert found.outlook is Outlook.WEAK
    assert wait.helpful() == []
    assert not wait.frame().ready
    assert "moved by" in wait.frame().rows[0][2]
    assert "71.6" not in str(wait.frame().rows)
    thread.images.append(at(30, 90, r3=640, r9=700))
    assert wait.helpful() == wait.worth_reading() == [POINT]
    assert wait.frame().ready
    # What the register holds is never shown: it would be typed in place of the display.
    assert "64" not in str(wait.frame().rows)


def test_as_far_as_a_value_goes_is_far_enough():
    first = at(0, 2000, r3=715)
    _, thread, wait = waiting([read("71.5", first, first)], [at(20, 2000, r3=715)], left=1)
    thread.images += [at(30, 2000, r3=725), at(40, 2000, r3=728)]
    assert wait.helpful() == []
    thread.images.append(at(50, 2000, r3=726))
    assert wait.helpful() == [POINT]


def test_two_registers_that_hold_the_same_now_are_not_told_apart_by_a_reading():
    first = at(0, r3=715, r9=715)
    found, thread, wait = waiting([read("71.5 psi", first, first)], [at(20, r3=600, r9=602)])
    assert found.outlook is Outlook.SEVERAL
    found, thread, wait = waiting(
        [read("71.5 psi", first, at(5, r3=716, r9=715))], [at(20, r3=600, r9=602)])
    thread.images.append(at(30, r3=500, r9=640))
    assert wait.helpful() == [POINT]


def test_a_register_of_another_point_is_not_named_again():
    image = at(0, r3=715, r9=715)
    readings = [read("71.5 psi", image, image)]
    taken = frozenset({("input-registers", 9)})
    places = {c.address for f in match(readings, limits=(-15, 1000), taken=taken).families
              for c in f.candidates}
    assert 3 in places
    assert 9 not in places


def test_what_a_device_writes_alike_has_fewer_wrong_ones_beside_it():
    images = [at(n, r3=715, r9=7000 + n, r12=44, r20=900) for n in (0, 5)]
    readings = [read("71.5 psi", *images)]
    found = match(readings, limits=(-15, 1000))
    like = [found.families[0].best.decoding] * 3
    assert match(readings, limits=(-15, 1000), like=like).chance < found.chance
    assert match(readings, limits=(-15, 1000), like=like[:2]).chance == found.chance


def test_of_two_floats_that_share_their_upper_word_the_usual_order_is_used():
    # 71.5 is 428F 0000 high word first; low word first it begins one address earlier.
    images = [at(n, r7=0x0000, r8=0x428F, r9=0x1000, r40=n) for n in (0, 5)]
    readings = [read("71.5 psi", *images)]
    found = match(readings, limits=(-15, 1000), types=("float32",))
    orders = {f.best.decoding.word_order: f.best.decoding for f in found.families}
    assert set(orders) == {"low-first", "high-first"}
    for order, decoding in orders.items():
        one = match(readings, limits=(-15, 1000), types=("float32",), like=[decoding] * 3)
        assert len(one.families) == 1
        assert one.families[0].best.decoding.word_order == order
        assert len(one.families[0].candidates) > 1
