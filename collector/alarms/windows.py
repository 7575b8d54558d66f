"""Impairments and planned visits: declared, announced, reminded of, ended when their time is up.

A window is an event of the journal. While it lasts, the alarms it explains are suppressed by design
(impairment) or out of service (visit), each with its own event; at its end every alarm whose
condition is still active is raised.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from collector.alarms.registry import AlarmRegistry
from collector.alarms.window_texts import WindowTexts
from collector.clock import format_instant, parse_instant
from collector.domain.actions import (
    WINDOW_DETAILS,
    ActionKind,
    OperatorAction,
    Window,
    WindowKind,
)
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import ActionRefused
from collector.domain.events import AlarmTransition, SystemEvent, Transition
from collector.domain.plant import Plant
from collector.domain.units import DAY, HOUR, MINUTE

Key = tuple[str, str]

LONGEST = {WindowKind.IMPAIRMENT: 7 * DAY, WindowKind.VISIT: 30 * DAY}
"""ms. An alarm inhibited for longer is forgotten; a longer window is declared again."""

AHEAD = 90 * DAY
"""ms ahead of which a window can be planned."""

REMIND = 30 * MINUTE
"""ms before the end of a window at which it is announced; half its length where that is less."""

FACTS: Mapping[str, tuple[WindowKind, str]] = {
    "impairment-planned": (WindowKind.IMPAIRMENT, "planned"),
    "impairment-declared": (WindowKind.IMPAIRMENT, "begun"),
    "impairment-ending": (WindowKind.IMPAIRMENT, "ending"),
    "impairment-ended": (WindowKind.IMPAIRMENT, "ended"),
    "visit-planned": (WindowKind.VISIT, "planned"),
    "visit-begun": (WindowKind.VISIT, "begun"),
    "visit-ending": (WindowKind.VISIT, "ending"),
    "visit-ended": (WindowKind.VISIT, "ended"),
}
_NAMES = {meaning: name for name, meaning in FACTS.items()}

_KINDS = {
    ActionKind.DECLARE_IMPAIRMENT: WindowKind.IMPAIRMENT,
    ActionKind.END_IMPAIRMENT: WindowKind.IMPAIRMENT,
    ActionKind.BEGIN_VISIT: WindowKind.VISIT, ActionKind.END_VISIT: WindowKind.VISIT,
}
_INHIBIT = {WindowKind.IMPAIRMENT: ActionKind.SUPPRESS, WindowKind.VISIT: ActionKind.TAKE_OUT}
_RELEASE = {WindowKind.IMPAIRMENT: ActionKind.UNSUPPRESS, WindowKind.VISIT: ActionKind.PUT_BACK}
_NEVER_OUT = frozenset({"room-oxygen-low"})  # visitors breathe there


class Windows:
    """The windows of one site. ``monitored`` yields each monitored condition and its asset."""

    def __init__(
        self, plant: Plant, registry: AlarmRegistry, monitored: Callable[[], Iterable[Key]],
        names: Mapping[str, str],
    ) -> None:
        self._plant, self._registry, self._monitored = plant, registry, monitored
        self._texts = WindowTexts(plant, names)
        self._open: dict[Key, Window] = {}
        self._planned: dict[Key, Window] = {}
        self._past: list[Window] = []

    def __repr__(self) -> str:
        return f"Windows({', '.join(' '.join(key) for key in self._open) or 'none'})"

    def active(self) -> list[Window]:
        return sorted(self._open.values(), key=lambda w: (w.until, w.kind, w.asset))

    def planned(self) -> list[Window]:
        """Return the windows that begin later, by their start."""
        return sorted(self._planned.values(), key=lambda w: (w.since, w.kind, w.asset))

    @staticmethod
    def handles(action: OperatorAction) -> bool:
        """Whether an action declares or ends a window."""
        return action.kind in _KINDS

    # -- operator actions ------------------------------------------------------------------------

    def act(self, action: OperatorAction) -> list[SystemEvent | AlarmTransition]:
        """Declare a window, or end one early; return the event and the alarm transitions it causes.

        Raises ``ActionRefused``, before any effect, for what cannot have such a window, without a
        reason, without an end or with one past or too far off, and when there is none to end.
        """
        kind = _KINDS[action.kind]
        if action.kind in (ActionKind.END_IMPAIRMENT, ActionKind.END_VISIT):
            window = self._open.get((kind, action.alarm))
            planned = self._planned.get((kind, action.alarm))
            if window is None and planned is not None:
                return [self._cancel(planned, action)]
            if window is None:
                raise ActionRefused(f"no {kind} of {action.alarm} is declared")
            return self._end(window, action.time, by=action.by, why=action.why)
        window = self._requested(kind, action)
        if window.since > action.time:
            fact = self._fact(window, "planned", action.time, self._texts.planned(window))
            self.apply(fact)
            return [fact]
        return self._begin(window, action.time)

    def _begin(self, window: Window, at: int) -> list[SystemEvent | AlarmTransition]:
        text = self._texts.begun(window, self._long(window))
        fact = self._fact(window, "begun", at, text)
        self.apply(fact)
        return [fact, *self._inhibit(window, at)]

    def _cancel(self, window: Window, action: OperatorAction) -> SystemEvent:
        text = self._texts.ended(window, action.by, action.why)
        fact = self._fact(window, "ended", action.time, text, by=action.by, why=action.why)
        self.apply(fact)
        return fact

    def _requested(self, kind: WindowKind, action: OperatorAction) -> Window:
        inhibits = self._inhibited(kind, action.alarm)
        if not inhibits or (kind is WindowKind.IMPAIRMENT
                            and not systems(self._plant, action.alarm)):
            raise ActionRefused(f"nothing is watched there that a {kind} would quiet: "
                                f"{action.alarm}")
        if not action.why.strip():
            raise ActionRefused(f"a {kind} needs a reason")
        if action.until is None:
            raise ActionRefused(f"a {kind} needs a time when it ends")
        if action.until <= action.time:
            raise ActionRefused("the end given is already past")
        since = max(action.time, action.since or action.time)
        if action.until <= since:
            raise ActionRefused("the end given is before the start")
        if since - action.time > AHEAD:
            raise ActionRefused(f"a {kind} is planned for {AHEAD // DAY} days ahead at most")
        if action.until - since > LONGEST[kind]:
            raise ActionRefused(f"a {kind} is declared for {LONGEST[kind] // DAY} days at most; "
                                "declare it again then")
        details = {k: v.strip() for k, v in action.details.items()
                   if k in WINDOW_DETAILS and v.strip()}
        return Window(kind=kind, asset=action.alarm, since=since, until=action.until,
                      by=action.by, why=action.why.strip(), inhibits=inhibits, details=details)

    def _inhibited(self, kind: WindowKind, asset: str) -> tuple[str, ...]:
        found = [(c, a) for c, a in self._monitored() if self._covers(kind, asset, c, a)]
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
              why: str = "") -> SystemEvent:
        return SystemEvent(
            time=at, site=self._plant.site.id, fact=_NAMES[window.kind, what], asset=window.asset,
            text=text, values={
                "since": format_instant(window.since), "until": format_instant(window.until),
                "by": by or window.by, "why": why or window.why, "quiet": " ".join(window.inhibits),
                **window.details,
            },
        )

    def apply(self, fact: SystemEvent) -> None:
        """Apply an event: at once, and again when the journal is read after a crash."""
        kind, what = FACTS.get(fact.fact, (None, ""))
        if kind is None:
            return
        key, values = (kind, fact.asset), fact.values
        if what in ("begun", "planned"):
            window = Window(
                kind=kind, asset=fact.asset, since=parse_instant(str(values["since"])),
                until=parse_instant(str(values["until"])), by=str(values["by"]),
                why=str(values["why"]), inhibits=tuple(str(values["quiet"]).split()),
                details={k: str(values[k]) for k in WINDOW_DETAILS if k in values},
            )
            if what == "planned":
                self._planned[key] = window
            else:
                self._planned.pop(key, None)
                self._open[key] = window
        elif what == "ended" and key not in self._open:
            self._planned.pop(key, None)
        elif key in self._open and what == "ending":
            self._open[key] = replace(self._open[key], reminded=True)
        elif key in self._open:
            self._past.append(replace(self._open.pop(key), until=fact.time))
        self._past = [w for w in self._past if fact.time - w.until < DAY]

    # -- time ------------------------------------------------------------------------------------

    def next_due(self) -> int | None:
        """Return the instant (ms) at which the next window ends or is announced to end."""
        return min([*(w.until if w.reminded else _remind_at(w) for w in self._open.values()),
                    *(w.since for w in self._planned.values())], default=None)

    def tick(self, now: int) -> list[SystemEvent | AlarmTransition]:
        """Announce windows that end soon, and end those whose time is up."""
        events: list[SystemEvent | AlarmTransition] = []
        for window in self.planned():
            if window.since <= now:
                inhibits = self._inhibited(window.kind, window.asset)
                events += self._begin(replace(window, inhibits=inhibits), now)
        for window in self.active():
            if window.until <= now:
                events += self._end(window, now)
            elif not window.reminded and _remind_at(window) <= now:
                fact = self._fact(window, "ending", now, self._texts.ending(window, now))
                self.apply(fact)
                events.append(fact)
        return events

    def _end(self, window: Window, at: int, *, by: str = "", why: str = "",
             ) -> list[SystemEvent | AlarmTransition]:
        fact = self._fact(window, "ended", at, self._texts.ended(window, by, why), by=by, why=why)
        self.apply(fact)
        moved: list[AlarmTransition] = []
        for name in window.inhibits:
            if not self._still_inhibited(window.kind, name, at, moved):
                self._try(_RELEASE[window.kind], name, at, moved, by=by,
                          why=f"the {window.kind} ended")
        return [fact, *moved, *self.after(moved, at)]

    def _still_inhibited(
        self, kind: WindowKind, name: str, at: int, moved: list[AlarmTransition],
    ) -> bool:
        """Keep an alarm inhibited to the end of another window of the kind that covers it."""
        others = [w for w in self._open.values() if w.kind is kind and name in w.inhibits]
        if others:
            last = max(others, key=lambda w: w.until)
            self._try(_INHIBIT[kind], name, at, moved, by=last.by, why=last.why, until=last.until)
        return bool(others)

    def _inhibit(self, window: Window, at: int) -> list[AlarmTransition]:
        moved: list[AlarmTransition] = []
        for name in window.inhibits:
            until = max(w.until for w in self._open.values()
                        if w.kind is window.kind and name in w.inhibits)
            self._try(_INHIBIT[window.kind], name, at, moved, by=window.by, until=until,
                      why=f"{window.kind}: {window.why}")
        return moved

    def _try(
        self, kind: ActionKind, name: str, at: int, moved: list[AlarmTransition], *, by: str,
        why: str,
        until: int | None = None,
    ) -> None:
        action = OperatorAction(kind=kind, alarm=name, time=at, by=by, why=why, until=until)
        try:
            moved += self._registry.act(action)
        except ActionRefused:
            # Shelved, or inhibited for another reason: it stays so, without an event.
            return

    def after(self, moved: Iterable[AlarmTransition], now: int) -> list[AlarmTransition]:
        """Inhibit an alarm that a shelf's end, or a new site file, has raised within a window."""
        again: list[AlarmTransition] = []
        for event in moved:
            if event.transition is not Transition.RAISED:
                continue
            for window in self.active():
                if self._covers(window.kind, window.asset, event.condition, event.asset):
                    self._try(_INHIBIT[window.kind], event.id, now, again, by=window.by,
                              until=window.until, why=f"{window.kind}: {window.why}")
                    break
        return again

    # -- state -----------------------------------------------------------------------------------

    def dump(self) -> list[dict[str, Any]]:
        """Return the active windows, and those of the last day, as JSON-able data."""
        return [{"kind": w.kind.value, "asset": w.asset, "since": w.since, "until": w.until,
                 "by": w.by, "why": w.why, "quiet": list(w.inhibits), "reminded": w.reminded,
                 "over": over, "planned": planned, "details": dict(w.details)}
                for over, planned, group in (
                    (False, False, self._open.values()), (True, False, self._past),
                    (False, True, self._planned.values()))
                for w in group]

    def load(self, state: Iterable[Mapping[str, Any]]) -> None:
        self._open, self._planned, self._past = {}, {}, []
        for raw in state:
            window = Window(
                kind=WindowKind(raw["kind"]), asset=raw["asset"], since=raw["since"],
                until=raw["until"], by=raw["by"], why=raw["why"], inhibits=tuple(raw["quiet"]),
                reminded=raw["reminded"], details=dict(raw.get("details", {})),
            )
            if raw["over"]:
                self._past.append(window)
            elif raw.get("planned", False):
                self._planned[window.kind, window.asset] = window
            else:
                self._open[window.kind, window.asset] = window


