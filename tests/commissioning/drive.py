"""Drives the engine with what a drawn controller's display shows, in time that tests set."""

from collector.commissioning.decodings import parse_shown
from collector.commissioning.images import Image
from collector.commissioning.matching import DisplayReading, match
from collector.domain.readings import QUANTITIES
from simulators.unknown_maps import draw_controller


def image_at(controller, seconds, took=0.0):
    tables = controller.image(seconds)
    return Image(began=int(seconds * 1000), ended=int((seconds + took) * 1000),
                 tables={t: cells for t, cells in tables.items() if cells})


def quantity_of(point):
    name = point.split(".")[1]
    kind = "riser" if point.startswith("r") else "generator"
    return QUANTITIES[kind][name]


def readings_of(controller, point, times, around=4.0):
    """What a technician types at ``times``; images are taken just before and just after."""
    found = []
    for t in times:
        shown = parse_shown(controller.shown(t)[point], quantity_of(point).unit)
        found.append(DisplayReading(shown=shown, images=(
            image_at(controller, t - around), image_at(controller, t),
            image_at(controller, t + around))))
    return found


def match_point(controller, point, times, like=()):
    return match(readings_of(controller, point, times), limits=quantity_of(point).limits, like=like)


def is_true(cell, candidate):
    """Whether a candidate is what the map really says of ``cell``."""
    d = candidate.decoding
    unit = {"": ""}.get(cell.unit, cell.unit)
    return (candidate.table, candidate.address) == (cell.table, cell.address) and \
        d.type == cell.type and \
        (d.width == 1 or d.word_order == cell.word_order) and d.byte_order == cell.byte_order and \
        (d.unit == unit and d.scale == cell.scale or _same_slope(cell, d))


def _same_slope(cell, d):
    # 1 kPa is 0.01 bar: two ways to write one scale
    slopes = {("kPa", 1.0): ("bar", 0.01), ("bar", 0.01): ("kPa", 1.0),
              ("bar", 0.001): ("kPa", 0.1)}
    return slopes.get((cell.unit, cell.scale)) == (d.unit, d.scale)


__all__ = ["draw_controller", "image_at", "is_true", "match_point", "quantity_of", "readings_of"]
