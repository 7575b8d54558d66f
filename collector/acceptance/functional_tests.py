"""Functional tests: purity, return from air-fill, switches, form C contacts, purges."""

from __future__ import annotations

from collections import deque

from collector.acceptance.step_readings import (
    Measure,
    Outcome,
    Sample,
    StepEvaluation,
    StepReadings,
)
from collector.acceptance.steps import Step
from collector.domain.units import MINUTE, duration_text

_WARM_UP = 120_000
_SEEN = 180_000
"""ms of running after the warm-up that must have been read."""
_SMOOTH = 600_000
"""ms over which a sensor that reads in steps is averaged."""
_AIR_FILL, _NITROGEN = 2.0, 1.0


def evaluate_purity(step: Step, look: StepReadings) -> StepEvaluation:
    """Compare the product oxygen, wired or entered by hand, with its limit."""
    if look.typed:
        return _typed_purity(step, look)
    if why := look.clock_set():
        return StepEvaluation.void(why)
    oxygen, running = step.points[:2]
    mode = next((p for p in step.points if p.endswith(".mode")), "")
    seen: list[Sample] = []
    length, since, last = 0, None, None
    for time, now in look.merged(oxygen, running, *((mode,) if mode else ())):
        making = now.get(running, 0.0) > 0.5 and now.get(mode, _NITROGEN) == _NITROGEN
        if not making or (last is not None and time - last > look.longest_gap):
            since = time if making else None
        elif since is None:
            since = time
        if since is not None and time - since >= _WARM_UP:
            seen.append((time, now[oxygen]))
            length += min(time - last, look.longest_gap) if last is not None else 0
        last = time
    if length < _SEEN:
        quiet = look.silent(oxygen, running)
        return StepEvaluation.waiting(
            f"{quiet} Read warm and running for {duration_text(length)} of "
                               f"{duration_text(_SEEN)}.".strip())
    return _purity(step, seen[0][0], seen[-1][0], sum(v for _, v in seen) / len(seen), oxygen)


def _purity(step: Step, start: int, end: int, percent: float, source: str) -> StepEvaluation:
    limit = step.limits["percent"]
    outcome = Outcome.PASSED if percent <= limit else Outcome.FAILED
    return StepEvaluation(
        outcome=outcome, window=(start, end),
        text=f"The product holds {percent:.2f} % oxygen, {100 - percent:.2f} % nitrogen and the "
             f"rest of air; the limit is {limit:g} % oxygen.",
        measures=(Measure(name="product oxygen", shown=f"{percent:.2f} %", value=percent, unit="%",
                          source=source, limit=f"no more than {limit:g} %",
                          limit_from=step.limit_from),))


def _typed_purity(step: Step, look: StepReadings) -> StepEvaluation:
    typed = look.typed
    source = (f"{typed['instrument']}, serial number {typed['serial']}, typed in by "
              f"{typed['by']}")
    return _purity(step, look.now, look.now, float(typed["value"]), source)


def evaluate_return(step: Step, look: StepReadings) -> StepEvaluation:
    """Check that the unit goes to air-fill and back, within the time and below cut-out."""
    if why := look.clock_set():
        return StepEvaluation.void(why)
    mode = step.points[0]
    entered: int | None = None
    last: Sample | None = None
    for time, value in look.samples(mode):
        if last is not None and entered is not None and time - last[0] > look.longest_gap:
            return StepEvaluation.void(
                f"No reading of the mode for {duration_text(time - last[0])} "
                                "while it was in air-fill. Begin again.")
        if value == _AIR_FILL and entered is None:
            entered = time
        if value == _NITROGEN and entered is not None:
            return _returned(step, look, entered, time)
        last = (time, value)
    if why := look.silent(mode):
        return StepEvaluation.waiting(why)
    if entered is None:
        return StepEvaluation.waiting("Waiting for the unit to go to air-fill.")
    lasted = (look.now - entered) / 1000
    limit = step.limits["minutes"] * 60
    if lasted > limit:
        return StepEvaluation(outcome=Outcome.FAILED, window=(entered, look.now), measures=(
            _air_time(step, lasted, limit),),
            text=f"In air-fill for {duration_text(lasted * 1000)} and still there; the limit is "
                 f"{duration_text(limit * 1000)}.")
    return StepEvaluation(outcome=Outcome.TIMING, window=(entered, look.now),
                   text=f"In air-fill for {duration_text(lasted * 1000)}; it must return within "
                        f"{duration_text(limit * 1000)}.")


