"""Impairments and planned visits: declared by people, announced, reminded of, ended by themselves.

A window is a fact of the journal. While it lasts the alarms it explains are suppressed by design
(impairment) or out of service (visit), each with its own event; at its end what still holds is
raised.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from collector.alarms.book import AlarmBook
from collector.alarms.impaired import DAY, MANY_HOURS, explains, most_in_a_day, systems
from collector.alarms.window_words import WindowWords
from collector.clock import format_instant, parse_instant
from collector.domain.actions import Action, Deed
from collector.domain.errors import ActionRefused
from collector.domain.events import AlarmMoved, FactNoted, Transition
from collector.domain.plant import Plant
from collector.domain.windows import Window, WindowKind

__all__ = ["FACTS", "LONGEST", "Windows"]

Key = tuple[str, str]

LONGEST = {WindowKind.IMPAIRMENT: 7 * DAY, WindowKind.VISIT: 30 * DAY}
"""ms; what is quiet for longer is forgotten. A longer one is declared again."""

REMIND = 30 * 60_000
"""ms before its end that a window is reminded of; half its length where that is less."""

FACTS: Mapping[str, tuple[WindowKind, str]] = {
    "impairment-declared": (WindowKind.IMPAIRMENT, "begun"),
    "impairment-ending": (WindowKind.IMPAIRMENT, "ending"),
    "impairment-ended": (WindowKind.IMPAIRMENT, "ended"),
    "visit-begun": (WindowKind.VISIT, "begun"),
    "visit-ending": (WindowKind.VISIT, "ending"),
    "visit-ended": (WindowKind.VISIT, "ended"),
}
_NAMES = {meaning: name for name, meaning in FACTS.items()}

_DEEDS = {
    Deed.DECLARE_IMPAIRMENT: WindowKind.IMPAIRMENT, Deed.END_IMPAIRMENT: WindowKind.IMPAIRMENT,
    Deed.BEGIN_VISIT: WindowKind.VISIT, Deed.END_VISIT: WindowKind.VISIT,
}
_QUIET = {WindowKind.IMPAIRMENT: Deed.SUPPRESS, WindowKind.VISIT: Deed.TAKE_OUT}
_LOUD = {WindowKind.IMPAIRMENT: Deed.UNSUPPRESS, WindowKind.VISIT: Deed.PUT_BACK}
_NEVER_OUT = frozenset({"room-oxygen-low"})
"""Whoever visits breathes there."""


class Windows:
    """The windows of one site. ``watched`` gives each condition and asset that is watched."""

    def __init__(self, plant: Plant, book: AlarmBook, watched: Callable[[], Iterable[Key]],
                 names: Mapping[str, str]) -> None:
        self._plant, self._book, self._watched = plant, book, watched
        self._words = WindowWords(plant, names)
        self._open: dict[Key, Window] = {}
        self._past: list[Window] = []

    def __repr__(self) -> str:
        return f"Windows({', '.join(' '.join(key) for key in self._open) or 'none'})"

    def standing(self) -> list[Window]:
        """Return each window that lasts, the one that ends first before the others."""
        return sorted(self._open.values(), key=lambda w: (w.until, w.kind, w.asset))

    @staticmethod
    def concerns(action: Action) -> bool:
        """Whether an action is about a window."""
        return action.deed in _DEEDS

    # -- what people do --------------------------------------------------------------------------

    def act(self, action: Action) -> list[FactNoted | AlarmMoved]:
        """Declare a window, or end one early; return the fact and what it does to alarms.

        Raises ``ActionRefused``, before any effect, for what cannot have such a window, without a
        reason, without an end or with one past or too far off, and when there is none to end.
        """
        kind = _DEEDS[action.deed]
        if action.deed in (Deed.END_IMPAIRMENT, Deed.END_VISIT):
            window = self._open.get((kind, action.alarm))
            if window is None:
                raise ActionRefused(f"no {kind} of {action.alarm} is declared")
            return self._end(window, action.time, by=action.by, why=action.why)
        window = self._asked(kind, action)
        text = self._words.begun(window, self._long(window))
        fact = self._fact(window, "begun", action.time, text)
        self.take(fact)
        return [fact, *self._hush(window, action.time)]

    def _asked(self, kind: WindowKind, action: Action) -> Window:
        quiet = self._quieted(kind, action.alarm)
        if not quiet or (kind is WindowKind.IMPAIRMENT and not systems(self._plant, action.alarm)):
            raise ActionRefused(f"nothing is watched there that a {kind} would quiet: "
                                f"{action.alarm}")
        if not action.why.strip():
            raise ActionRefused(f"a {kind} needs a reason")
        if action.until is None:
            raise ActionRefused(f"a {kind} needs a time when it ends")
        if action.until <= action.time:
            raise ActionRefused("the end given is already past")
        if action.until - action.time > LONGEST[kind]:
            raise ActionRefused(f"a {kind} is declared for {LONGEST[kind] // DAY} days at most; "
                                "declare it again then")
        return Window(kind=kind, asset=action.alarm, since=action.time, until=action.until,
                      by=action.by, why=action.why.strip(), quiet=quiet)

    def _quieted(self, kind: WindowKind, asset: str) -> tuple[str, ...]:
        found = [(c, a) for c, a in self._watched() if self._covers(kind, asset, c, a)]
        # The systems before the generator that feeds them: that is how it is read.
        found.sort(key=lambda key: key[1].partition(".")[0] in self._plant.generators)
        return tuple(f"{c}.{a}" for c, a in found)

    def _covers(self, kind: WindowKind, asset: str, condition: str, of: str) -> bool:
        if kind is WindowKind.IMPAIRMENT:
            return explains(self._plant, asset, condition, of)
        own = of == asset or of.startswith(f"{asset}.")
        return own and condition not in _NEVER_OUT

    def _long(self, window: Window) -> tuple[str, ...]:
        """Return the systems that would be down for more than 10 h within 24 h."""
        if window.kind is not WindowKind.IMPAIRMENT:
            return ()
        before = [w for w in (*self._past, *self._open.values())
                  if w.kind is WindowKind.IMPAIRMENT]
        return tuple(
            riser for riser in systems(self._plant, window.asset)
            if most_in_a_day((w.since, w.until) for w in (*before, window)
                             if riser in systems(self._plant, w.asset)) > MANY_HOURS
        )

    # -- facts -----------------------------------------------------------------------------------

    def _fact(self, window: Window, what: str, at: int, text: str, *, by: str = "",
              why: str = "") -> FactNoted:
        return FactNoted(
            time=at, site=self._plant.site.id, fact=_NAMES[window.kind, what], asset=window.asset,
            text=text, values={
                "since": format_instant(window.since), "until": format_instant(window.until),
                "by": by or window.by, "why": why or window.why, "quiet": " ".join(window.quiet),
            },
        )

    def take(self, fact: FactNoted) -> None:
        """Take over what a fact says: at once, and again when the journal is read after a crash."""
        kind, what = FACTS.get(fact.fact, (None, ""))
        if kind is None:
            return
        key, told = (kind, fact.asset), fact.values
        if what == "begun":
            self._open[key] = Window(
                kind=kind, asset=fact.asset, since=parse_instant(str(told["since"])),
                until=parse_instant(str(told["until"])), by=str(told["by"]), why=str(told["why"]),
                quiet=tuple(str(told["quiet"]).split()),
            )
        elif key in self._open and what == "ending":
            self._open[key] = replace(self._open[key], reminded=True)
        elif key in self._open:
            self._past.append(replace(self._open.pop(key), until=fact.time))
        self._past = [w for w in self._past if fact.time - w.until < DAY]

    # -- time ------------------------------------------------------------------------------------

    def next_due(self) -> int | None:
        """Return when (ms) the next window ends or is to be reminded of."""
        return min([w.until if w.reminded else _remind_at(w) for w in self._open.values()],
                   default=None)

    def tick(self, now: int) -> list[FactNoted | AlarmMoved]:
        """Remind of what ends soon, and end what was declared until now."""
        events: list[FactNoted | AlarmMoved] = []
        for window in self.standing():
            if window.until <= now:
                events += self._end(window, now)
            elif not window.reminded and _remind_at(window) <= now:
                fact = self._fact(window, "ending", now, self._words.ending(window, now))
                self.take(fact)
                events.append(fact)
        return events

    def _end(self, window: Window, at: int, *, by: str = "", why: str = "",
             ) -> list[FactNoted | AlarmMoved]:
        fact = self._fact(window, "ended", at, self._words.ended(window, by, why), by=by, why=why)
        self.take(fact)
        moved: list[AlarmMoved] = []
        for name in window.quiet:
            if not self._still_quiet(window.kind, name, at, moved):
                self._try(_LOUD[window.kind], name, at, moved, by=by,
                          why=f"the {window.kind} ended")
        return [fact, *moved, *self.after(moved, at)]

    def _still_quiet(self, kind: WindowKind, name: str, at: int, moved: list[AlarmMoved]) -> bool:
        """Leave quiet what another window of the kind still covers, until that one's end."""
        others = [w for w in self._open.values() if w.kind is kind and name in w.quiet]
        if others:
            last = max(others, key=lambda w: w.until)
            self._try(_QUIET[kind], name, at, moved, by=last.by, why=last.why, until=last.until)
        return bool(others)

    def _hush(self, window: Window, at: int) -> list[AlarmMoved]:
        moved: list[AlarmMoved] = []
        for name in window.quiet:
            until = max(w.until for w in self._open.values()
                        if w.kind is window.kind and name in w.quiet)
            self._try(_QUIET[window.kind], name, at, moved, by=window.by, until=until,
                      why=f"{window.kind}: {window.why}")
        return moved

    def _try(self, deed: Deed, name: str, at: int, moved: list[AlarmMoved], *, by: str, why: str,
             until: int | None = None) -> None:
        action = Action(deed=deed, alarm=name, time=at, by=by, why=why, until=until)
        try:
            moved += self._book.act(action)
        except ActionRefused:
            # Shelved, or quiet for another reason: it stays so, and nobody hears of it.
            return

    def after(self, moved: Iterable[AlarmMoved], now: int) -> list[AlarmMoved]:
        """Quiet at once what a shelf that ended, or a new site file, has raised in a window."""
        again: list[AlarmMoved] = []
        for event in moved:
            if event.transition is not Transition.RAISED:
                continue
            for window in self.standing():
                if self._covers(window.kind, window.asset, event.condition, event.asset):
                    self._try(_QUIET[window.kind], event.id, now, again, by=window.by,
                              until=window.until, why=f"{window.kind}: {window.why}")
                    break
        return again

    # -- state -----------------------------------------------------------------------------------

    def dump(self) -> list[dict[str, Any]]:
        """Return the windows, and those of the last day, as JSON-able data."""
        return [{"kind": w.kind.value, "asset": w.asset, "since": w.since, "until": w.until,
                 "by": w.by, "why": w.why, "quiet": list(w.quiet), "reminded": w.reminded,
                 "over": over}
                for over, group in ((False, self._open.values()), (True, self._past))
                for w in group]

    def load(self, state: Iterable[Mapping[str, Any]]) -> None:
        """Take over what :meth:`dump` gave."""
        self._open, self._past = {}, []
        for raw in state:
            window = Window(
                kind=WindowKind(raw["kind"]), asset=raw["asset"], since=raw["since"],
                until=raw["until"], by=raw["by"], why=raw["why"], quiet=tuple(raw["quiet"]),
                reminded=raw["reminded"],
            )
            if raw["over"]:
                self._past.append(window)
            else:
                self._open[window.kind, window.asset] = window


def _remind_at(window: Window) -> int:
    return window.until - min(REMIND, (window.until - window.since) // 2)
