"""The gas a pipe loses between top-ups, by its pressure alone."""

from __future__ import annotations

import math
import random

import pytest

from collector.physics.estimate import Refusal
from collector.rules.pipeloss import PipeLoss
from tests.rules.support import DAY, SECOND, T0


@pytest.mark.parametrize("seed", range(3))
def test_the_sun_on_a_roof_is_no_top_up_and_the_cool_night_no_leak(seed: int) -> None:
    # A void under a roof whose temperature is not read, fed by gulps: what falls at night by
    # cooling is made good by day, and by nothing that flows in.
    rng, loss = random.Random(seed), PipeLoss(14.7)
    gas, lost, before = 47.7, 1.0, None
    for at in range(0, 5 * DAY, 10 * SECOND):
        gas -= lost * 10 / 86_400
        sun = math.sin(2 * math.pi * at / DAY)
        psi = gas * (288.15 + 8.0 * sun + 13.0 * max(0.0, sun)) / 288.15 - 14.7
        gas += 0.02 if psi < 32.4 else 0.0
        shown = round(psi + rng.gauss(0.0, 0.08), 1)
        loss.pressure(T0 + at, shown, before, 60_000)
        before = T0 + at
    found = loss.loss(T0 + 4 * DAY, T0 + 5 * DAY)
    if not isinstance(found, Refusal):
        low, high = found[0].interval()
        assert low <= lost <= high
