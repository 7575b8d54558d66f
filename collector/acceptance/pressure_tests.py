"""Evaluates the steps that time or measure pressure: pump-up, fill and tightness."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from collector.acceptance.step_readings import (
    Measure,
    Outcome,
    Sample,
    StepEvaluation,
    StepReadings,
    crossing,
)
from collector.acceptance.steps import Kind, Step
from collector.domain.units import MINUTE, PSI, ZERO_CELSIUS, duration_text
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import R
from collector.physics.leak import leak_rate, pressure_drop
from collector.survey.parts import COLD

_NEAR = 1.0
"""psi above the start pressure at which a rise still counts as begun there."""
_DRAWN = 1.0
"""psi that a rise may fall back; more means that gas was drawn."""
_SHORT = 2.0
"""psi below cut-out at which the pressure switch may already stop the compressor."""
_SETTLE = 600_000
"""ms for a tank to cool after a run."""
_TANK_KELVIN = 293.15


@dataclass(slots=True, kw_only=True)
class _Rise:
    """A rise in progress, and remarks on those before it."""

    level: float
    goal: float
    base: Sample | None = None
    """The last sample from which the rise may have begun."""
    began: float | None = None
    began_psi: float = 0.0
    peak: float = 0.0
    last: Sample | None = None
    doubt: int = 0
    voids: list[str] = field(default_factory=list)

    def drop(self, why: str) -> None:
        self.voids.append(why)
        self.base = self.began = None

    def remarks(self) -> tuple[str, ...]:
        return tuple(f"An attempt before it was not counted: {why}." for why in self.voids)

    def step(self, sample: Sample, on: bool, longest_gap: int) -> float | None:
        """Apply a sample; return the time (ms) at which the goal was reached."""
        time, psi = sample
        last, self.last = self.last, sample
        if self.began is None:
            self._not_begun(sample, on)
            return None
        assert last is not None  # noqa: S101 - a rise that has begun has a sample before this
        if time - last[0] > longest_gap:
            self.drop(f"no reading for {duration_text(time - last[0])} while it was timed")
            return None
        if psi < self.peak - _DRAWN:
            self.drop(f"the pressure fell back by {self.peak - psi:.1f} psi: something drew")
            return None
        self.peak = max(self.peak, psi)
        if psi >= self.goal:
            self.doubt += time - last[0]
            return crossing(last, sample, self.goal)
        return None

    def _not_begun(self, sample: Sample, on: bool) -> None:
        time, psi = sample
        if psi <= self.level or (not on and psi <= self.level + _NEAR):
            self.base = sample
        elif self.base is not None and on:
            level = max(self.level, self.base[1])
            self.began, self.began_psi = crossing(self.base, sample, level), level
            self.peak, self.doubt = psi, time - self.base[0]
        elif psi > self.level + _NEAR:
            self.base = None


def _timed(step: Step, look: StepReadings, rise: _Rise, ended: float,
           limit: float) -> StepEvaluation:
    assert rise.began is not None  # noqa: S101 - only a rise that has begun ends
    seconds, doubt = (ended - rise.began) / 1000, rise.doubt / 2000
    outcome = Outcome.PASSED if seconds + doubt <= limit else \
        Outcome.FAILED if seconds - doubt > limit else Outcome.UNDECIDED
    words = look.words
    measure = Measure(
        name="time", value=seconds, unit="s", source=step.points[0],
        shown=f"{duration_text(seconds * 1000)} ± {duration_text(doubt * 1000)}",
        limit=f"no more than {duration_text(limit * 1000)}", limit_from=step.limit_from)
    about = (f"From {words.pressure(rise.began_psi)} to {words.pressure(rise.goal)} in "
             f"{duration_text(seconds * 1000)}; the limit is {duration_text(limit * 1000)}.")
    if outcome is Outcome.UNDECIDED:
        about += " The readings are too far apart to decide it: ask the device more often, or " \
                 "time it again."
    return StepEvaluation(outcome=outcome, text=about, measures=(measure,), remarks=rise.remarks(),
                   window=(int(rise.began), round(ended)))


def _in_progress(look: StepReadings, rise: _Rise, waits: str) -> StepEvaluation:
    lost = f"Not counted: {rise.voids[-1]}. " if rise.voids and rise.began is None else ""
    if rise.began is None:
        return StepEvaluation.waiting(lost + waits, rise.remarks())
    words, psi = look.words, rise.last[1] if rise.last else 0.0
    return StepEvaluation(
        outcome=Outcome.TIMING, window=(int(rise.began), look.now), remarks=rise.remarks(),
        text=f"{words.pressure(psi)} of {words.pressure(rise.goal)}, "
             f"{duration_text(look.now - rise.began)} so far.")


def _spoilt(look: StepReadings, *points: str) -> StepEvaluation | None:
    if why := look.clock_set():
        return StepEvaluation.void(why)
    if why := look.silent(*points):
        return StepEvaluation.waiting(why)
    return None


def evaluate_tank(step: Step, look: StepReadings) -> StepEvaluation:
    """Time an isolated tank from ``from`` to ``to`` psi, and compute the delivery."""
    tank, running = step.points[:2]
    limit = step.limits["minutes"] * 60
    rise = _Rise(level=step.limits["from"], goal=step.limits["to"])
    for time, now in look.merged(tank, running):
        on = now.get(running, 0.0) > 0.5
        before = rise.last
        ended = rise.step((time, now[tank]), on, look.longest_gap)
        if ended is None and rise.began is not None and running in now and not on:
            if now[tank] < rise.goal - _SHORT:
                rise.drop(f"the compressor stopped at {now[tank]:.1f} psi, short of cut-out")
            elif before is not None:
                rise.doubt += time - before[0]
                ended = float(before[0])
        if ended is not None:
            found = _by_mode(step, look, rise, _timed(step, look, rise, ended, limit))
            if found.outcome is not Outcome.VOID:
                return _delivered(step, look, rise, found)
            rise.drop(found.text.rstrip("."))
    if spoilt := _spoilt(look, tank, running):
        return replace(spoilt, remarks=rise.remarks())
    words = look.words
    return _in_progress(look, rise, f"Waiting for the tank to be at {words.pressure(rise.level)} "
                                  "or below, and then for the compressor to start.")


def _by_mode(step: Step, look: StepReadings, rise: _Rise, found: StepEvaluation) -> StepEvaluation:
    mode = next((p for p in step.points if p.endswith(".mode")), "")
    if not mode or found.window is None:
        return found
    start, end = found.window
    seen = [v for t, v in look.samples(mode) if start <= t <= end]
    if not seen:
        return found
    on_air = sum(v == 2.0 for v in seen) / len(seen)
    if step.kind is Kind.TANK_NITROGEN and on_air > 0:
        return StepEvaluation.void(
            "the unit was in air-fill while it was timed: set it to nitrogen")
    if step.kind is Kind.TANK_AIR and on_air < 1 and found.outcome is not Outcome.PASSED:
        return StepEvaluation.void(
            "part of it was on nitrogen, which is slower: hold it in air-fill")
    note = f"In air-fill for {on_air:.0%} of it." if step.kind is Kind.TANK_AIR else ""
    return replace(found, remarks=(*found.remarks, *((note,) if note else ())))


def _delivered(step: Step, look: StepReadings, rise: _Rise,
               found: StepEvaluation) -> StepEvaluation:
    """Add the delivery of the run, once the tank has cooled and is still isolated."""
    volume = look.plant.generators[step.asset].tank_volume
    if volume is None or found.window is None:
        return found
    start, end = found.window
    tank, running = step.points[:2]
    after = [(t, v) for t, v in look.samples(tank) if t > end]
    ran = [t for t, v in look.samples(running) if t > end + look.longest_gap and v > 0.5]
    if ran and ran[0] < end + _SETTLE:
        note = "The tank was not left isolated for 10 min: what was delivered is not worked out."
        return replace(found, remarks=(*found.remarks, note))
    settled = [v for t, v in after if end + _SETTLE <= t <= end + _SETTLE + 120_000]
    if not settled:
        return _settling(look, found, end)
    gain = (settled[0] - rise.began_psi) * PSI
    seconds = (end - start) / 1000
    if gain <= 0:
        return replace(found, remarks=(*found.remarks, "The tank lost it all again: it leaks."))
    flow = gain * volume / (R * _TANK_KELVIN) / seconds
    return replace(found, measures=(*found.measures, Measure(
        name="delivery", shown=look.words.flow(flow), value=flow, unit="mol/s",
        source=f"{tank}, settled for 10 min, taken as 20 °C; tank_volume of the site file")))


def _settling(look: StepReadings, found: StepEvaluation, end: int) -> StepEvaluation:
    if look.now > end + _SETTLE + 10 * look.longest_gap:
        note = "No reading after the tank had cooled: what was delivered is not worked out."
        return replace(found, remarks=(*found.remarks, note))
    left = max(end + _SETTLE - look.now, 0) / 1000
    result = {Outcome.PASSED: "Passed", Outcome.FAILED: "Failed"}.get(found.outcome, "Not decided")
    return replace(found, outcome=Outcome.TIMING, text=f"{result}: {found.text} Leave the tank "
                   f"isolated for another {duration_text(left * 1000)} to see what was delivered.")


def evaluate_fill(step: Step, look: StepReadings) -> StepEvaluation:
    """Time a riser from empty to its supervisory pressure, with no other system filling."""
    pressure = step.points[0]
    rise = _Rise(level=step.limits["from"], goal=step.limits["to"])
    for sample in look.samples(pressure):
        ended = rise.step(sample, True, look.longest_gap)
        if ended is not None and rise.began is not None:
            other = _beside(step, look, int(rise.began), int(ended))
            if not other:
                return _filled(step, look, rise, ended)
            rise.drop(f"{other} was filled at the same time")
    if spoilt := _spoilt(look, pressure):
        return replace(spoilt, remarks=rise.remarks())
    return _in_progress(look, rise, "Waiting for the pipe to be empty, at "
                      f"{look.words.pressure(rise.level)} or below, and then to be filled.")


def _filled(step: Step, look: StepReadings, rise: _Rise, ended: float) -> StepEvaluation:
    warmth = f"{step.asset}.pipe_temperature"
    cold = look.at(warmth, int(ended)) if warmth in step.points else None
    is_cold = cold is not None and cold < COLD
    limit = step.limits["cold_minutes" if is_cold else "minutes"] * 60
    found = _timed(step, look, rise, ended, limit)
    return found if cold is None else replace(found, measures=(*found.measures, Measure(
        name="pipe temperature", shown=look.words.temperature(cold), value=cold, unit="degC",
        source=warmth)))


def _beside(step: Step, look: StepReadings, start: int, end: int) -> str:
    """Return the name of another system whose pressure rose by more than 3 psi meanwhile."""
    first, *others = step.points
    for point in (p for p in others if p.endswith(".pressure") and p != first):
        seen = [v for t, v in look.samples(point) if start <= t <= end]
        if seen and max(seen) - seen[0] > 3.0:
            return look.plant.name_of(point.partition(".")[0])
    return ""


_SLACK = 0.5
"""psi below the test pressure at which it may still begin."""
_JUMP = 1.0
"""psi, at one temperature; a rise of as much in an hour means that gas came in."""
_SPEAKS = 300.0
"""s for which a reading is valid: a pipe's pressure does not change faster."""
_GAPS = 0.1
"""Share of the time that may be without readings."""

