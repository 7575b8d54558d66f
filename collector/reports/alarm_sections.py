"""Sections of a report: what to do next, the alarms, and how well the alarm system performs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from collector.alarms.performance import YARDSTICKS, Frequent, Occurrence
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.events import Priority, Transition
from collector.domain.messages import parts_of
from collector.domain.units import DAY, duration_text
from collector.reports.gauge_sections import low_air_tests, seen
from collector.reports.plant_sections import LeakCost, cost_words, leak_cost, number, parts, total
from collector.reports.report_data import (
    Block,
    Box,
    Bullets,
    Heading,
    Paragraph,
    ReportData,
    Table,
    title_of,
)
from collector.reports.times import instant_words
from collector.reports.window_sections import in_force

_MOST = 60
_KINDS = {Transition.SHELVED: "shelved", Transition.SUPPRESSED: "suppressed by design",
          Transition.OUT_OF_SERVICE: "out of service"}


def active_alarms(g: ReportData) -> Iterator[Block]:
    """List the alarms active at the end of the period."""
    yield Heading(text="State at the end", level=2)
    yield from in_force(g)
    if not g.active:
        yield Paragraph(text="No alarm stood at the end of the period.")
        return
    yield Table(
        header=("Priority", "What", "Where", "Since", "Acknowledged"), widths=(1, 3, 2.4, 2, 2),
        rows=[(o.priority.value, title_of(o.condition), g.name(o.asset),
               instant_words(o.raised, g.zone), _answer(g, o)) for o in g.active])


def _answer(g: ReportData, one: Occurrence) -> str:
    if one.acknowledged is None:
        return "not acknowledged"
    who = f" by {one.acknowledged_by}" if one.acknowledged_by else ""
    return f"after {duration_text(one.acknowledged - one.raised)}{who}"


def events(g: ReportData) -> Iterator[Block]:
    yield Heading(text="Events")
    raised = [o for o in g.occurrences if o.raised >= g.start]
    if not raised:
        yield Paragraph(text="No alarm was raised in this period.")
    else:
        yield Table(
            header=("Raised", "Priority", "What", "Where", "Lasted", "Acknowledged"),
            widths=(2.1, 1.1, 3, 2.2, 1.3, 2),
            rows=[(instant_words(o.raised, g.zone), o.priority.value, title_of(o.condition),
                   g.name(o.asset), _lasted(g, o), _answer(g, o)) for o in raised[-_MOST:]])
        if len(raised) > _MOST:
            yield Paragraph(soft=True, text=f"The last {_MOST} of {len(raised)} are listed; "
                            "quietpipe export --events writes them all.")
    yield from _noted(g)


def _lasted(g: ReportData, one: Occurrence) -> str:
    if one.ended is None:
        return "still active"
    tail = "" if one.returned else ", then suppressed"
    return duration_text(min(one.ended, g.end) - one.raised) + tail


def _noted(g: ReportData) -> Iterator[Block]:
    actions = g.facts("fill-", "baseline-reset", "acceptance-", "impairment-", "visit-")
    if actions:
        yield Heading(text="Operator actions", level=2)
        yield Bullets(items=[f"{instant_words(f.time, g.zone)}: {f.text}"
                             for f in actions[-_MOST:]])
    own = Counter(f.fact for f in g.facts()) - Counter(f.fact for f in actions)
    if own:
        yield Heading(text="System events", level=2)
        yield Bullets(items=[f"{kind.replace('-', ' ').capitalize()}: {count} times"
                             if count > 1 else f"{kind.replace('-', ' ').capitalize()}: once"
                             for kind, count in sorted(own.items())])


def alarm_measures(g: ReportData) -> Iterator[Block]:
    """Yield the alarm system performance against the standard's figures."""
    m = g.measures
    yield Heading(text="The alarm system itself")
    yield Paragraph(soft=True, text=(
        "Measured as IEC 62682 and ISA-18.2 define it, for one operator position. An alarm system "
        "that calls too often, or for nothing, is no longer listened to."
        + ("" if m.long_enough else " The standard asks for at least 30 days; this period is "
           "shorter, so read the figures with care.")))
    yield Table(
        header=("Measure", "Here", "Acceptable", "Source"), widths=(3, 2, 2.2, 2.4),
        rows=[(name, here, YARDSTICKS[key].acceptable, YARDSTICKS[key].source)
              for name, here, key in _measured(g)])
    yield from _guilty(g)


def _percent(share: float | None) -> str:
    return "none raised" if share is None else f"{share * 100:.1f} %"