def _air_time(step: Step, seconds: float, limit: float) -> Measure:
    return Measure(name="time in air-fill", shown=duration_text(seconds * 1000), value=seconds,
                   unit="s", source=step.points[0], limit_from=step.limit_from,
                   limit=f"no more than {duration_text(limit * 1000)}")


def _returned(step: Step, look: StepReadings, entered: int, left: int) -> StepEvaluation:
    seconds, limit = (left - entered) / 1000, step.limits["minutes"] * 60
    tank = next((p for p in step.points if p.endswith(".tank_pressure")), "")
    psi = look.at(tank, left) if tank else None
    measures = [_air_time(step, seconds, limit)]
    well = seconds <= limit
    if psi is not None:
        top = step.limits["to"]
        well = well and psi <= top
        measures.append(Measure(
            name="tank at the return", shown=look.words.pressure(psi), value=psi, unit="psi",
            source=tank, limit=f"no more than {look.words.pressure(top)}",
            limit_from=step.limit_from))
    at = f" with {look.words.pressure(psi)} in the tank" if psi is not None else ""
    return StepEvaluation(outcome=Outcome.PASSED if well else Outcome.FAILED,
                          window=(entered, left),
                   measures=tuple(measures),
                   text=f"Back on nitrogen after {duration_text(seconds * 1000)}{at}.")


def evaluate_low_air(step: Step, look: StepReadings) -> StepEvaluation:
    """Measure the pressure at which the switch operates while the pressure falls slowly."""
    if why := look.clock_set():
        return StepEvaluation.void(why)
    low_air, pressure = step.points[:2]
    limit, within = step.limits["psi"], step.limits["within"]
    was: float | None = None
    armed = False
    for time, now in look.merged(low_air, pressure):
        psi = now.get(pressure)
        if now[low_air] < 0.5:
            armed, was = True, psi if psi is not None else was
        elif armed and psi is not None and was is not None:
            return _operated(step, look, time, was, psi)
    if why := look.silent(low_air, pressure):
        return StepEvaluation.waiting(why)
    if not armed:
        return StepEvaluation.waiting("The switch is operated now: restore the pressure first.")
    shown = look.words.pressure(was) if was is not None else "no pressure read"
    return StepEvaluation.waiting(
        f"At {shown}; it should operate at {look.words.pressure(limit)} ± "
                           f"{look.words.pressure(within)}.")


def _operated(step: Step, look: StepReadings, time: int, before: float,
              after: float) -> StepEvaluation:
    words, limit, within = look.words, step.limits["psi"], step.limits["within"]
    if abs(before - after) > within:
        return StepEvaluation.void(
            f"The pressure moved by {words.pressure(abs(before - after))} between two readings, "
            "too fast to say where the switch operated. Restore it and let it down slowly.")
    psi = (before + after) / 2
    outcome = Outcome.PASSED if abs(psi - limit) <= within else Outcome.FAILED
    return StepEvaluation(
        outcome=outcome, window=(look.began, time),
        text=f"The switch operated at {words.pressure(psi)}; it is set for "
             f"{words.pressure(limit)}.",
        measures=(Measure(
            name="operated at", value=psi, unit="psi", source=" and ".join(step.points[:2]),
            shown=f"{words.pressure(psi)} (between {words.pressure(after)} and "
                  f"{words.pressure(before)})",
            limit=f"{words.pressure(limit)} ± {words.pressure(within)}",
            limit_from=step.limit_from),))


def evaluate_contact(step: Step, look: StepReadings) -> StepEvaluation:
    """Check that both legs of a form C contact change over and are never alike for long."""
    if why := look.clock_set():
        return StepEvaluation.void(why)
    _, normally_open, normally_closed = step.points
    states: list[float] = []
    alike, run, last = 0, 0, None
    for time, now in look.merged(normally_open, normally_closed):
        if normally_closed not in now:
            continue
        value = now[normally_open]
        alike = alike + 1 if value == now[normally_closed] else 0
        if alike > 2:
            return StepEvaluation(
                outcome=Outcome.FAILED, window=(look.began, time),
                text=f"Both legs read {'closed' if value > 0.5 else 'open'} three times in a row: "
                     "a wire is broken, or both are on one leg.",
                measures=(_legs(step, False, "both alike"),))
        run = run + 1 if not alike and value == last else 1
        last = None if alike else value
        if run == 2 and not alike and value not in states:
            states.append(value)
        if len(states) == 2:
            return StepEvaluation(outcome=Outcome.PASSED, window=(look.began, time),
                           text="Both legs changed over, one against the other.",
                           measures=(_legs(step, True, "changed over"),))
    if why := look.silent(normally_open, normally_closed):
        return StepEvaluation.waiting(why)
    if not states:
        return StepEvaluation.waiting("Waiting for the first readings of both legs.")
    return StepEvaluation.waiting("Seen at rest; now make it operate." if states[0] < 0.5
                           else "StepState operated; now let it go back to rest.")


