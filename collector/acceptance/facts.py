"""What of an acceptance goes into the journal: who did what, the signed PDF's hash, the baselines.

The command line cannot write into the journal of a watch that runs. It changes the record; the
watch reads the records and notes what the journal does not hold yet, each note once, by its key.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from collector.acceptance.record import Entry, Record, Result
from collector.acceptance.steps import Kind, Step, plan
from collector.clock import format_instant
from collector.domain.actions import Deed
from collector.domain.events import FactNoted
from collector.domain.plant import Plant
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import standard_molar_volume
from collector.physics.orifice import orifice_flow

__all__ = ["SIGNED", "Note", "notes_of"]

SIGNED = "acceptance-signed"
_PSI = 6894.757293168
_HOUR = 3_600_000
_WHILE: Mapping[Kind, Mapping[Deed, int]] = {
    Kind.TANK_AIR: {Deed.DECLARE_FILL: 2 * _HOUR}, Kind.RETURN: {Deed.DECLARE_FILL: 2 * _HOUR},
    Kind.FILL: {Deed.DECLARE_FILL: 2 * _HOUR, Deed.DECLARE_IMPAIRMENT: 2 * _HOUR},
    Kind.LOW_AIR: {Deed.DECLARE_IMPAIRMENT: 2 * _HOUR},
    Kind.TIGHTNESS_TWO: {Deed.DECLARE_IMPAIRMENT: 4 * _HOUR},
    Kind.TIGHTNESS_DAY: {Deed.DECLARE_IMPAIRMENT: 30 * _HOUR},
}
"""What is declared of a thing while a step lasts, and when (ms) that ends by itself at the latest:
a compressor may rightly run on during a fill, and a system that is tested is impaired."""
_ENDS = {Deed.DECLARE_FILL: Deed.END_FILL, Deed.DECLARE_IMPAIRMENT: Deed.END_IMPAIRMENT}

_Values = Mapping[str, float | int | str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One fact to come, and what is declared or ended with it: deeds, with ms until they end."""

    key: str
    fact: FactNoted
    deeds: Mapping[Deed, int | None] = field(default_factory=dict)


def notes_of(record: Record, plant: Plant) -> Iterator[Note]:
    """Yield every note of a record in order; ``fact.time`` is when it happened."""
    yield Note(key=f"{record.id}/opened", fact=FactNoted(
        time=record.opened, site=record.site, fact="acceptance-opened",
        text=f"Acceptance {record.id} was opened by {record.by}.",
        values={"by": record.by, "note": f"{record.id}/opened"}))
    for step in plan(plant, record.size):
        yield from _of_step(record, step, record.entry(step.id))
    if record.sealed is not None:
        yield from _of_seal(record, plant)


def _of_step(record: Record, step: Step, entry: Entry) -> Iterator[Note]:
    if entry.began is not None:
        key = f"{record.id}/{step.id}/begun/{entry.began}"
        yield Note(key=key, deeds=dict(_WHILE.get(step.kind, {})), fact=FactNoted(
            time=entry.began, site=record.site, fact="acceptance-step-begun", asset=step.asset,
            text=f"{step.title} was begun by {entry.by}.",
            values={"step": step.id, "by": entry.by, "note": key,
                    "at": format_instant(entry.began)}))
    if entry.ended is not None:
        void = entry.result is Result.OPEN
        result = "void" if void else entry.result.value
        key = f"{record.id}/{step.id}/settled/{entry.ended}"
        said = entry.history[-1] if void else entry.reason or (
            entry.finding.text if entry.finding else "")
        # Of a step that was never begun nothing was declared, and a fill of others is not ended.
        ends = _WHILE.get(step.kind, {}) if void or entry.began is not None else {}
        yield Note(key=key, deeds={_ENDS[deed]: None for deed in ends}, fact=FactNoted(
            time=entry.ended, site=record.site, fact="acceptance-step-settled", asset=step.asset,
            text=f"{step.title}: {result}. {said}",
            values={"step": step.id, "result": result, "by": entry.by, "note": key,
                    "at": format_instant(entry.ended)}))


