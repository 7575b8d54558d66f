"""Makes the rows that a collector records of a plant's history: polls, gauges, lost answers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulators.family.chance import Chance
from simulators.family.gauging import read, switched
from simulators.family.running import History
from simulators.family.specs import AIR, Device, DrawnPlant, Force
from simulators.family.stepping import Floats

__all__ = ["Rows", "sense"]

Instants = NDArray[np.int64]
Rows = dict[str, tuple[Instants, Floats, Floats]]
"""By point: the rows' times (ms), values, and when each was received (s from the start)."""


def sense(plant: DrawnPlant, history: History) -> Rows:
    """Return every point's rows in the order they were received."""
    rows: Rows = {}
    for device in plant.devices:
        _Poller(plant, history, device).fill(rows)
    return rows


class _Poller:
    """One device over the whole recording."""

    def __init__(self, plant: DrawnPlant, history: History, device: Device) -> None:
        self.plant, self.history, self.device = plant, history, device
        self.dice = Chance(plant.seed, "polls", device.id)
        length = int(round(plant.days * 86400.0))
        self.asked = np.arange(device.phase, length, device.every, dtype=np.int64)
        """When the device is asked, s from the start."""
        self.true_at = self.asked.copy()
        """When what it answers was true: earlier where it repeats itself."""
        kept = self.dice.rng.random(self.asked.size) >= plant.dropped
        self.empty = np.zeros(self.asked.size, dtype=bool)
        for outage in plant.happenings.outages:
            if outage.device != device.id:
                continue
            within = (self.asked >= outage.start) & (self.asked < outage.end)
            if outage.how == "absent":
                kept &= ~within
            elif outage.how == "empty":
                self.empty |= within
            elif within.any():
                self.true_at[within] = self.asked[np.argmax(within)]
        self.asked, self.true_at = self.asked[kept], self.true_at[kept]
        self.empty = self.empty[kept]

    def fill(self, rows: Rows) -> None:
        """Add the rows of every point of the device."""
        rng, plant = self.dice.rng, self.plant
        order = np.arange(self.asked.size)
        again = order[rng.random(order.size) < plant.doubled]
        order = np.sort(np.concatenate([order, again]))
        asked = self.asked[order].astype(float)
        asked = asked + np.minimum(rng.uniform(0.02, 0.3, self.asked.size)[order], 0.4)
        received = asked + 0.0
        late = rng.random(order.size) < plant.late
        received[late] += rng.uniform(1.0, 25.0, int(late.sum()))
        shown = asked.copy()
        for at, by in plant.happenings.clock_sets:
            shown[asked >= at] += by
        back = np.argsort(received, kind="stable")
        times = (plant.start + np.round(shown * 1000.0)).astype(np.int64)[back]
        blank = self.empty[order][back]
        for point in self.device.points:
            values = self._values(point)[order][back]
            values[blank] = np.nan
            rows[point] = (times, values, received[back])

    def _values(self, point: str) -> Floats:
        """Return the point's value at each poll."""
        thing, quantity = point.split(".")
        if quantity.endswith(("_no", "_nc")):
            return self._leg(point)
        if f"{point}_no" in self.device.points:
            closed, other = self._leg(f"{point}_no"), self._leg(f"{point}_nc")
            return np.where(closed != other, closed, np.nan)
        return self._forced(point, self._own(thing, quantity, point))

    def _leg(self, point: str) -> Floats:
        base, leg = point[:-3], point[-3:]
        thing, quantity = base.split(".")
        made = self._forced(base, self._own(thing, quantity, base))
        return self._forced(point, made if leg == "_no" else 1.0 - made)

    def _own(self, thing: str, quantity: str, point: str) -> Floats:
        """Return the sensor's values without faults."""
        for k, unit in enumerate(self.plant.generators):
            if unit.id == thing:
                return self._generator(k, quantity, point)
        for k, riser in enumerate(self.plant.risers):
            if riser.id == thing:
                return self._riser(k, quantity, point)
            if riser.vent is not None and riser.vent.id == thing:
                return self._vent(k, quantity, point)
        oxygen = np.full(self.true_at.size, 100.0 * AIR)
        return self._shown(point, oxygen if quantity == "oxygen"
                           else self._minutely(self.history.rooms[:, 0]) - 273.15)

    def _shown(self, point: str, true: Floats) -> Floats:
        rng = Chance(self.plant.seed, "noise", point).rng
        value = read(self.plant.gauges[point], true, self.true_at / 86400.0, rng)
        if "frozen" in {o.how for o in self.plant.happenings.outages}:
            # An old copy has its old noise too.
            first = np.searchsorted(self.true_at, self.true_at, side="left")
            value = value[first]
        return value

    def _minutely(self, values: Floats) -> Floats:
        return np.interp(self.true_at, 60.0 * np.arange(values.size), values)

    def _recorded(self, records: Floats, index: int, column: int) -> Floats:
        taken: Floats = records[self.true_at // self.history.grid, index, column]
        return taken

    def _generator(self, k: int, quantity: str, point: str) -> Floats:
        unit, records = self.plant.generators[k], self.history.generators
        running = self._recorded(records, k, 1)
        if quantity == "tank_pressure":
            return self._shown(point, self._recorded(records, k, 0))
        if quantity == "compressor_running":
            return running
        if quantity == "mode":
            mode = 1.0 + self._recorded(records, k, 2)
            return np.where(running > 0.5, mode, 0.0) if unit.mode == "off-at-rest" else mode
        if quantity == "product_oxygen":
            return self._analyser(unit.analyser, running, point,
                                  100.0 * self._recorded(records, k, 3))
        if quantity == "running_hours":
            step = self.plant.gauges[point].step
            return np.asarray(np.floor(self._recorded(records, k, 4) / step + 1e-9) * step)
        if quantity == "start_count":
            return self._recorded(records, k, 5)
        if quantity == "power":
            return np.ones_like(running)
        if quantity == "trouble":
            return np.zeros_like(running)
        if quantity == "dew_point":
            return self._shown(point, np.zeros_like(running))
        warm = 4.0 + 4.0 * _smooth(running, max(int(900 / self.device.every), 1))
        return self._shown(point, self._minutely(self.history.rooms[:, k]) - 273.15 + warm)

    def _analyser(self, kind: str, running: Floats, point: str, true: Floats) -> Floats:
        shown = self._shown(point, true)
        rests = running < 0.5
        if kind == "zero":
            return np.where(rests, 0.0, shown)
        if kind == "nan":
            return np.where(rests, np.nan, shown)
        if kind == "hold":
            last = np.maximum.accumulate(np.where(rests, -1, np.arange(rests.size)))
            return np.where(last >= 0, shown[np.maximum(last, 0)], 0.0)
        return shown

    def _riser(self, k: int, quantity: str, point: str) -> Floats:
        riser = self.plant.risers[k]
        pressure = self._recorded(self.history.risers, k, 0)
        if quantity == "pressure":
            return self._shown(point, pressure)
        if quantity == "pipe_temperature":
            return self._shown(point, self._minutely(self.history.pipes[:, k]) - 273.15)
        if quantity == "valve_room_temperature":
            # Forced before the gauge: a cold room is read with all its noise.
            room = self._minutely(self.history.valve_rooms[:, k]) - 273.15
            return self._shown(point, room)
        if quantity == "bypass_open":
            return np.zeros_like(pressure)
        gauge = self.plant.gauges[point]
        if quantity == "low_air":
            on = riser.low + gauge.offset - 0.3
            return switched(pressure, on, on + gauge.stick)
        on = riser.high + gauge.offset + 0.3
        return switched(pressure, on, on - gauge.stick)

    def _vent(self, k: int, quantity: str, point: str) -> Floats:
        if quantity == "oxygen":
            return self._shown(point, 100.0 * self._recorded(self.history.risers, k, 2))
        if quantity == "open":
            return self._recorded(self.history.risers, k, 1)
        return np.zeros(self.true_at.size)

    def _forced(self, point: str, values: Floats) -> Floats:
        for force in self.plant.happenings.forces:
            if force.point == point:
                gauge = self.plant.gauges.get(point)
                values = _force(force, self.true_at.astype(float), values,
                                gauge.step if gauge is not None else 1.0)
        return values


def _smooth(values: Floats, width: int) -> Floats:
    whole = np.concatenate([[0.0], np.cumsum(values)])
    low = np.maximum(np.arange(values.size) - width, 0)
    return np.asarray((whole[1:] - whole[low]) / width)


def _force(force: Force, t: Floats, values: Floats, step: float) -> Floats:
    within = (t >= force.start) & (t < force.end)
    if not within.any():
        return values
    out = values.copy()
    if force.how == "value":
        out[within] = force.value
    elif force.how == "hold":
        out[within] = values[np.argmax(within)]
    elif force.how == "shift":
        out[within] += np.round(force.value / step) * step
    elif force.how in ("ramp", "slow-ramp"):
        length = 20.0 if force.how == "ramp" else 2.0 * 3600.0
        if force.point.endswith(".oxygen"):
            length = 480.0
        moved = np.clip(np.minimum(t - force.start, force.end - t) / length, 0.0, 1.0)
        out = values + np.round(force.value * moved / step) * step
    else:
        raise ValueError(f"nothing is forced by {force.how!r}")
    return out
