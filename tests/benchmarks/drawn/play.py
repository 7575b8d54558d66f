"""Play one drawn plant: record it, feed the watch as a replay does, mark what was said."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from collector.app.monitor import SiteMonitor
from collector.config import load_site
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.events import AlarmTransition, EstimateMade, Event, Transition
from collector.domain.readings import QUANTITIES, Columns
from simulators.family import DrawnPlant, Fault, Recording, Truth, draw, simulate
from simulators.family import truth as true_history
from simulators.family.folder import write_site

__all__ = ["Alarmed", "Marks", "Sample", "Task", "columns_of", "play"]

_DAY = 86_400_000
_FT3 = 0.3048**3
_KNOWN = {name: q for kind in QUANTITIES.values() for name, q in kind.items()}
_SCFH = {"scfh": 1.0, "scfm": 1.0 / 60.0, "L/h": _FT3 * 1000.0, "L/min": _FT3 * 1000.0 / 60.0,
         "m3/h": _FT3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Which plant to draw, for how many days, with which fault (a condition's id)."""

    seed: int
    days: float
    fault: str | None = None
    start: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarmed:
    """One alarm as it was raised; ``after`` in hours from the start of the recording."""

    condition: str
    asset: str
    after: float
    priority: str
    text: str
    since: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """An estimate beside the truth; ``scale`` is what its error is a share of."""

    quantity: str
    asset: str
    after: float
    value: float
    low: float | None
    high: float | None
    truth: float
    scale: float


@dataclass(slots=True, kw_only=True)
class Marks:
    """What came of one plant.

    ``fault`` is ``found``, ``missed``, ``not watched`` or ``void`` (it never took effect within
    the recording); empty for a healthy plant. ``delay`` in hours from its onset.
    """

    task: Task
    structure: dict[str, str]
    wrong: list[Alarmed] = field(default_factory=list)
    fault: str = ""
    hard: bool = False
    asset: str = ""
    cause: str = ""
    why: str = ""
    delay: float | None = None
    repeats: int = 0
    early_since: bool = False
    """Whether the alarm says that it began before its cause did."""
    samples: list[Sample] = field(default_factory=list)
    refused: dict[str, dict[str, int]] = field(default_factory=dict)
    readings: int = 0
    plant_seconds: float = 0.0
    watch_seconds: float = 0.0


def columns_of(recording: Recording) -> Columns:
    """Return all rows as a replay would read them: received order, then sorted by time."""
    names = sorted(recording.points)
    sizes = [recording.points[n][0].size for n in names]
    points = np.repeat(np.arange(len(names), dtype=np.int32), sizes)
    times = np.concatenate([recording.points[n][0] for n in names])
    values = np.concatenate([recording.points[n][1] for n in names])
    received = np.concatenate([recording.received[n] for n in names])
    order = np.lexsort((points, received))
    order = order[np.argsort(times[order], kind="stable")]
    good = np.isfinite(values)
    for code, name in enumerate(names):
        # The two legs of a changeover contact are contacts like the whole.
        plain = name.rpartition(".")[2].removesuffix("_no").removesuffix("_nc")
        quantity = _KNOWN[plain]
        mine = points == code
        low, high = quantity.limits
        good[mine] &= (values[mine] >= low) & (values[mine] <= high)
        if quantity.unit in ("contact", "mode"):
            good[mine] &= values[mine] == np.rint(values[mine])
    return Columns(names=names, times=times[order], points=points[order], values=values[order],
                   good=good[order])


def play(task: Task) -> Marks:
    """Draw, record, feed and mark one plant."""
    began = time.process_time()
    plant = draw(task.seed, days=task.days, fault=task.fault, start=task.start)
    recording = simulate(plant)
    columns = columns_of(recording)
    marks = Marks(task=task, structure=dict(plant.structure), readings=len(columns),
                  plant_seconds=time.process_time() - began)
    with tempfile.TemporaryDirectory() as folder:
        config = load_site(write_site(plant, Path(folder)), secrets=False)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    began = time.process_time()
    events = [e for part in _fed(monitor, recording, columns) for e in part]
    marks.watch_seconds = time.process_time() - began
    _mark_alarms(marks, recording, events, monitor)
    if task.fault is None:
        _mark_estimates(marks, plant, recording.truth, events)
    return marks


def _fed(monitor: SiteMonitor, recording: Recording, columns: Columns) -> Iterator[list[Event]]:
    """Feed the rows, what people declared in between at its time."""
    start = 0
    for action in sorted(recording.actions, key=lambda a: a["time"]):
        end = int(columns.times.searchsorted(action["time"]))
        yield monitor.feed_columns(columns.take(slice(start, end)))
        yield monitor.act(OperatorAction(
            time=action["time"], kind=ActionKind(action["kind"]), alarm=action["asset"],
            until=action["until"], by=action["by"], why=action["why"]))
        start = end
    yield monitor.feed_columns(columns.take(slice(start, None)))
    if len(columns):
        yield monitor.advance(int(columns.times[-1]))


# -- alarms --------------------------------------------------------------------------------------


def _mark_alarms(marks: Marks, recording: Recording, events: list[Event],
                 monitor: SiteMonitor) -> None:
    truth, start = recording.truth, recording.start
    raised = [e for e in events
              if isinstance(e, AlarmTransition) and e.transition is Transition.RAISED]
    onset = None
    if marks.task.fault is not None:
        fault = truth.faults[0] if truth.faults else None
        # Within its grace the recording has to hold the latest instant it may be found at.
        if fault is None or fault.by > start + marks.task.days * _DAY:
            marks.fault = "void"
            onset = start if fault is None else fault.onset
        else:
            onset = fault.onset
            moved = [e for e in events if isinstance(e, AlarmTransition)]
            _mark_fault(marks, fault, moved, monitor, truth)
    for e in raised:
        if onset is not None and (e.time >= onset - 60_000 or marks.fault == "void"):
            continue  # what follows from the fault is not counted
        if _allowed(truth, e):
            continue
        marks.wrong.append(Alarmed(
            condition=e.condition, asset=e.asset, after=(e.time - start) / 3.6e6,
            priority=e.priority.value, text=e.text, since=(e.since - start) / 3.6e6))