def _measured(g: ReportData) -> Iterator[tuple[str, str, str]]:
    m = g.measures
    yield "Alarms a day", f"{m.per_day:.2f}", "per_day"
    yield "Alarms an hour", f"{m.per_hour:.3f} (most {m.most_in_hour})", "per_hour"
    yield ("Alarms in 10 minutes", f"{m.per_ten_minutes:.4f} (most {m.most_in_ten})",
           "per_ten_minutes")
    yield "Hours with more than 30", _percent(m.hours_above), "hours_above"
    yield "10 minutes with more than 10", _percent(m.tens_above), "tens_above"
    yield ("Time in floods", f"{_percent(m.flood_share)} ({len(m.floods)} floods)", "flood_share")
    yield "Part of the ten most frequent", _percent(m.top_share), "top_share"
    yield "Chattering alarms", str(len(m.chattering)), "chattering"
    yield "Fleeting alarms", str(len(m.fleeting)), "fleeting"
    yield ("Stale (stood over 24 h)", f"{len(m.stale)}, {m.stale_on_worst_day} on the worst day",
           "stale")
    shares = ", ".join(f"{_percent(m.priorities[p])} {p.value}" for p in reversed(Priority))
    yield "Priorities", shares if m.raised else "none raised", "priorities"


def _guilty(g: ReportData) -> Iterator[Block]:
    m = g.measures
    if m.frequent:
        yield Heading(text="The most frequent", level=2)
        yield Table(
            header=("What", "Where", "Times", "Part", "Remark"), widths=(3, 2.4, 1, 1, 2),
            align="LLRRL",
            rows=[(title_of(f.condition), g.name(f.asset), str(f.count), _percent(f.share),
                   _remark(g, f)) for f in m.frequent])
    answered = "" if m.answered_median is None else \
        f"Half of what was acknowledged was so within {duration_text(m.answered_median)}. "
    yield Paragraph(text=f"{answered}{m.unanswered} of {m.raised} were not acknowledged by the "
                         "end of the period." if m.raised else "No one was called.")
    if m.inhibited:
        yield Heading(text="Suppressed alarms", level=2)
        yield Table(
            header=("What", "Where", "How", "From", "For", "By", "Why"),
            widths=(2.6, 2, 1.6, 2, 1.2, 1.3, 2.2),
            rows=[(title_of(q.condition), g.name(q.asset), _KINDS[q.kind],
                   instant_words(q.start, g.zone),
                   "still" if q.end is None else duration_text(q.end - q.start), q.by, q.why)
                  for q in m.inhibited[-_MOST:]])


def _remark(g: ReportData, frequent: Frequent) -> str:
    key = frequent.condition, frequent.asset
    words = []
    if key in {(f.condition, f.asset) for f in g.measures.chattering}:
        words.append("chatters")
    if key in {(f.condition, f.asset) for f in g.measures.fleeting}:
        words.append("fleeting")
    return ", ".join(words)


_OFTEN = 10
"""Occurrences of one alarm in a period from which its cause is worth finding (setting)."""
_NAMED = 6
"""Alarms that ended, named in what to do next; the others are among the events."""
_GROWN = 1.25
"""Last quarter over first quarter from which on a leak is called grown (setting)."""
_QUARTER = 85 * DAY
_SEEN = 0.95
"""Share of valid data below which the wiring is worth checking (setting)."""


def summary(g: ReportData) -> Iterator[Block]:
    """Write the first page."""
    yield Heading(text="What to do next")
    steps = list(next_steps(g))
    if steps:
        yield Bullets(items=steps, numbered=True)
    else:
        yield Paragraph(text="Nothing beyond the regular inspections.")
    yield Heading(text="The period in brief")
    yield Bullets(items=list(_brief(g)))


def next_steps(g: ReportData) -> Iterator[str]:
    """Yield what to do next, the most urgent first, each with its reason."""
    for one in g.active:
        known = CATALOGUE.get(one.condition)
        check = f" Check first: {known.causes[0]}." if known is not None and known.causes else ""
        yield (f"{title_of(one.condition)} at {g.name(one.asset)} still active, since "
               f"{instant_words(one.raised, g.zone)} ({one.priority.value}).{check}")
    yield from _repeated(g)
    yield from _grown(g)
    yield from _unseen(g)
    untested = [name for name, at in low_air_tests(g) if at is None]
    if untested and g.end - g.start >= _QUARTER:
        yield (f"Test the low-air switch of {', '.join(untested)}: it did not operate in this "
               "period, and each quarter is the interval (NFPA 25).")
    if g.not_monitored:
        count = len(g.not_monitored)
        yield (f"{count} condition{'s' if count > 1 else ''} not monitored; the list says "
               "what is missing for each.")


