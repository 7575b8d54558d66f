"""The tightness tests of 24 h and of 2 h, corrected to the temperature at the start."""

from __future__ import annotations

from collector.acceptance.step_evaluation import Measure, Outcome, StepEvaluation
from collector.acceptance.step_readings import StepReadings
from collector.acceptance.steps import Step
from collector.domain.formatting import duration_text
from collector.domain.units import MINUTE, PSI, ZERO_CELSIUS
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.estimate import Estimate, Refusal
from collector.physics.leak import leak_rate, pressure_drop

__all__ = ["evaluate_tightness"]

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
        return StepEvaluation.void(
            f"Gas came in after {duration_text(risen * 1000)}: the supply is not "
                            "shut. Begin again.")
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
            "The pipe holds more gas than at the beginning: the supply is not "
                            "shut, or the temperature is not the pipe's. Begin again.")
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
    first, last = rows[0], rows[-1]
    both = f"{pressure} and {warmth}"
    found = [
        Measure(name="loss at one temperature", value=loss.value, unit="psi", source=both,
                shown=f"{words.pressure(loss.value, 2)} ({low:.2f} to {high:.2f} psi, 90 %)",
                limit=f"no more than {words.pressure(limit)}", limit_from=step.limit_from),
    ]
    for name, row in (("beginning", first), ("end", last)):
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
