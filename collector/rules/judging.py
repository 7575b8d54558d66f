"""Judges one rule: silence of what it needs, delays, and what explains it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from collector.domain.verdicts import Standing, Verdict
from collector.rules.base import RawEvaluation
from collector.rules.explain import Explanations, sentences
from collector.rules.slots import Slot
from collector.rules.wording import Words

__all__ = ["Judge"]


class Judge:
    """Applies to every rule what is not its own business. ``mark`` has a rule judged again."""

    def __init__(
        self, explain: Explanations, words: Words, slots: Sequence[Slot],
        mark: Callable[[Slot, int], None],
    ) -> None:
        self._explain, self._words, self._mark = explain, words, mark
        self.observed_from = 0
        """End of the last stretch (ms) in which nothing was read: delays count from there on."""
        self._silence = {s.rule.asset: s for s in slots if s.rule.condition == "device-silent"}

    def _blind(self, slot: Slot, now: int) -> str:
        for point in slot.points:
            if point.source.silent(now):
                silence = self._silence.get(point.source.id)
                explained = self._explain.holding(silence, now) if silence is not None else None
                why = f"; explained by {explained.why}" if explained is not None else ""
                return f"{self._words.name(point.source.id)} does not answer{why}"
            if not point.fresh(now, slot.rule.gap(point.name)):
                when = "yet" if point.at is None else f"since {self._words.instant(point.at)}"
                return f"no usable {self._words.label(point.name)} {when}"
        return ""

    def evaluate(self, slot: Slot, now: int) -> Verdict | None:
        """Judge a rule at ``now`` (ms); return its verdict where that is news."""
        slot.dirty, slot.held = False, ""
        because = self._blind(slot, now)
        if because:
            because = "; ".join([because, *self._explain.telling(slot, now)])
        finding = RawEvaluation.unknown(because) if because else slot.rule.evaluate(now)
        slot.due = None if because else slot.rule.due(now)
        slot.blind = bool(because)
        if finding.standing is Standing.UNKNOWN:
            news = not slot.unknown or slot.because != finding.because
            slot.unknown, slot.because = True, finding.because
            return self.verdict(slot, now) if news else None
        if finding.standing is not slot.raw:
            slot.raw, slot.raw_at = finding.standing, now
        news = slot.unknown
        slot.unknown, slot.because = False, ""
        if finding.standing is not slot.standing:
            news = self._delayed(slot, finding, now) or news
        elif finding.standing is Standing.PRESENT and finding.since is not None:
            slot.since = finding.since
        return self.verdict(slot, now) if news else None

    def _delayed(self, slot: Slot, finding: RawEvaluation, now: int) -> bool:
        rising = finding.standing is Standing.PRESENT
        delay = slot.rule.on_delay if rising else slot.rule.off_delay
        began = next(
            t for t in (finding.held, finding.since, slot.raw_at, now) if t is not None
        )
        if delay and slot.points:  # What rests on the collector's own facts saw no gap.
            began = max(began, self.observed_from)
        if now < began + delay:
            slot.due = min(t for t in (slot.due, began + delay) if t is not None)
            return False
        explained = self._explain.holding(slot, now, finding.rests_on) if rising else None
        if explained is not None:
            slot.held = explained.why
            slot.due = min(t for t in (slot.due, explained.again) if t is not None)
            return False
        slot.standing = finding.standing
        slot.since = (finding.since if finding.since is not None else began) if rising else None
        if not rising:
            slot.gone = now
        for dependent in self._dependents(slot):
            self._mark(dependent, now)
        return True

    def _dependents(self, slot: Slot) -> list[Slot]:
        return [s for s in self._explain.dependents(slot) if isinstance(s, Slot)]

    def verdict(self, slot: Slot, now: int) -> Verdict:
        """Return what was last said of a rule, worded at ``now`` (ms)."""
        rule = slot.rule
        standing = Standing.UNKNOWN if slot.unknown else slot.standing
        values, text = ({}, "") if standing is not Standing.PRESENT else rule.describe(now)
        if text:
            text = self._words.with_reason(text, sentences(
                self._explain.telling(slot, now), self._explain.told_of(slot),
            ))
        because = f"it holds, but is explained by {slot.held}" if slot.held else slot.because
        return Verdict(
            condition=rule.condition, asset=rule.asset, standing=standing, time=now,
            since=slot.since, values=values, text=text, because=because,
        )
