"""The survey of one riser: volume, fill time, purge time, and the limits they meet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from collector.domain.plant import PipeRun, Plant, Riser, Vent
from collector.domain.units import PSI, duration_text
from collector.physics.atmosphere import OXYGEN_IN_AIR, pressure_at_altitude
from collector.physics.gas import amount
from collector.physics.purge import sweep_time, sweep_time_constant
from collector.survey.parts import (
    FILL,
    FILL_COLD,
    LARGEST,
    QUICK_OPENING,
    QUICK_OPENING_TIME,
    VENTS,
    Figure,
    Note,
    Part,
    SiteUnits,
    Tone,
)

SOURCE = "ASME B36.10M / B36.19M as the fluids library holds them"


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeLine:
    """One line of the take-off worked out: inside diameter m, length m, volume m3."""

    run: PipeRun
    inside: float
    volume: float


def inside(size: str, schedule: str) -> float:
    """Return the inside diameter (m) of steel pipe of a nominal size in inches, ``1 1/4``.

    Raises ``ValueError`` where the tables hold no such pipe.
    """
    from fluids.piping import nearest_pipe  # with numpy, a third of a second: only where it is used

    number: Any = float(sum(Fraction(part) for part in size.split()))  # annotated as whole there
    return float(nearest_pipe(NPS=number, schedule=schedule)[1])


def lines_of(runs: Sequence[PipeRun]) -> tuple[PipeLine, ...]:
    """Return each line with its diameter and volume."""
    lines = []
    for run in runs:
        width = inside(run.size, run.schedule)
        volume = math.pi / 4 * width**2 * run.length
        lines.append(PipeLine(run=run, inside=width, volume=volume))
    return tuple(lines)


TEMPERATURE = 288.15
"""K (15 degC, 59 degF): the pipe's, assumed; 10 K more or less change a filling time by 3.5 %."""
_TRIP = "a trip test that times the water at the test outlet"
_TIMED = "a fill on air that is timed, or compressor_delivery in the site file"
_DISAGREE = 0.05
_BARELY = 0.85


