"""The pipe table against an independent copy of ASME B36.10M / B36.19M, and printed diameters."""

import math

import pytest
from fluids.piping import nearest_pipe

from collector.config.assets import SCHEDULES, SIZES, inside_diameter, pipe_volume
from collector.config.units import QuantityError

NUMBER = {"1/2": 0.5, "3/4": 0.75, "1 1/4": 1.25, "1 1/2": 1.5, "2 1/2": 2.5, "3 1/2": 3.5}


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("schedule", SCHEDULES)
def test_agrees_with_the_library_fluids(size: str, schedule: str) -> None:
    _, inside, _, _ = nearest_pipe(NPS=NUMBER.get(size) or float(size), schedule=schedule)
    # Its table is the metric one, rounded to 0.1 mm outside and 0.01 mm of wall.
    assert inside_diameter(f"{size} in", schedule) == pytest.approx(inside, abs=0.9e-4 + 2e-5)


@pytest.mark.parametrize(("size", "schedule", "inches"), [
    # Inside diameters of schedule 40 as handbooks print them after ASME B36.10M (from memory).
    ("1 in", "40", 1.049), ("2 in", "40", 2.067), ("4 in", "40", 4.026), ("6 in", "40", 6.065),
    ("4 in", "10", 4.260), ("8 in", "10", 8.329),
])
def test_printed_inside_diameters(size: str, schedule: str, inches: float) -> None:
    assert inside_diameter(size, schedule) / 0.0254 == pytest.approx(inches, abs=5e-4)


@pytest.mark.parametrize("size", ["4 in", '4"', "4 inch", "DN100", "dn 100", "4.0 in"])
@pytest.mark.parametrize("schedule", ["10", "Sch 10", "sch10", "10S", "schedule 10"])
def test_ways_to_write_it(size: str, schedule: str) -> None:
    assert inside_diameter(size, schedule) == inside_diameter("4 in", "10")


def test_fractions() -> None:
    assert inside_diameter("1-1/2 in", "40") == inside_diameter("1.5 in", "40")
    assert inside_diameter("1 1/2 in", "40") == inside_diameter("DN 40", "40")


def test_volume_of_a_length() -> None:
    assert pipe_volume("4 in", "40", 100.0) == pytest.approx(
        math.pi / 4 * (4.026 * 0.0254) ** 2 * 100, rel=1e-9)


@pytest.mark.parametrize(("size", "schedule", "part"), [
    ("4", "40", "not a pipe size"), ("7 in", "40", "no steel pipe"), ("4 in", "41", "schedule"),
    ("four", "40", "not a pipe size"),
])
def test_what_is_not_known_is_refused(size: str, schedule: str, part: str) -> None:
    with pytest.raises(QuantityError, match=part):
        inside_diameter(size, schedule)
