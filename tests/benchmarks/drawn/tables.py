"""The tables of drawn plants: false alarms, faults, quantities, each also per structure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from tests.benchmarks.drawn.play import Marks, Sample

__all__ = ["tables"]

_BY = ("regulator", "vent", "poll", "gauge", "mode", "analyser", "risers", "start")


def tables(marks: Sequence[Marks], *, texts: int = 0) -> str:
    """Return all tables as text, with up to ``texts`` messages of each false alarm's kind."""
    healthy = [m for m in marks if m.task.fault is None]
    faulty = [m for m in marks if m.task.fault is not None]
    parts = []
    if healthy:
        parts += [_false_alarms(healthy, texts), _quantities(healthy)]
    if faulty:
        parts.append(_faults(faulty))
    parts += [_structures(key, healthy, faulty) for key in _BY]
    parts.append(_cost(marks))
    return "\n\n".join(parts)


def _years(marks: Iterable[Marks]) -> float:
    return sum(m.task.days for m in marks) / 365.25


def _false_alarms(healthy: Sequence[Marks], texts: int) -> str:
    years = _years(healthy)
    wrong = [(m, w) for m in healthy for w in m.wrong]
    high = sum(w.priority == "high" for _, w in wrong)
    clean = sum(not m.wrong for m in healthy)
    lines = [
        f"{len(healthy)} healthy plants, {years:.1f} site-years: {len(wrong)} false alarms, "
        f"{len(wrong) / years:.2f} per site-year (goal 0.2), {high / years:.2f} of priority high "
        f"(goal 0.05); {clean} plants without any"]
    kinds = Counter(w.condition for _, w in wrong)
    for condition, count in kinds.most_common():
        own = [(m, w) for m, w in wrong if w.condition == condition]
        plants = Counter(m.task.seed for m, _ in own)
        most = ", ".join(f"{seed} ({n})" for seed, n in plants.most_common(6))
        lines.append(f"  {condition:26}{count:6}{count / years:9.2f}  on {len(plants):3} plants: "
                     f"{most}")
        lines += [f"      {m.task.seed} {w.asset} at {w.after:.2f} h since {w.since:.2f} h: "
                  f"{w.text}" for m, w in own[:texts]]
    return "\n".join(lines)


def _quantities(healthy: Sequence[Marks]) -> str:
    lines = [f"{'quantity':24}{'count':>7}{'refused':>9}{'median':>9}{'p90':>9}{'bias':>9}"
             f"{'cover':>8}  p90 of plants' medians"]
    samples: dict[str, list[tuple[int, Sample]]] = defaultdict(list)
    for m in healthy:
        for s in m.samples:
            samples[s.quantity].append((m.task.seed, s))
    refused: Counter[str] = Counter()
    why: Counter[tuple[str, str]] = Counter()
    for m in healthy:
        for quantity, reasons in m.refused.items():
            refused[quantity] += sum(reasons.values())
            for reason, count in reasons.items():
                why[quantity, reason[:90]] += count
    for quantity, rows in sorted(samples.items()):
        lines.append(f"{quantity:24}{len(rows):7}{refused[quantity]:9}{_figures(rows)}")
    lines += [f"  refused {q}: {n} times: {reason}" for (q, reason), n in why.most_common(14)]
    return "\n".join(lines)


def _figures(rows: Sequence[tuple[int, Sample]]) -> str:
    errors = np.array([(s.value - s.truth) / s.scale for _, s in rows])
    held = [s.low <= s.truth <= s.high for _, s in rows
            if s.low is not None and s.high is not None]
    per: dict[int, list[float]] = defaultdict(list)
    for (seed, _), error in zip(rows, errors.tolist(), strict=True):
        per[seed].append(abs(error))
    medians = [float(np.median(e)) for e in per.values()]
    cover = f"{np.mean(held):8.3f}" if held else f"{'-':>8}"
    return (f"{np.median(abs(errors)):9.3f}{np.quantile(abs(errors), 0.9):9.3f}"
            f"{np.median(errors):+9.3f}{cover}  {np.quantile(medians, 0.9):.3f} of "
            f"{len(medians)}")


def _recall(faulty: Sequence[Marks]) -> tuple[int, int]:
    judged = [m for m in faulty if m.fault in ("found", "missed")]
    return sum(m.fault == "found" for m in judged), len(judged)


def _share(found: tuple[int, int]) -> str:
    return f"{found[0] / found[1]:.3f} ({found[0]}/{found[1]})" if found[1] else "-"


def _faults(faulty: Sequence[Marks]) -> str:
    lines = [f"faults: hard {_share(_recall([m for m in faulty if m.hard]))} (goal 0.99), slow "
             f"{_share(_recall([m for m in faulty if not m.hard]))} (goal 0.95)"]
    for fault in sorted({m.task.fault or "" for m in faulty}):
        own = [m for m in faulty if m.task.fault == fault]
        kinds = Counter(m.fault for m in own)
        delays = [m.delay for m in own if m.delay is not None]
        typical = f"{np.median(delays):8.2f} h" if delays else ""
        lines.append(
            f"  {fault:26}{_share(_recall(own)):18}{typical}  repeats "
            f"{sum(m.repeats for m in own)}, said to begin before its cause "
            f"{sum(m.early_since for m in own)}, void {kinds['void']}, not watched "
            f"{kinds['not watched']}")
        lines += [f"      missed: {m.task.seed} {m.asset} {m.cause}: {m.why}" for m in own
                  if m.fault == "missed"]
    return "\n".join(lines)


def _structures(key: str, healthy: Sequence[Marks], faulty: Sequence[Marks]) -> str:
    lines = [f"by {key}:"]
    values = sorted({m.structure.get(key, "-") for m in (*healthy, *faulty)},
                    key=lambda v: (not v.replace(".", "").isdigit(),
                                   float(v) if v.replace(".", "").isdigit() else 0.0, v))
    for value in values:
        mine, bad = ([m for m in rows if m.structure.get(key, "-") == value]
                     for rows in (healthy, faulty))
        years = _years(mine)
        rate = f"{sum(len(m.wrong) for m in mine) / years:8.2f}" if years else f"{'-':>8}"
        p90 = []
        for quantity in ("nitrogen-demand", "compressor-delivery", "leak-rate"):
            errors = [abs(s.value - s.truth) / s.scale for m in mine for s in m.samples
                      if s.quantity == quantity]
            p90.append(f"{np.quantile(errors, 0.9):7.3f}" if errors else f"{'-':>7}")
        lines.append(f"  {value:16}{len(mine):5} plants{rate} per site-year; p90 of demand, "
                     f"delivery, leak {' '.join(p90)}; recall {_share(_recall(bad))}")
    return "\n".join(lines)


def _cost(marks: Sequence[Marks]) -> str:
    readings = sum(m.readings for m in marks)
    monitor = sum(m.watch_seconds for m in marks)
    return (f"{len(marks)} recordings, {readings / 1e6:.0f} million readings; plants "
            f"{sum(m.plant_seconds for m in marks):.0f} s, watch {monitor:.0f} s of CPU: "
            f"{readings / max(monitor, 1e-9) / 1000.0:.0f} thousand readings a CPU second")