Row = tuple[float, float, float]
"""Minute's middle in s since the beginning, absolute pressure Pa, temperature K."""


def evaluate_tightness(step: Step, look: StepReadings) -> StepEvaluation:
    """Compute the loss of the whole test from pressure and temperature, with its interval."""
    pressure, warmth = step.points[:2]
    if why := look.clock_set():
        return StepEvaluation.void(why)
    first = look.samples(pressure)[:1]
    if not first or not look.samples(warmth):
        return StepEvaluation.waiting(look.silent(pressure, warmth)
                                      or "Waiting for the first readings.")
    if first[0][1] < step.limits["psi"] - _SLACK:
        return StepEvaluation.void(
            f"The pipe is at {look.words.pressure(first[0][1])}; the test wants "
            f"{look.words.pressure(step.limits['psi'])}. Bring it there, then begin again.")
    rows = _minutes(look, pressure, warmth)
    duration = step.limits["hours"] * 3600
    end = look.began + round(duration * 1000)
    # Beyond its time a test goes on only while it is not decided: then with all that was seen.
    seen = rows[-1][0] if rows else 0.0
    if risen := _let_in(rows):
        return StepEvaluation.void(f"Gas came in after {duration_text(risen * 1000)}: the supply "
                                   "is not shut. Begin again.")
    if look.now < end or seen < duration - 120:
        return _so_far(step, look, rows, duration)
    return _decided(step, look, rows, duration)