def _legs(step: Step, well: bool, shown: str) -> Measure:
    return Measure(name="legs", shown=shown, value=float(well), unit="contact",
                   source=" and ".join(step.points[1:]), limit="one against the other",
                   limit_from=step.limit_from)


def evaluate_purge_start(step: Step, look: StepReadings) -> StepEvaluation:
    """Check that the oxygen begins to fall at an open vent."""
    if why := look.clock_set():
        return StepEvaluation.void(why)
    oxygen = step.points[0]
    is_open = next((p for p in step.points if p.endswith(".open")), "")
    seen = [(t, now[oxygen]) for t, now in look.merged(oxygen, *((is_open,) if is_open else ()))
            if now.get(is_open, 1.0) > 0.5]
    if why := look.silent(oxygen):
        return StepEvaluation.waiting(why)
    if len(seen) < 6:
        return StepEvaluation.waiting("Waiting for the vent to open." if not seen
                               else "The vent is open; waiting for readings.")
    first = sum(v for _, v in seen[:3]) / 3
    last = sum(v for _, v in seen[-3:]) / 3
    window = (seen[0][0], seen[-1][0])
    if first - last < step.limits["fall"]:
        return StepEvaluation(outcome=Outcome.TIMING, window=window,
                       text=f"The vent is open, {last:.1f} % oxygen; it began at {first:.1f} %.")
    measures = (
        Measure(name="oxygen at the beginning", shown=f"{first:.1f} %", value=first, unit="%",
                source=oxygen),
        Measure(name="oxygen fell by", shown=f"{first - last:.1f} %", value=first - last, unit="%",
                source=oxygen, limit=f"at least {step.limits['fall']:g} %",
                limit_from=step.limit_from))
    return StepEvaluation(outcome=Outcome.PASSED, window=window, measures=measures,
                   text=f"Oxygen falls: from {first:.1f} % to {last:.1f} %.")


def evaluate_purge_finish(step: Step, look: StepReadings) -> StepEvaluation:
    """Check that the oxygen reaches its target and stays there for an hour."""
    if why := look.clock_set():
        return StepEvaluation.void(why)
    oxygen, target = step.points[0], step.limits["percent"]
    held = step.limits["minutes"] * MINUTE
    since, last = None, None
    times: deque[int] = deque()
    recent: deque[float] = deque()
    for time, value in look.samples(oxygen):
        if last is not None and time - last > look.longest_gap:
            since = None
            times.clear()
            recent.clear()
        last = time
        times.append(time)
        recent.append(value)
        while time - times[0] > _SMOOTH:
            times.popleft()
            recent.popleft()
        mean = sum(recent) / len(recent)
        if since is None and mean <= target and len(recent) > 2:
            since = time
        elif mean > target + step.limits["within"]:
            since = None
        if since is not None and time - since >= held:
            days = (since - look.began) / 1000
            return StepEvaluation(
                outcome=Outcome.PASSED, window=(look.began, time),
                text=f"The target was reached, and held for {duration_text(held)}: "
                     f"{mean:.1f} % oxygen.",
                measures=(
                    Measure(name="oxygen", shown=f"{mean:.1f} %", value=mean, unit="%",
                            source=oxygen, limit=f"{target:g} %, then no more than "
                                  f"{step.limits['within']:g} % above it",
                            limit_from=step.limit_from),
                    Measure(name="time to target", shown=duration_text(days * 1000), value=days,
                            unit="s", source=oxygen)))
    if why := look.silent(oxygen):
        return StepEvaluation.waiting(why)
    now = look.samples(oxygen)[-1][1] if look.samples(oxygen) else None
    if now is None:
        return StepEvaluation.waiting("Waiting for the first reading.")
    return StepEvaluation(outcome=Outcome.TIMING, window=(look.began, look.now),
                   text=f"{now:.1f} % oxygen; the target is {target:g} %.")
