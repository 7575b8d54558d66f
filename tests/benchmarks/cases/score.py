"""Hold what was said against what the story asks for."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.events import AlarmTransition, EstimateMade, Transition
from collector.rules.registry import RULES
from tests.benchmarks.cases.play import Played, play
from tests.benchmarks.cases.shape import BANK, Expect, May, Never
from tests.benchmarks.cases.truths import Sample, sample

__all__ = ["Alarmed", "Outcome", "Scored", "score"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one expectation: ``found``, ``missed``, ``not built``, ``not watched`` or
    ``void`` (the plant never came to it). ``delay`` in ms; ``late``: past on-delay and two polls.
    """

    condition: str
    asset: str
    slow: bool
    what: str
    delay: int | None = None
    late: bool = False
    repeats: int = 0
    unsaid: tuple[str, ...] = ()
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarmed:
    """An alarm that nothing in the story explains; ``trap`` names the trap it fell into."""

    condition: str
    asset: str
    after: int
    text: str
    trap: str = ""


@dataclass(slots=True, kw_only=True)
class Scored:
    """One case's marks."""

    story: str
    seed: int
    healthy: bool
    days: float
    outcomes: list[Outcome] = field(default_factory=list)
    wrong: list[Alarmed] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    refused: dict[str, dict[str, int]] = field(default_factory=dict)
    """Quantity to the reasons it was not given, and how often."""
    unmade: list[str] = field(default_factory=list)
    """Quantities asked for of which no word came."""
    unknown_settings: list[str] = field(default_factory=list)
    readings: int = 0
    plant_seconds: float = 0.0
    watch_seconds: float = 0.0

    @property
    def failures(self) -> list[str]:
        """Every way in which this case was not what it should be, in words."""
        out = []
        for o in self.outcomes:
            what = f"{o.condition} at {o.asset}"
            if o.what in ("missed", "void", "not watched"):
                out.append(f"{what}: {o.what}{f' ({o.why})' if o.why else ''}")
            if o.what == "found" and o.late and o.delay is not None:
                out.append(f"{what}: late, {o.delay / 1000:.0f} s after its onset")
            if o.unsaid:
                out.append(f"{what}: message lacks {', '.join(map(repr, o.unsaid))}")
        for w in self.wrong:
            trap = f" (trap: {w.trap})" if w.trap else ""
            out.append(f"{w.condition} at {w.asset}: false after {w.after / 3.6e6:.2f} h{trap}")
        return out


def score(name: str, seed: int) -> Scored:
    """Play a story and mark it."""
    story = BANK[name]
    played = play(story, seed)
    scored = Scored(
        story=name, seed=seed, healthy=story.healthy, days=played.case.duration / 86_400_000,
        readings=played.readings, plant_seconds=played.plant_seconds,
        watch_seconds=played.watch_seconds, unknown_settings=played.unknown_settings,
    )
    _alarms(played, scored)
    _quantities(played, scored)
    return scored


def _alarms(played: Played, scored: Scored) -> None:
    case, start = played.case, played.scenario.plant.start
    raised = [e for e in played.events
              if isinstance(e, AlarmTransition) and e.transition is Transition.RAISED]
    explained: set[int] = set()
    for expect, onset, episodes in zip(case.expects, played.onsets, played.episodes, strict=True):
        own = [e for e in raised if (e.condition, e.asset) == (expect.condition, expect.asset)]
        if onset is not None:
            explained |= {id(e) for e in own if e.time >= onset - expect.early}
        scored.outcomes.append(_outcome(played, expect, onset, own, episodes))
    for e in raised:
        after = e.time - start
        if id(e) in explained or any(_excuses(m, e, after) for m in case.may):
            continue
        trap = next((n.trap for n in case.never if _names(n, e)), "")
        scored.wrong.append(Alarmed(condition=e.condition, asset=e.asset, after=after, trap=trap,
                                    text=e.text))


def _outcome(played: Played, expect: Expect, onset: int | None,
             own: list[AlarmTransition], episodes: int) -> Outcome:
    base = {"condition": expect.condition, "asset": expect.asset, "slow": expect.slow}
    if expect.condition not in RULES:
        return Outcome(what="not built", **base)  # type: ignore[arg-type]
    why = [n.reason for n in played.not_monitored
           if (n.condition, n.asset) == (expect.condition, expect.asset)]
    if why:
        return Outcome(what="not watched", why=why[0], **base)  # type: ignore[arg-type]
    if onset is None:
        return Outcome(what="void", **base)  # type: ignore[arg-type]
    hits = [e for e in own if onset - expect.early <= e.time <= onset + expect.within]
    if not hits:
        later = [e for e in own if e.time > onset]
        why_not = f"came {(later[0].time - onset) / 3.6e6:.1f} h after its onset" if later else ""
        return Outcome(what="missed", why=why_not, **base)  # type: ignore[arg-type]
    delay = hits[0].time - onset
    poll = played.polls.get(expect.asset, 0)
    limit = played.on_delay[(expect.condition, expect.asset)] + expect.allow + 2 * poll + 1000
    return Outcome(
        what="found", delay=delay, late=not expect.slow and delay > limit,
        # One cause, one alarm; but what came, ended and came again is told of again.
        repeats=max(0, len(own) - max(1, episodes)),
        unsaid=tuple(w for w in expect.says if w.lower() not in hits[0].text.lower()),
        **base,  # type: ignore[arg-type]
    )


def _excuses(may: May, e: AlarmTransition, after: int) -> bool:
    return (may.condition in ("*", e.condition) and may.asset in ("*", e.asset)
            and may.start <= after and (may.end is None or after < may.end)
            and all(w.lower() in e.text.lower() for w in may.says))


def _names(never: Never, e: AlarmTransition) -> bool:
    return never.condition == e.condition and never.asset in ("*", e.asset)


def _quantities(played: Played, scored: Scored) -> None:
    start = played.scenario.plant.start
    made = [e for e in played.events if isinstance(e, EstimateMade)]
    for measure in played.case.measures:
        end = played.case.duration if measure.end is None else measure.end
        own = [e for e in made if (e.quantity, e.asset) == (measure.quantity, measure.asset)
               and measure.start <= e.time - start <= end + 1000]
        if not own:
            scored.unmade.append(f"{measure.quantity}.{measure.asset}")
        for e in own:
            if e.value is None:
                reasons = scored.refused.setdefault(e.quantity, {})
                reasons[e.reason] = reasons.get(e.reason, 0) + 1
                continue
            found = sample(played, e)
            if found is not None:
                scored.samples.append(found)
