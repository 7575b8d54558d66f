"""Drawing from a seed: independent streams by name, and the few kinds of draw that plants need."""

from __future__ import annotations

import zlib
from collections.abc import Mapping

import numpy as np

__all__ = ["Chance"]


class Chance:
    """A stream of draws that depends on nothing but the seed and the name of its purpose."""

    def __init__(self, seed: int, *purpose: str) -> None:
        words = [zlib.crc32(word.encode()) for word in purpose]
        self.rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *words])))

    def one(self, weights: Mapping[str, float]) -> str:
        """Return one of the words by weight."""
        words = list(weights)
        share = np.array([weights[w] for w in words])
        return words[int(self.rng.choice(len(words), p=share / share.sum()))]

    def chance(self, probability: float) -> bool:
        """Return true with a probability."""
        return bool(self.rng.random() < probability)

    def even(self, low: float, high: float) -> float:
        """Return a number between two, uniformly."""
        return float(self.rng.uniform(low, high))

    def scale(self, low: float, high: float) -> float:
        """Return a number between two, uniform on a logarithmic scale."""
        return float(np.exp(self.rng.uniform(np.log(low), np.log(high))))

    def normal(self, sd: float) -> float:
        """Return a normally distributed number of mean 0 and standard deviation ``sd``."""
        return float(self.rng.normal(0.0, sd))

    def times(self, per_day: float, days: float) -> list[float]:
        count = int(self.rng.poisson(per_day * days))
        return sorted(self.rng.uniform(0.0, days * 86400.0, count).tolist())

    def whole(self, low: int, high: int) -> int:
        """Return a whole number, both ends included."""
        return int(self.rng.integers(low, high + 1))