def _repeated(g: ReportData) -> Iterator[str]:
    """Yield the alarms of the period that have ended, the gravest first, with the first check."""
    active = {(o.condition, o.asset) for o in g.active}
    groups: dict[tuple[str, str], list[Occurrence]] = {}
    for one in g.occurrences:
        if one.raised >= g.start and (one.condition, one.asset) not in active:
            groups.setdefault((one.condition, one.asset), []).append(one)
    order = tuple(Priority)
    gravest = sorted(groups.items(), key=lambda i: (
        min(order.index(o.priority) for o in i[1]), -len(i[1]), i[0]))
    for (condition, asset), some in gravest[:_NAMED]:
        text = parts_of(some[-1].text)
        known = CATALOGUE.get(condition)
        checks = text.checks or (known.causes if known is not None else ())
        count = "once" if len(some) == 1 else f"{len(some)} times"
        lasted = duration_text(sum(o.active(g.end) for o in some))
        advice = " Find its cause, or check its settings." if len(some) >= _OFTEN else ""
        check = f" Ask on site about: {checks[0]}." if checks else ""
        yield (f"{title_of(condition)} at {g.name(asset)} came {count} and has ended, "
               f"{lasted} in all ({some[-1].priority.value}).{check}{advice}")
    if len(gravest) > _NAMED:
        yield f"{len(gravest) - _NAMED} more alarms came and ended: see Events."


def _grown(g: ReportData) -> Iterator[str]:
    for asset in g.assets_with("leak-rate"):
        early, late = parts(g, "leak-rate", asset)
        if early.mean and late.mean and min(early.count, late.count) >= 3 \
                and late.mean > _GROWN * early.mean:
            unit = g.estimates("leak-rate", asset)[0].unit
            yield (f"Look for the leak of {g.name(asset)}: it grew from {number(early.mean)} to "
                   f"{number(late.mean, unit)} between the first and the last quarter.")


def _unseen(g: ReportData) -> Iterator[str]:
    poor = [s for s in seen(g) if s.share < _SEEN]
    if poor:
        worst = min(poor, key=lambda s: s.share)
        points = "1 point was" if len(poor) == 1 else f"{len(poor)} points were"
        yield (f"Look at the wiring and the devices: {points} seen less than "
               f"{_SEEN * 100:.0f} % of the time (worst: {worst.point}, "
               f"{worst.share * 100:.1f} %).")


def _brief(g: ReportData) -> Iterator[str]:
    m = g.measures
    raised = "No alarm was" if not m.raised else "1 alarm was" if m.raised == 1 else \
        f"{m.raised} alarms were"
    active = f"{len(m.active) or 'none'} active"
    yield f"{raised} raised in {duration_text(g.end - g.start)}; {active} at the end."
    for riser in g.plant.risers.values():
        point = f"{riser.id}.pressure"
        if g.has(point):
            lows = [s.low for s in g.trend(point) if s.low is not None]
            highs = [s.high for s in g.trend(point) if s.high is not None]
            axis = g.axis(point)
            yield f"{riser.name} was between {axis.words(min(lows))} and {axis.words(max(highs))}."
    for vent in g.plant.vents.values():
        lasts = [s.mean for s in g.trend(f"{vent.id}.oxygen") if s.mean is not None]
        if lasts:
            target = "" if vent.target_oxygen is None else f" (target {vent.target_oxygen:g} %)"
            yield f"Oxygen at {vent.name} was last {lasts[-1]:.1f} %{target}."
    for generator in g.plant.generators.values():
        used = total(g, "energy", generator.id)
        if used is not None:
            yield (f"{generator.name} used {number(used.value, used.unit)} in "
                   f"{duration_text(used.covered)}.")
        cost = leak_cost(g, generator)
        if isinstance(cost, LeakCost):
            yield f"The leak behind {generator.name} took {cost_words(cost)}."
    shares = [s.share for s in seen(g)]
    if shares:
        yield f"Valid data: {sum(shares) / len(shares) * 100:.1f} %."
    else:
        yield "No readings are in the journal."


def cautions() -> Box:
    """Return the cautions, which every report has."""
    return Box(title="Cautions", lines=list(CAUTIONS.values()))