def _minutes(look: StepReadings, pressure: str, warmth: str) -> list[Row]:
    """Return minute means of pressure and temperature, for the minutes in which both were read."""
    ambient = pressure_at_altitude(look.plant.site.altitude)
    sums: dict[int, list[float]] = {}
    for time, psi, celsius in look.paired(pressure, warmth):
        row = sums.setdefault((time - look.began) // MINUTE, [0.0, 0.0, 0.0])
        row[0] += 1
        row[1] += psi
        row[2] += celsius
    return [((minute + 0.5) * 60, row[1] / row[0] * PSI + ambient, row[2] / row[0] + ZERO_CELSIUS)
            for minute, row in sorted(sums.items())]


def _loss(look: StepReadings, rows: list[Row], duration: float) -> Estimate | str:
    """Return the loss over ``duration`` s at the first temperature, psi, or why there is none."""
    span_s = rows[-1][0] - rows[0][0] if rows else 0.0
    if span_s <= 0:
        return "too few readings"
    # A device may be asked once in minutes: only what no neighbouring reading speaks for counts.
    unseen = sum(max(0.0, b[0] - a[0] - _SPEAKS) for a, b in zip(rows, rows[1:], strict=False))
    if unseen > _GAPS * span_s:
        return (f"pressure and temperature together were read in {1 - unseen / span_s:.0%} of the "
                "time only")
    kelvin = rows[0][2]
    found = leak_rate([r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows], 1.0)
    if isinstance(found, Refusal):
        return found.reason
    return found.scaled(pressure_drop(1.0, 1.0, kelvin, duration) / PSI)


def _let_in(rows: list[Row]) -> float | None:
    """Return when (s) the gas in the pipe rose beyond any sensor's error, or ``None``."""
    if not rows:
        return None
    kelvin = rows[0][2]
    held = [(t, p * kelvin / k / PSI) for t, p, k in rows]
    for i in range(9, len(held)):
        # Means of five readings, so that a noisy gauge is not taken for a supply.
        before, after = held[i - 9:i - 4], held[i - 4:i + 1]
        rise = sum(v for _, v in after) / 5 - sum(v for _, v in before) / 5
        if rise > _JUMP and held[i][0] - before[0][0] <= 3600:
            return held[i][0]
    return None


def _so_far(step: Step, look: StepReadings, rows: list[Row], duration: float) -> StepEvaluation:
    quiet = look.silent(*step.points[:2])
    passed = (look.now - look.began) / 1000
    loss = _loss(look, rows, passed) if passed >= 900 else "too early"
    figure = ""
    if isinstance(loss, Estimate):
        low, high = loss.interval()
        figure = f" Lost so far, at one temperature: {look.words.pressure(loss.value, 2)} " \
                 f"({low:.2f} to {high:.2f} psi)."
    return StepEvaluation(outcome=Outcome.TIMING, window=(look.began, look.now),
                   text=f"{quiet} {duration_text(passed * 1000)} of "
                        f"{step.limits['hours']:g} h.{figure}".strip())


def _decided(step: Step, look: StepReadings, rows: list[Row], duration: float) -> StepEvaluation:
    limit = step.limits["loss"]
    loss = _loss(look, rows, duration)
    window = (look.began, look.began + round(rows[-1][0] * 1000))
    if isinstance(loss, str):
        return StepEvaluation(outcome=Outcome.UNDECIDED, window=window,
                       text=f"Not decided: {loss}. Leave it as it is, more readings mend "
                            "it; or begin again.")
    low, high = loss.interval()
    words = look.words
    if high < -_SLACK:
        return StepEvaluation.void(
            "The pipe holds more gas than at the beginning: the supply is not shut, or the "
            "temperature is not the pipe's. Begin again.")
    outcome = Outcome.PASSED if high <= limit else \
        Outcome.FAILED if low > limit else Outcome.UNDECIDED
    text = (f"Lost in {duration_text(duration * 1000)}, at the temperature of the beginning: "
            f"{words.pressure(loss.value, 2)}, between {words.pressure(low, 2)} and "
            f"{words.pressure(high, 2)} (90 %); the limit is {words.pressure(limit)}.")
    if outcome is Outcome.UNDECIDED:
        text += " Not decided: leave it as it is, more readings narrow it."
    return StepEvaluation(outcome=outcome, text=text, window=window,
                   measures=_measures(step, look, rows, loss))


def _measures(
    step: Step, look: StepReadings, rows: list[Row], loss: Estimate,
) -> tuple[Measure, ...]:
    words, limit = look.words, step.limits["loss"]
    low, high = loss.interval()
    pressure, warmth = step.points[:2]
    ambient = pressure_at_altitude(look.plant.site.altitude)
    both = f"{pressure} and {warmth}"
    found = [Measure(
        name="loss at one temperature", value=loss.value, unit="psi", source=both,
        shown=f"{words.pressure(loss.value, 2)} ({low:.2f} to {high:.2f} psi, 90 %)",
        limit=f"no more than {words.pressure(limit)}", limit_from=step.limit_from)]
    for name, row in (("beginning", rows[0]), ("end", rows[-1])):
        psi, celsius = (row[1] - ambient) / PSI, row[2] - ZERO_CELSIUS
        found.append(Measure(name=f"gauge at the {name}", shown=words.pressure(psi, 2), value=psi,
                             unit="psi", source=pressure))
        found.append(Measure(name=f"pipe at the {name}", shown=words.temperature(celsius),
                             value=celsius, unit="degC", source=warmth))
    volume = look.plant.risers[step.asset].volume
    if volume is not None:
        flow = leak_rate([r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows], volume)
        if isinstance(flow, Estimate):
            found.append(Measure(name="leak", shown=words.flow(flow.value), value=flow.value,
                                 unit="mol/s", source=f"{both}; volume of the site file"))
    return tuple(found)
