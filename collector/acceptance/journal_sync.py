"""Journals the events of acceptance records, and verifies a signed record against the journal.

The command line cannot write into the journal of a running monitor: it changes the record files.
The monitor reads the records and journals the events that are missing, each once, by its key: who
did what, the signed PDF's hash, the accepted baselines.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from collector.acceptance.record import Entry, Record, RecordStore, Result
from collector.acceptance.steps import Kind, Step, plan
from collector.clock import format_instant
from collector.domain.actions import ActionKind
from collector.domain.events import Event, SystemEvent
from collector.domain.plant import Plant
from collector.domain.units import HOUR, PSI, ZERO_CELSIUS
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import standard_molar_volume
from collector.physics.orifice import orifice_flow

SIGNED = "acceptance-signed"
_WHILE: Mapping[Kind, Mapping[ActionKind, int]] = {
    Kind.TANK_AIR: {ActionKind.DECLARE_FILL: 2 * HOUR},
    Kind.RETURN: {ActionKind.DECLARE_FILL: 2 * HOUR},
    Kind.FILL: {ActionKind.DECLARE_FILL: 2 * HOUR, ActionKind.DECLARE_IMPAIRMENT: 2 * HOUR},
    Kind.LOW_AIR: {ActionKind.DECLARE_IMPAIRMENT: 2 * HOUR},
    Kind.TIGHTNESS_TWO: {ActionKind.DECLARE_IMPAIRMENT: 4 * HOUR},
    Kind.TIGHTNESS_DAY: {ActionKind.DECLARE_IMPAIRMENT: 30 * HOUR},
}
"""Declarations made with a step, and the ms after which each ends at the latest: a fill explains a
long run of the compressor, and a system under test is impaired."""
_ENDS = {ActionKind.DECLARE_FILL: ActionKind.END_FILL,
         ActionKind.DECLARE_IMPAIRMENT: ActionKind.END_IMPAIRMENT}

_Values = Mapping[str, float | int | str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingEvent:
    """One event to journal, with the declarations made or ended by it (ms until they end)."""

    key: str
    fact: SystemEvent
    declarations: Mapping[ActionKind, int | None] = field(default_factory=dict)


def events_of(record: Record, plant: Plant) -> Iterator[PendingEvent]:
    """Yield every event of a record in order; ``fact.time`` is when it happened."""
    yield PendingEvent(key=f"{record.id}/opened", fact=SystemEvent(
        time=record.opened, site=record.site, fact="acceptance-opened",
        text=f"Acceptance {record.id} was started by {record.by}.",
        values={"by": record.by, "note": f"{record.id}/opened"}))
    for step in plan(plant, record.size, record.pipe):
        yield from _of_step(record, step, record.entry(step.id))
    if record.sealed is not None:
        yield from _of_seal(record, plant)


def _of_step(record: Record, step: Step, entry: Entry) -> Iterator[PendingEvent]:
    if entry.began is not None:
        key = f"{record.id}/{step.id}/begun/{entry.began}"
        yield PendingEvent(key=key, declarations=dict(_WHILE.get(step.kind, {})), fact=SystemEvent(
            time=entry.began, site=record.site, fact="acceptance-step-begun", asset=step.asset,
            text=f"{step.title} was started by {entry.by}.",
            values={"step": step.id, "by": entry.by, "note": key,
                    "at": format_instant(entry.began)}))
    if entry.ended is not None:
        void = entry.result is Result.OPEN
        result = "void" if void else entry.result.value
        key = f"{record.id}/{step.id}/settled/{entry.ended}"
        text = entry.history[-1] if void else entry.reason or (
            entry.evaluation.text if entry.evaluation else "")
        # A step that was never started declared nothing, and must not end another fill.
        ends = _WHILE.get(step.kind, {}) if void or entry.began is not None else {}
        yield PendingEvent(key=key, declarations={_ENDS[k]: None for k in ends}, fact=SystemEvent(
            time=entry.ended, site=record.site, fact="acceptance-step-settled", asset=step.asset,
            text=f"{step.title}: {result}. {text}",
            values={"step": step.id, "result": result, "by": entry.by, "note": key,
                    "at": format_instant(entry.ended)}))


def _of_seal(record: Record, plant: Plant) -> Iterator[PendingEvent]:
    assert record.sealed is not None  # noqa: S101 - asked by the caller
    names = ", ".join(f"{s.name} ({s.role})" for s in record.signatures)
    key = f"{record.id}/signed"
    yield PendingEvent(key=key, fact=SystemEvent(
        time=record.sealed, site=record.site, fact="acceptance-signed",
        text=f"Acceptance {record.id} was signed by {names}. SHA-256 of its record: "
             f"{record.digest}.",
        values={"record": record.id, "sha256": record.digest, "by": names, "note": key}))
    for base in _baselines(record, plant):
        key = f"{record.id}/baseline/{base.quantity}.{base.asset}"
        yield PendingEvent(key=key, fact=SystemEvent(
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
    if entry.result is not Result.PASSED or entry.evaluation is None:
        return None
    return next((m.value for m in entry.evaluation.measures if m.name == name), None)


def _baselines(record: Record, plant: Plant) -> Iterator[_Baseline]:
    """Yield the new baselines of the conditions; only steps that passed give one."""
    unit = "L/h" if plant.site.units == "metric" else "scfh"
    per_hour = standard_molar_volume(plant.site.standard_temperature + ZERO_CELSIUS) * 3600 / (
        1e-3 if unit == "L/h" else 0.3048**3)
    steps = plan(plant, record.size, record.pipe)
    for step in steps:
        if step.kind is Kind.TANK_NITROGEN:
            seconds = _measured(record, step, "time")
            if seconds is not None:
                yield _Baseline(quantity="pump-up-time", asset=step.asset, value=seconds / 60,
                                unit="min")
            flow = _measured(record, step, "delivery")
            if flow is not None:
                # Two gauge readings and one tank volume: about two percent.
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
        here, there = (orifice_flow(1.0, p * PSI + ambient, ambient, 288.15)
                       for p in (riser.supervisory_pressure, psi))
        total += max(leak, 0.0) * here / there
    return total if risers and total > 0 else None


class AcceptanceSync:
    """Finds events of the records that the journal lacks; ``journalled`` are its events so far."""

    def __init__(self, store: RecordStore, journalled: Iterable[Event]) -> None:
        self._store = store
        self._known = {str(e.values["note"]) for e in journalled
                       if isinstance(e, SystemEvent) and "note" in e.values}
        self._state: tuple[tuple[str, int], ...] = ()

    def __repr__(self) -> str:
        return f"AcceptanceSync({self._store!r}, {len(self._known)} events known)"

    def pending(self, plant: Plant) -> list[PendingEvent]:
        """Return the events to journal now, each once. Raises ``RecordError``: damaged file."""
        state = tuple(sorted((p.name, p.stat().st_mtime_ns)
                             for p in self._store.folder.glob("*.json")))
        if state == self._state:
            return []
        # Before they are read: a damaged file is reported once, not at every turn.
        self._state = state
        found = [note for record in self._store.load_all() for note in events_of(record, plant)
                 if note.key not in self._known]
        self._known.update(note.key for note in found)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """The journal's answer on a file's hash; ``signed`` is the event that holds it, if any."""

    digest: str
    signed: SystemEvent | None

    @property
    def genuine(self) -> bool:
        """Whether the file is, byte for byte, a signed record."""
        return self.signed is not None


def verify(content: bytes, events: Iterable[Event]) -> Verification:
    """Search the journal's events for the hash of ``content``."""
    digest = hashlib.sha256(content).hexdigest()
    found = None
    for event in events:
        if isinstance(event, SystemEvent) and event.fact == SIGNED \
                and event.values.get("sha256") == digest:
            found = event
    return Verification(digest=digest, signed=found)
