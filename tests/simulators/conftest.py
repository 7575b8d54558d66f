from __future__ import annotations

from collections.abc import Callable

import pytest

from simulators.plant import Plant
from simulators.specs import GeneratorSpec, PlantSpec, RiserSpec, RoomSpec, VentSpec

START = 1_772_323_200_000


def small_spec(**over: object) -> PlantSpec:
    parts: dict[str, object] = {
        "seed": 4, "start": START,
        "generators": (GeneratorSpec(id="gen1", room="room1"),),
        "risers": (RiserSpec(id="r1", fed_by="gen1"),),
        "vents": (VentSpec(id="r1-vent", riser="r1"),),
        "rooms": (RoomSpec(id="room1"),),
    }
    return PlantSpec(**{**parts, **over})  # type: ignore[arg-type]


@pytest.fixture
def small_plant() -> Callable[..., Plant]:
    """Make a plant of one generator, riser, vent and room."""
    return lambda **over: Plant(small_spec(**over))
