"""The bank's figures as text."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from collector.domain.conditions import CATALOGUE
from collector.rules.registry import RULES
from tests.benchmarks.cases.score import Outcome, Scored
from tests.benchmarks.cases.truths import QUANTITIES, Sample

__all__ = ["quantile", "tables"]

_YEAR = 365.25


def quantile(values: Sequence[float], share: float) -> float:
    """Return the ``share`` quantile, between neighbours in proportion."""
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    left = int(place)
    right = min(left + 1, len(ordered) - 1)
    return ordered[left] + (place - left) * (ordered[right] - ordered[left])


def tables(done: Sequence[Scored], *, fails: bool = False, texts: bool = False,
           by_story: bool = False) -> str:
    """Return every table."""
    parts = [_conditions(done), _quantities(done), _false(done)]
    if by_story:
        parts.append(_by_story(done))
    if fails:
        parts.append(_fails(done, texts))
    return "\n\n".join(parts)


def _time(ms: float) -> str:
    if ms < 180_000:
        return f"{ms / 1000:.0f} s"
    if ms < 3 * 3_600_000:
        return f"{ms / 60_000:.1f} min"
    return f"{ms / 3_600_000:.1f} h" if ms < 3 * 86_400_000 else f"{ms / 86_400_000:.1f} d"


def _conditions(done: Sequence[Scored]) -> str:
    years = sum(s.days for s in done) / _YEAR
    healthy = sum(s.days for s in done if s.healthy) / _YEAR
    asked: dict[str, list[Outcome]] = defaultdict(list)
    for s in done:
        for o in s.outcomes:
            asked[o.condition].append(o)
    wrong = Counter(w.condition for s in done for w in s.wrong)
    wrong_healthy = Counter(w.condition for s in done if s.healthy for w in s.wrong)
    lines = [f"{'condition':26}{'cases':>6}{'recall':>8}{'in time':>8}{'median':>10}{'p90':>10}"
             f"{'repeats':>8}{'false':>6}{'healthy/y':>10}",
             f"(in time: on-delay, own limit and two polls; false: in all {years:.2f} site-years; "
             f"healthy: false per year of {healthy:.2f} site-years)"]
    for name in CATALOGUE:
        outcomes, false = asked.get(name, []), wrong[name]
        if name not in RULES:
            lines.append(f"{name:26}{len(outcomes):6d}  not built")
            continue
        if not outcomes and not false:
            continue
        rate = f"{wrong_healthy[name] / healthy:10.2f}" if healthy else f"{'-':>10}"
        lines.append(f"{name:26}{_recall(outcomes)}{false:6d}{rate}")
    return "\n".join(lines)


def _recall(outcomes: Sequence[Outcome]) -> str:
    judged = [o for o in outcomes if o.what in ("found", "missed", "not watched")]
    found = [o for o in judged if o.what == "found"]
    delays = [float(o.delay) for o in found if o.delay is not None]
    if not judged:
        return f"{len(outcomes):6d}{'-':>8}{'-':>8}{'-':>10}{'-':>10}{'-':>8}"
    hard = [o for o in judged if not o.slow]
    in_time = [o for o in hard if o.what == "found" and not o.late]
    return (f"{len(judged):6d}{len(found) / len(judged):8.3f}"
            + (f"{len(in_time) / len(hard):8.3f}" if hard else f"{'slow':>8}")
            + (f"{_time(quantile(delays, 0.5)):>10}{_time(quantile(delays, 0.9)):>10}"
               if delays else f"{'-':>10}{'-':>10}")
            + f"{sum(o.repeats for o in found):8d}")


def _quantities(done: Sequence[Scored]) -> str:
    by: dict[str, list[Sample]] = defaultdict(list)
    refused: dict[str, Counter[str]] = defaultdict(Counter)
    unmade = Counter(u.partition(".")[0] for s in done for u in s.unmade)
    for s in done:
        for one in s.samples:
            by[one.quantity].append(one)
        for quantity, reasons in s.refused.items():
            refused[quantity].update(reasons)
    lines = [f"{'quantity':22}{'made':>7}{'refused':>8}{'none':>6}{'bias':>9}{'p90 error':>10}"
             f"{'coverage':>9}"]
    for name in QUANTITIES:
        samples, no = by.get(name, []), sum(refused[name].values())
        if not samples:
            if no or unmade[name]:
                lines.append(f"{name:22}{0:7d}{no:8d}{unmade[name]:6d}"
                             + ("  not built" if not no else ""))
            continue
        lines.append(f"{name:22}{len(samples):7d}{no:8d}{unmade[name]:6d}{_errors(samples)}")
    for name, reasons in refused.items():
        lines += [f"  {name}: {n} times: {reason}" for reason, n in reasons.most_common(4)]
    return "\n".join(lines)


def _errors(samples: Sequence[Sample]) -> str:
    errors = [x.error for x in samples]
    covered = [x.covered for x in samples if x.covered is not None]
    return (f"{sum(errors) / len(errors):9.1%}{quantile([abs(e) for e in errors], 0.9):10.1%}"
            + (f"{sum(covered) / len(covered):9.2f}" if covered else f"{'-':>9}"))


def _by_story(done: Sequence[Scored]) -> str:
    by: dict[tuple[str, str], list[Sample]] = defaultdict(list)
    for s in done:
        for one in s.samples:
            by[(one.quantity, f"{s.story} {one.asset}")].append(one)
    lines = [f"{'quantity':22}{'story':44}{'made':>7}{'bias':>9}{'p90 error':>10}{'coverage':>9}"]
    lines += [f"{quantity:22}{where:44}{len(samples):7d}{_errors(samples)}"
              for (quantity, where), samples in sorted(by.items())]
    return "\n".join(lines)


def _false(done: Sequence[Scored]) -> str:
    healthy = [s for s in done if s.healthy]
    days = sum(s.days for s in healthy)
    false = sum(len(s.wrong) for s in healthy)
    lines = []
    if days:
        lines.append(f"healthy plants: {false} false alarms in {days / _YEAR:.2f} site-years: "
                     f"{false / days * _YEAR:.2f} per site-year")
    fallen = Counter((w.condition, w.trap) for s in done for w in s.wrong if w.trap)
    lines += [f"trap fallen into {n} times: {condition}: {trap}"
              for (condition, trap), n in fallen.most_common()]
    unknown = sorted({u for s in done for u in s.unknown_settings})
    if unknown:
        lines.append(f"settings that no condition has yet, left out: {', '.join(unknown)}")
    return "\n".join(lines) or "no healthy plants among these"


def _fails(done: Sequence[Scored], texts: bool) -> str:
    lines = []
    for s in done:
        lines += [f"{s.story} --seed {s.seed}: {failure}" for failure in s.failures]
        if texts:
            lines += [f"    {w.condition}: {w.text}" for w in s.wrong]
    return "\n".join(lines) or "nothing failed"
