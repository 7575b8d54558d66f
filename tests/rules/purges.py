"""Plants and curves that several tests of purges share."""

from __future__ import annotations

import math
import random

from collector.domain.plant import Generator, Riser, Vent
from tests.rules.support import HOUR, Shape, Story, plant, story

O2, OPEN, FEED, PSI = "r1-vent.oxygen", "r1-vent.open", "gen1.product_oxygen", "r1.pressure"
SCFM = 0.028316847 / 60 * 101325 / (8.314462618 * 288.7056)  # mol/s at 60 F, 14.696 psia
GAL = 0.003785411784
TAU = 7.74
"""h: 450 gal at 39.7 psia is 162.5 scf, through 0.35 scfm 464 min."""


def told(*, gallons: float = 450, scfm: float | None = 0.35, limit: float | None = None,
         **given: dict[str, object]) -> Story:
    riser = Riser(id="r1", name="Dock riser", fed_by="gen1", volume=gallons * GAL,
                  supervisory_pressure=25.0, low_pressure=18.0)
    vent = Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0,
                flow=None if scfm is None else scfm * SCFM)
    gen = Generator(id="gen1", name="Generator 1", cut_in=60.0, cut_out=80.0,
                    product_oxygen_limit=limit)
    return story(plant(riser=riser, vent=vent, generator=gen), **given)


def noisy(curve, seed: int = 1, noise: float = 0.06) -> Shape:
    """Return a curve as a common sensor shows it: noise, then steps of 0.1 %."""
    rng = random.Random(seed)
    return lambda t: round(curve(t) + rng.gauss(0, noise), 1)


def falling(begin: float = 20.9, feed: float = 0.8, tau: float = TAU, start: int = 0):
    return lambda t: feed + (begin - feed) * math.exp(-max(t - start, 0) / HOUR / tau)