def _allowed(truth: Truth, e: AlarmTransition) -> bool:
    return any(a.condition in ("*", e.condition) and a.asset in ("*", e.asset)
               and a.start <= e.time <= a.end for a in truth.allowed)


def _mark_fault(
    marks: Marks, fault: Fault, moved: list[AlarmTransition], monitor: SiteMonitor, truth: Truth,
) -> None:
    marks.hard, marks.asset, marks.cause = fault.hard, fault.asset, fault.cause
    raised = [e for e in moved if e.transition is Transition.RAISED]
    # Of a riser that its gauge does not tell from others the generator's sum is raised.
    assets = {fault.asset, *(
        f"gen{r.fed_by + 1}" for r in truth.plant.risers
        if fault.condition in ("leak-high", "leak-growing") and r.id == fault.asset)}
    mine = [e for e in moved if e.condition == fault.condition and e.asset in assets
            and e.transition in (Transition.RAISED, Transition.RETURNED)]
    own = [e for e in mine if e.transition is Transition.RAISED and e.time >= fault.onset - 60_000]
    before = [e for e in mine if e.time < fault.onset - 60_000]
    if before and before[-1].transition is Transition.RAISED and _allowed(truth, before[-1]):
        # Raised by what its gauge read when the fact was not wholly one yet; it still stands.
        own.insert(0, before[-1])
    why = [n.reason for n in monitor.not_monitored()
           if (n.condition, n.asset) == (fault.condition, fault.asset)]
    if own and own[0].time <= fault.by:
        marks.fault, marks.delay = "found", (own[0].time - fault.onset) / 3.6e6
        # Once it is mended, another one is another fact.
        marks.repeats = sum(fault.end is None or e.time <= fault.end for e in own[1:])
        marks.early_since = own[0].since < fault.onset - 3_600_000
    elif why:
        marks.fault, marks.why = "not watched", why[0]
    else:
        marks.fault = "missed"
        allowed = (fault.by - fault.onset) / 3.6e6
        marks.why = f"{(own[0].time - fault.onset) / 3.6e6:.1f} h after its onset, allowed " \
            f"{allowed:.1f}" if own else f"never, allowed {allowed:.1f} h"
        others = sorted({f"{e.condition}@{e.asset}" for e in raised if e.time >= fault.onset})
        if others:
            marks.why += f"; said {', '.join(others[:4])}"


# -- estimates -----------------------------------------------------------------------------------


def _mark_estimates(
    marks: Marks, plant: DrawnPlant, truth: Truth, events: list[Event],
) -> None:
    # A generator's leak is that of the risers that have no figure of their own.
    apart: dict[int, set[str]] = {}
    for e in events:
        if isinstance(e, EstimateMade) and e.quantity == "leak-rate" and e.value is not None:
            apart.setdefault(e.time, set()).add(e.asset)
    for e in events:
        if not isinstance(e, EstimateMade):
            continue
        if e.value is None:
            reasons = marks.refused.setdefault(e.quantity, {})
            reasons[e.reason] = reasons.get(e.reason, 0) + 1
            continue
        found = _true(e, plant, truth, apart)
        if found is None:
            continue
        value, low, high, true, scale = found
        marks.samples.append(Sample(
            quantity=e.quantity, asset=e.asset, after=(e.time - plant.start) / 3.6e6,
            value=value, low=low, high=high, truth=true, scale=scale))


_Found = tuple[float, float | None, float | None, float, float]


def _true(
    e: EstimateMade, plant: DrawnPlant, truth: Truth, apart: Mapping[int, set[str]],
) -> _Found | None:
    """Return value, interval, truth and scale in one unit; ``None`` where there is no truth."""
    if e.value is None or e.window is None or e.window[1] <= e.window[0]:
        return None
    if e.quantity == "purge-done-at":
        return _done_at(e, plant, truth)
    if e.quantity not in true_history.QUANTITIES:
        return None
    true = truth.mean(e.quantity, e.asset, *e.window)
    if true is not None and e.quantity == "leak-rate":
        true -= sum(truth.mean(e.quantity, r.id, *e.window) or 0.0 for r in plant.risers
                    if f"gen{r.fed_by + 1}" == e.asset and r.id in apart[e.time])
    if true is None or true <= 0.0:
        return None
    if e.quantity == "compressor-duty":
        return e.value, e.low, e.high, true, max(true, 1.0)
    per = _SCFH[e.unit]
    # A leak well under what an in-service test finds is marked against the least that matters.
    scale = max(true, 0.3) if e.quantity == "leak-rate" else true
    return (e.value / per, None if e.low is None else e.low / per,
            None if e.high is None else e.high / per, true, scale)


def _done_at(e: EstimateMade, plant: DrawnPlant, truth: Truth) -> _Found | None:
    done = truth.purge_done(e.asset)
    if done is None or not plant.start + (done - plant.start) / 3 <= e.time <= \
            plant.start + 0.9 * (done - plant.start):
        return None
    if truth.shut_by_power(e.asset, e.time, done):
        return None  # "if all goes on as now"
    per = {"": 1.0, "ms": 1.0}.get(e.unit, 1000.0)
    assert e.value is not None
    return (e.value * per, None if e.low is None else e.low * per,
            None if e.high is None else e.high * per, float(done), float(done - e.time))
