"""Temperatures of rooms and pipes over the recording: day, sun, fronts, defrosting."""

from __future__ import annotations

import numpy as np

from simulators.family.specs import Weather
from simulators.family.stepping import Floats

__all__ = ["temperatures"]


def _lagged(values: Floats, share: float) -> Floats:
    """Return ``values`` with a first-order lag: each step takes up ``share`` of the difference."""
    out = np.empty_like(values)
    held = values[0]
    for k, value in enumerate(values.tolist()):
        held += (value - held) * share
        out[k] = held
    return out


def temperatures(weather: Weather, minutes: int, clock: float, noon: float,
                 rng: np.random.Generator) -> Floats:
    """Return degrees C each minute. ``clock`` is the second of the UTC day at the start."""
    seconds = clock + 60.0 * np.arange(minutes)
    turn = 2.0 * np.pi * (seconds - noon) / 86400.0
    out = weather.mean + weather.daily * np.cos(turn - 2.0 * np.pi * 3.0 / 24.0)
    # Clouds: one number a day, so that no two days are alike. Fronts come and go over two days.
    days = int(seconds[-1] // 86400) + 3
    clear = rng.uniform(0.1, 1.0, days)[((seconds - noon + 43200) // 86400 + 1).astype(int)]
    out += weather.sun * clear * np.maximum(np.cos(turn), 0.0) ** 1.5
    hours = days * 24
    front = np.empty(hours)
    at, keep = float(rng.normal()), np.exp(-1.0 / 40.0)
    for k, kick in enumerate(rng.normal(0.0, 1.0, hours).tolist()):
        at = at * keep + kick * float(np.sqrt(1.0 - keep * keep))
        front[k] = np.clip(at, -2.0, 2.0)
    out += weather.front * np.interp(seconds - seconds[0], 3600.0 * np.arange(hours), front)
    if weather.defrost:
        phase = (seconds + rng.uniform(0.0, weather.defrost_every)) % weather.defrost_every
        out += weather.defrost * (phase < 1500.0)
    return _lagged(out, min(60.0 / weather.lag, 1.0)) if weather.lag > 60.0 else out