def _remind_at(window: Window) -> int:
    return window.until - min(REMIND, (window.until - window.since) // 2)


_IMPAIRED = [c for c in CATALOGUE.values() if c.impairment]
OF_RISER = frozenset(c.id for c in _IMPAIRED if c.applies_to in ("riser", "vent"))
"""Conditions of the system itself and its vents."""
OF_GENERATOR = frozenset(c.id for c in _IMPAIRED if "generator" in (c.applies_to, *c.also))
"""Conditions of its generator, which loses gas into the work and fills the system afterwards."""
MANY_HOURS = 10 * HOUR
"""ms. More than 10 h out of service within 24 h: NFPA 1 13.1.9 (as quoted on a municipal form) lets
the authority having jurisdiction require evacuation or a fire watch."""


def systems(plant: Plant, asset: str) -> tuple[str, ...]:
    """Return the risers that an impairment of ``asset`` (riser, generator or site) affects."""
    if asset == plant.site.id:
        return tuple(plant.risers)
    if asset in plant.generators:
        return tuple(r.id for r in plant.risers.values() if r.fed_by == asset)
    return (asset,) if asset in plant.risers else ()


def explains(plant: Plant, asset: str, condition: str, of: str) -> bool:
    """Whether an impairment of ``asset`` explains ``condition`` of the asset ``of``."""
    down = systems(plant, asset)
    thing = of if plant.thing(of) is not None else of.rpartition(".")[0]
    riser = plant.vents[thing].riser if thing in plant.vents else thing
    if riser in down:
        return condition in OF_RISER
    feeding = {plant.risers[r].fed_by for r in down}
    return thing in feeding and condition in OF_GENERATOR


def most_in_a_day(spans: Iterable[tuple[int, int]]) -> int:
    """Return the longest time (ms) that ``spans`` (start, end) cover within any 24 h."""
    merged: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(merged[-1][1], end)
        else:
            merged.append((start, end))
    # The fullest 24 h begin where a span begins, or end where one ends.
    windows = [(s, s + DAY) for s, _ in merged] + [(e - DAY, e) for _, e in merged]
    return max((_within(merged, first, last) for first, last in windows), default=0)


def _within(spans: Sequence[tuple[int, int]], first: int, last: int) -> int:
    return sum(max(0, min(end, last) - max(start, first)) for start, end in spans)