class RiserSurvey:
    """The survey of one riser, with its generator's ``delivery`` (mol/s) and its source."""

    def __init__(
        self, plant: Plant, riser: Riser, words: SiteUnits, *, delivery: float | None,
        delivery_source: str, feed: float, feed_source: str, on_air: bool = True,
    ) -> None:
        self._riser, self._words = riser, words
        self._ambient = pressure_at_altitude(plant.site.altitude)
        self._delivery, self._delivery_source = delivery, delivery_source
        self._feed, self._feed_source, self._on_air = feed, feed_source, on_air
        self._vents = [v for v in plant.vents.values() if v.riser == riser.id]

    def part(self) -> Part:
        """Return the figures and notes of the riser."""
        figures = [*self._volumes(), *self._filling(), *self._purging()]
        notes = [*self._volume_notes(), *self._fill_notes(), *self._vent_notes()]
        return Part(id=self._riser.id, title=self._riser.name, figures=tuple(figures),
                    notes=tuple(notes))

    # -- what it holds ---------------------------------------------------------------------------

    def _taken_off(self) -> float | None:
        lines = lines_of(self._riser.pipes)
        return math.fsum(line.volume for line in lines) if lines else None

    def _volumes(self) -> Iterator[Figure]:
        words, riser = self._words, self._riser
        lines = lines_of(riser.pipes)
        for n, line in enumerate(lines, 1):
            run = line.run
            yield Figure(
                name=f"pipe {n}", value=line.volume, unit="m3", source=SOURCE,
                shown=f"{run.size} in schedule {run.schedule}, {words.length(run.length)}, inside "
                      f"{line.inside * 1000:.1f} mm: {words.volume(line.volume)}",
            )
        if lines:
            total = math.fsum(line.volume for line in lines)
            yield Figure(name="volume by take-off", shown=words.volume(total), value=total,
                         unit="m3", source="the sum of the take-off")
        if riser.volume is not None:
            stated = self._stated
            yield Figure(
                name="volume", shown=words.volume(riser.volume), value=riser.volume, unit="m3",
                source="as stated in the site file" if stated else "from the take-off",
            )

    @property
    def _stated(self) -> bool:
        taken = self._taken_off()
        # The loader's own table and the library's round differently in the fourth figure.
        return taken is None or abs(taken / (self._riser.volume or taken) - 1) > 2e-3

    def _volume_notes(self) -> Iterator[Note]:
        volume, taken, words = self._riser.volume, self._taken_off(), self._words
        if volume is None:
            yield Note(tone=Tone.MISSING, text=f"What {self._riser.name} holds is not known: state "
                       "its volume, or the take-off (pipes), in the site file.")
            return
        if taken is not None and abs(taken / volume - 1) > _DISAGREE:
            yield Note(
                tone=Tone.CAUTION, source="5 % is a setting of this program",
                text=f"The take-off gives {words.volume(taken)}, the site file states "
                     f"{words.volume(volume)}: {abs(taken / volume - 1):.0%} apart. Count again.")
        yield from self._size_notes(volume)

    def _size_notes(self, volume: float) -> Iterator[Note]:
        words = self._words
        if volume > LARGEST.value:
            yield Note(
                tone=Tone.CAUTION, source=f"{LARGEST.source}; {QUICK_OPENING_TIME.source}",
                text=f"{words.volume(volume)} is more than one dry valve may control "
                     f"({words.volume(LARGEST.value)}), unless water reaches the test outlet "
                     "within 60 s. Preaction systems have limits of their own.", evidence=_TRIP)
        elif volume > QUICK_OPENING.value:
            yield Note(
                tone=Tone.CAUTION, source=f"{QUICK_OPENING.source}; {QUICK_OPENING_TIME.source}",
                text=f"A dry system of {words.volume(volume)} is larger than "
                     f"{words.volume(QUICK_OPENING.value)}: it wants a quick-opening device, "
                     "unless water reaches the test outlet within 60 s without one.",
                evidence=_TRIP)
        else:
            yield Note(
                tone=Tone.GOOD, source=QUICK_OPENING.source,
                text=f"{words.volume(volume)} is within the size a dry valve may control without "
                     f"a quick-opening device ({words.volume(QUICK_OPENING.value)}).")

    # -- filling ---------------------------------------------------------------------------------

    def gas(self) -> float | None:
        """Return the mol that a fill from atmosphere to supervisory pressure takes."""
        riser = self._riser
        if riser.volume is None or riser.supervisory_pressure is None:
            return None
        return amount(riser.supervisory_pressure * PSI, riser.volume, TEMPERATURE)

    def fill_time(self) -> float | None:
        """Return the time to fill in s: delivery alone, nothing from the tank."""
        gas = self.gas()
        return None if gas is None or not self._delivery else gas / self._delivery

    def _filling(self) -> Iterator[Figure]:
        gas, seconds, words = self.gas(), self.fill_time(), self._words
        if gas is not None:
            yield Figure(name="flow to fill in 30 min", shown=words.flow(gas / FILL.value),
                         value=gas / FILL.value, unit="mol/s", source="ideal gas, isothermal")
        if seconds is not None:
            yield Figure(name="fill time", shown=duration_text(seconds * 1000), value=seconds,
                         unit="s", source=f"delivery {self._delivery_source}")

    def _fill_notes(self) -> Iterator[Note]:
        seconds, riser = self.fill_time(), self._riser
        if seconds is not None and not self._on_air and seconds > _BARELY * FILL.value:
            # The fill is made on air, past the separator: a delivery on nitrogen is a lower bound.
            yield Note(
                tone=Tone.MISSING, source=FILL.source, evidence=_TIMED,
                text=f"The fill would take {duration_text(seconds * 1000)} on nitrogen. It is made "
                     "on air, which is faster by what the separator lets go; how long it takes "
                     "then is not known.")
        elif seconds is not None and seconds > FILL.value:
            yield Note(
                tone=Tone.CAUTION, source=f"{FILL.source}; {FILL_COLD.source}",
                text=f"The fill takes about {duration_text(seconds * 1000)}, longer than 30 min"
                     + (", though within the 60 min allowed where it is below 5 °F (−15 °C)."
                        if seconds <= FILL_COLD.value else "; 60 min where it is below 5 °F."),
                evidence="whether the area stays below 5 °F (−15 °C)"
                if seconds <= FILL_COLD.value else "")
        elif seconds is not None and seconds > _BARELY * FILL.value:
            yield Note(tone=Tone.CAUTION, source=FILL.source,
                       text=f"The fill takes about {duration_text(seconds * 1000)}, barely within "
                            "30 min: a delivery that falls against the pressure will not make it.",
                       evidence=_TIMED)
        elif seconds is not None:
            yield Note(tone=Tone.GOOD, source=FILL.source,
                       text=f"The fill takes about {duration_text(seconds * 1000)}, within "
                            "30 min.")
        elif riser.supervisory_pressure is None:
            yield Note(tone=Tone.MISSING, text="The time to fill cannot be worked out: state "
                       f"supervisory_pressure of {riser.id} in the site file.")
        elif riser.volume is not None:
            yield Note(
                tone=Tone.MISSING, text="The time to fill cannot be worked out: "
                + (f"say which generator feeds {riser.id} (fed_by)." if riser.fed_by is None else
                   f"state compressor_delivery of {riser.fed_by} in the site file, or give "
                   "--delivery on the command line."))

    # -- purging ---------------------------------------------------------------------------------

    def _held(self) -> float | None:
        riser = self._riser
        if riser.volume is None or riser.supervisory_pressure is None:
            return None
        absolute = riser.supervisory_pressure * PSI + self._ambient
        return amount(absolute, riser.volume, TEMPERATURE)

    def purge_time(self, vents: Sequence[Vent], feed: float | None = None) -> float | None:
        """Return the well-mixed time (s) from air to the strictest target; ``inf`` for never."""
        flow = math.fsum(v.flow or 0.0 for v in vents)
        targets = [v.target_oxygen for v in vents if v.target_oxygen is not None]
        held = self._held()
        if not flow or not targets or held is None:
            return None
        target, feed = min(targets) / 100, self._feed if feed is None else feed
        if feed >= target:
            return math.inf
        return sweep_time(OXYGEN_IN_AIR, target, sweep_time_constant(held, flow), feed)

    def _purging(self) -> Iterator[Figure]:
        seconds = self.purge_time(self._vents)
        if seconds is not None and seconds < math.inf:
            yield Figure(
                name="purge time, well mixed", value=seconds, unit="s",
                shown=f"at least {duration_text(seconds * 1000)}",
                source=f"vent flow of the site file; product oxygen {self._feed * 100:.1f} %, "
                       f"{self._feed_source}")

    def _vent_notes(self) -> Iterator[Note]:
        riser, seconds = self._riser, self.purge_time(self._vents)
        if len(self._vents) < VENTS.value:
            yield Note(tone=Tone.CAUTION, source=VENTS.source,
                       text=f"{riser.name} has no purge vent in the site file: oxygen "
                            "cannot leave.")
            return
        yield Note(tone=Tone.GOOD, source=VENTS.source,
                   text=f"Purge vents: {len(self._vents)}.")
        for vent in self._vents:
            for key in ("flow", "target_oxygen"):
                if getattr(vent, key) is None:
                    yield Note(tone=Tone.MISSING, text="The time to purge cannot be worked out "
                               f"without {key} of {vent.id}.")
        if seconds == math.inf:
            yield Note(
                tone=Tone.CAUTION, source=f"product oxygen: {self._feed_source}",
                text=f"The target is never reached: the product holds {self._feed * 100:.1f} % "
                     "oxygen, no less than the target asks.")
        elif seconds is not None:
            yield Note(tone=Tone.REMARK, text="The purge is computed as if the pipe were well "
                       "mixed. Dead legs and the far ends lag: it takes longer, and how much "
                       "longer, the readings of the purge itself will show.")
