"""Invented controllers with unknown register maps: drawn from a seed, served by pymodbus.

What a controller's display shows is here too, and so is its map, for a test to compare with. A
program under test gets the wire and what the display shows, and nothing else.
"""

from simulators.unknown_maps.drawing import STYLES, Controller, draw_controller
from simulators.unknown_maps.serving import Answering, serve_rtu, serve_tcp

__all__ = ["STYLES", "Answering", "Controller", "draw_controller", "serve_rtu", "serve_tcp"]
