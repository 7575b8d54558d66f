"""Noise that depends on seed, name and instant alone, never on how often it is read.

Were it drawn from one running generator, a client that polls twice as often would change the
weather, and the same seed would not give the same bytes.
"""

from __future__ import annotations

import math
import zlib
from functools import lru_cache

__all__ = ["key_of", "slow", "unit", "white"]

_MASK = (1 << 64) - 1


def key_of(seed: int, name: str) -> int:
    """Return the noise key of a sensor or a weather; stable between runs and machines."""
    return _mix((seed << 32) ^ zlib.crc32(name.encode()))


def _mix(x: int) -> int:
    # splitmix64, Steele, Lea and Flood 2014 (from memory): every bit of the input moves the output.
    x = (x + 0x9E3779B97F4A7C15) & _MASK
    x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) & _MASK
    return x ^ (x >> 31)


def unit(key: int, index: int) -> float:
    """Return a number in [0, 1)."""
    return (_mix(key ^ (index * 0x632BE59BD9B4E019 & _MASK)) >> 11) / (1 << 53)


def white(key: int, index: int) -> float:
    """Return a roughly normal number of mean 0 and deviation 1 (four uniforms, within 3.5)."""
    x = _mix(key ^ (index * 0x632BE59BD9B4E019 & _MASK))
    total = (x & 0xFFFF) + (x >> 16 & 0xFFFF) + (x >> 32 & 0xFFFF) + (x >> 48)
    return (total - 131070) / 37837.2


def slow(key: int, seconds: float, period: float) -> float:
    """Return a smooth wandering of deviation below 1 that changes over ``period`` seconds."""
    place = seconds / period
    left = math.floor(place)
    share = place - left
    share = share * share * (3 - 2 * share)
    return _corner(key, left) * (1 - share) + _corner(key, left + 1) * share


_corner = lru_cache(maxsize=4096)(white)  # asked for at every reading, and the same for days
