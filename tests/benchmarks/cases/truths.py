"""The truth of every quantity, from the plant's own books over the estimate's own window.

None of this uses the estimators' equations: amounts are what crossed a boundary, times are what
passed. Flows are told at the standard conditions of the site file (101.325 kPa and its standard
temperature, 60 F unless it says otherwise).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

from collector.domain.events import EstimateMade
from simulators.plant import Plant
from simulators.specs import GeneratorSpec, PlantSpec
from simulators.units import GAS_CONSTANT, PSI
from tests.benchmarks.cases.play import Played

__all__ = ["QUANTITIES", "Sample", "sample"]

_STANDARD = GAS_CONSTANT * 288.705556 / 101325.0
_FT3 = 0.3048**3
_PER_MOL_S = {
    "scfh": _STANDARD / _FT3 * 3600, "scfm": _STANDARD / _FT3 * 60,
    "L/h": _STANDARD * 1000 * 3600, "L/min": _STANDARD * 1000 * 60, "m3/h": _STANDARD * 3600,
    "mol/s": 1.0,
}
_PER_SECOND = {"s": 1.0, "min": 1 / 60, "h": 1 / 3600, "d": 1 / 86400, "days": 1 / 86400,
               "ms": 1000.0}
_PER_PA = {"psi": 1 / PSI, "bar": 1e-5, "mbar": 1e-2, "kPa": 1e-3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One estimate beside the truth, in its unit. ``scale``: what its error is a share of."""

    quantity: str
    asset: str
    value: float
    low: float | None
    high: float | None
    truth: float
    scale: float

    @property
    def error(self) -> float:
        """The relative error."""
        return (self.value - self.truth) / self.scale

    @property
    def covered(self) -> bool | None:
        """Whether the interval holds the truth; ``None`` where there is no interval.

        A certainty that is right (a purge that is done is done) says nothing of how honest the
        intervals are; one that is wrong is an interval that failed.
        """
        if self.low is None or self.high is None or self.low == self.high == self.truth:
            return None
        return self.low <= self.truth <= self.high


class NoTruth(Exception):
    """The books cannot say."""


def _rate(played: Played, column: str, e: EstimateMade) -> float:
    assert e.window is not None
    start, end = e.window
    return played.ledger.passed(column, start, end) * 1000 / (end - start)


def _demand(played: Played, e: EstimateMade) -> float:
    return _rate(played, f"{e.asset}.drawn", e) * _PER_MOL_S[e.unit]


def _leak_flow(played: Played, e: EstimateMade) -> float:
    plant = played.scenario.plant
    risers = [e.asset] if e.asset in {r.id for r in plant.risers} else [
        r.id for r in plant.risers if r.fed_by == e.asset]
    return sum(_rate(played, f"{r}.leaked", e) for r in risers)


def _leak(played: Played, e: EstimateMade) -> float:
    return _leak_flow(played, e) * _PER_MOL_S[e.unit]


def _leak_equivalent(played: Played, e: EstimateMade) -> float:
    """Return the gas lost in a day as pressure at 15 degrees C, to which all pipes are brought."""
    spec = next((r for r in played.scenario.plant.risers if r.id == e.asset), None)
    if spec is None:
        raise NoTruth
    per_day = _leak_flow(played, e) * 86400 * GAS_CONSTANT * 288.15 / spec.volume
    return per_day * _PER_PA[e.unit.split("/")[0].split()[0]]


def _delivery(played: Played, e: EstimateMade) -> float:
    assert e.window is not None
    seconds = played.ledger.passed(f"{e.asset}.run_nitrogen", *e.window)
    if seconds < 60:
        raise NoTruth
    return (played.ledger.passed(f"{e.asset}.gave_nitrogen", *e.window) / seconds
            * _PER_MOL_S[e.unit])


def _duty(played: Played, e: EstimateMade) -> float:
    return 100 * _rate(played, f"{e.asset}.run", e)


def _pump_up(played: Played, e: EstimateMade) -> float:
    """Run the same unit by itself from cut-in to cut-out, and look at the clock."""
    spec = next(g for g in played.scenario.plant.generators if g.id == e.asset)
    return _stop_watch(replace(spec, tank_leak=0.0, room=""),
                       played.scenario.plant.atmosphere) * _PER_SECOND[e.unit]


