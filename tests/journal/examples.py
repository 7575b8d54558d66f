"""Readings and events as a small plant gives them."""

import random

from collector.domain.events import AlarmTransition, Priority, Signal, SystemEvent, Transition
from collector.domain.readings import Quality, Reading

HOUR = 3_600_000
T0 = 1_772_323_200_000  # 2026-03-01T00:00:00Z, the start of an hour


def reading(time, value=1.0, point="gen1.tank_pressure", *, latency=20, quality=Quality.GOOD,
            why=""):
    return Reading(point=point, asked=time - latency, time=time, value=value, quality=quality,
                   why=why)


def fact(time, name="collector-started", text="It started."):
    return SystemEvent(time=time, site="fenmoor", fact=name, text=text)


def alarm(time, transition=Transition.RAISED):
    return AlarmTransition(
        time=time, site="fenmoor", condition="pressure-low", asset="r1", transition=transition,
        priority=Priority.HIGH, signal=Signal.SUPERVISORY, since=time, text="Low.",
        id=f"pressure-low.r1.{time // 1000}", values={"psi": 17.5},
    )


def plant_polls(start, end, *, every=10_000, seed=1, pressures=8, contacts=6):
    """Yield polls of a plant-like device: noisy pressures of an int16 register set in tenths,
    contacts, now and then no answer; the polls keep their grid within some ms.
    """
    rng = random.Random(seed)
    levels = [rng.uniform(20, 80) for _ in range(pressures)]
    states = [0.0] * contacts
    for tick in range(start, end, every):
        time = tick + int(rng.gammavariate(2, 4)) + 6
        latency = int(rng.gammavariate(3, 3)) + 5
        silent = rng.random() < 0.001
        quality, why = (Quality.STALE, "no answer in time") if silent else (Quality.GOOD, "")
        poll = []
        for i in range(pressures):
            levels[i] += rng.gauss(0, 0.02)
            value = round((levels[i] + rng.gauss(0, 0.15)) * 10) / 10
            poll.append((f"r{i}.pressure", value))
        for i in range(contacts):
            if rng.random() < 0.002:
                states[i] = 1.0 - states[i]
            poll.append((f"r{i}.low_air", states[i]))
        yield [
            Reading(point=p, asked=time - latency, time=time, value=None if silent else v,
                    quality=quality, why=why)
            for p, v in poll
        ]