def _of_seal(record: Record, plant: Plant) -> Iterator[Note]:
    assert record.sealed is not None  # noqa: S101 - asked by the caller
    names = ", ".join(f"{s.name} ({s.role})" for s in record.signatures)
    key = f"{record.id}/signed"
    yield Note(key=key, fact=FactNoted(
        time=record.sealed, site=record.site, fact="acceptance-signed",
        text=f"Acceptance {record.id} was signed by {names}. SHA-256 of its record: "
             f"{record.digest}.",
        values={"record": record.id, "sha256": record.digest, "by": names, "note": key}))
    for base in _baselines(record, plant):
        key = f"{record.id}/baseline/{base.quantity}.{base.asset}"
        yield Note(key=key, fact=FactNoted(
            time=record.sealed, site=record.site, fact="baseline-accepted", asset=base.asset,
            text=f"The baseline of {base.quantity.replace('-', ' ')} of "
                 f"{plant.name_of(base.asset)} is {base.value:.3g} {base.unit}, from the "
                 f"acceptance signed by {names}.",
            values={"quantity": base.quantity, "value": round(base.value, 6),
                    "deviation": round(base.deviation, 6), "unit": base.unit, "by": names,
                    "note": key}))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Baseline:
    quantity: str
    asset: str
    value: float
    unit: str
    deviation: float = field(default=0.0)


def _measured(record: Record, step: Step, name: str) -> float | None:
    entry = record.entry(step.id)
    if entry.result is not Result.PASSED or entry.finding is None:
        return None
    return next((m.value for m in entry.finding.measures if m.name == name), None)


def _baselines(record: Record, plant: Plant) -> Iterator[_Baseline]:
    """Yield what the conditions are to be held against from now on; only what passed counts."""
    unit = "L/h" if plant.site.units == "metric" else "scfh"
    per_hour = standard_molar_volume(plant.site.standard_temperature + 273.15) * 3600 / (
        1e-3 if unit == "L/h" else 0.3048**3)
    steps = plan(plant, record.size)
    for step in steps:
        if step.kind is Kind.TANK_NITROGEN:
            seconds = _measured(record, step, "time")
            if seconds is not None:
                yield _Baseline(quantity="pump-up-time", asset=step.asset, value=seconds / 60,
                                unit="min")
            flow = _measured(record, step, "delivery")
            if flow is not None:
                # Two pressures of a gauge and one tank volume: two percent is what they are worth.
                yield _Baseline(quantity="compressor-delivery", asset=step.asset, unit=unit,
                                value=flow * per_hour, deviation=0.02 * flow * per_hour)
    for unit_id in plant.generators:
        demand = _demand(record, plant, unit_id, steps)
        if demand is not None:
            yield _Baseline(quantity="nitrogen-demand", asset=unit_id, unit=unit,
                            value=demand * per_hour, deviation=0.1 * demand * per_hour)


def _demand(
    record: Record, plant: Plant, generator: str, steps: tuple[Step, ...],
) -> float | None:
    """Return the leak (mol/s) of all of a generator's risers, each at its supervisory pressure."""
    total, ambient = 0.0, pressure_at_altitude(plant.site.altitude)
    risers = [r for r in plant.risers.values() if r.fed_by == generator]
    for riser in risers:
        leaks = [(leak, s.limits["psi"]) for s in steps if s.asset == riser.id
                 and (leak := _measured(record, s, "leak")) is not None]
        if not leaks or riser.supervisory_pressure is None:
            return None
        leak, psi = leaks[0]
        here, there = (orifice_flow(1.0, p * _PSI + ambient, ambient, 288.15)
                       for p in (riser.supervisory_pressure, psi))
        total += max(leak, 0.0) * here / there
    return total if risers and total > 0 else None