@cache
def _stop_watch(spec: GeneratorSpec, atmosphere: float) -> float:
    alone = Plant(PlantSpec(atmosphere=atmosphere, busy_step=1.0, generators=(
        replace(spec, tank_start=spec.cut_in - 1.0),)))
    unit = alone.generators[spec.id]
    alone.advance_exactly(2000)
    while unit.running:
        alone.advance_exactly(alone.time + 1000)
    return unit.run_seconds - 3600 * spec.running_hours


def _completion(played: Played, e: EstimateMade) -> float:
    assert e.window is not None
    vent = next(v for v in played.scenario.plant.vents if v.id == e.asset)
    now = played.ledger.mean(f"{vent.riser}.far", *e.window)
    return min(100.0, max(0.0, 100 * (20.9476 - now) / (20.9476 - 100 * vent.target_oxygen)))


def _time_constant(played: Played, e: EstimateMade) -> float:
    assert e.window is not None
    vent = next(v for v in played.scenario.plant.vents if v.id == e.asset)
    flow = _rate(played, f"{vent.id}.vented", e) + _rate(played, f"{vent.riser}.leaked", e)
    if flow <= 0:
        raise NoTruth
    return played.ledger.mean(f"{vent.riser}.held", *e.window) / flow * _PER_SECOND[e.unit]


def _done_at(played: Played, e: EstimateMade) -> float:
    """Return when the oxygen at the vent first was at the target, in the estimate's unit."""
    vent = next(v for v in played.scenario.plant.vents if v.id == e.asset)
    done = played.ledger.first_below(f"{vent.riser}.far", 100 * vent.target_oxygen)
    start = played.scenario.plant.start
    if done is None or e.time > start + 0.9 * (done - start) or \
            e.time < start + (done - start) / 3:
        raise NoTruth  # before a third of the way, or all but there
    if e.unit in ("", "ms"):
        return float(done)
    if e.unit in ("unix s", "s since 1970"):
        return done / 1000
    return (done - e.time) / 1000 * _PER_SECOND[e.unit]


def _exposure(played: Played, e: EstimateMade) -> float:
    assert e.window is not None
    vent = next(v for v in played.scenario.plant.vents if e.asset in (v.id, v.riser))
    return played.ledger.above(f"{vent.riser}.far", 100 * vent.target_oxygen, *e.window)


QUANTITIES: dict[str, Callable[[Played, EstimateMade], float]] = {
    "nitrogen-demand": _demand, "leak-rate": _leak, "leak-equivalent": _leak_equivalent,
    "compressor-delivery": _delivery, "compressor-duty": _duty, "pump-up-time": _pump_up,
    "purge-completion": _completion, "purge-time-constant": _time_constant,
    "purge-done-at": _done_at, "oxygen-exposure": _exposure,
}
"""What the books can say. Energy and hours to service are arithmetic on readings: tests
hold them."""


def sample(played: Played, e: EstimateMade) -> Sample | None:
    """Return an estimate beside the truth; ``None`` where there is no value, or no truth of it."""
    if e.value is None or e.window is None or e.window[1] <= e.window[0]:
        return None
    try:
        truth = QUANTITIES[e.quantity](played, e)
    except NoTruth:
        return None
    scale = abs(truth)
    if e.quantity == "purge-done-at":
        # An instant is wrong by a share of the way that was still to go.
        ahead = _ahead(played, e)
        scale = truth if ahead is None else ahead
    if e.quantity in ("compressor-duty", "purge-completion"):
        scale = max(scale, 1.0)
    if scale <= 0:
        return None
    return Sample(quantity=e.quantity, asset=e.asset, value=e.value, low=e.low, high=e.high,
                  truth=truth, scale=scale)


def _ahead(played: Played, e: EstimateMade) -> float | None:
    per = {"": 1.0, "ms": 1.0, "unix s": 1000.0, "s since 1970": 1000.0}.get(e.unit)
    if per is None:
        return None
    vent = next(v for v in played.scenario.plant.vents if v.id == e.asset)
    done = played.ledger.first_below(f"{vent.riser}.far", 100 * vent.target_oxygen)
    return None if done is None else (done - e.time) / per
