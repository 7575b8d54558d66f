"""The parts of a survey, each with its figures and notes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from collector.domain.basis import AdoptedCode, printed_basis
from collector.domain.plant import Site
from collector.domain.units import ZERO_CELSIUS, scale_of, value_text
from collector.physics.gas import standard_molar_volume


class Tone(StrEnum):
    """The result of a note."""

    GOOD = "good"
    CAUTION = "caution"
    """It fails, or may fail."""
    MISSING = "missing"
    """Not known: the site file lacks what it needs."""
    REMARK = "remark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number with where it comes from. ``value`` is in ``unit``; ``shown`` is for people."""

    name: str
    shown: str
    value: float | None
    unit: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One sentence. ``source`` is where a limit or a rule is published, and how it was read."""

    tone: Tone
    text: str
    source: str = ""
    evidence: str = ""
    """What would tell, where the numbers here do not decide."""

    @property
    def answer(self) -> str:
        """Return the answer in a word or two."""
        if self.tone is Tone.CAUTION and self.evidence:
            return "Not known"
        return {Tone.GOOD: "Pass", Tone.CAUTION: "Fail", Tone.MISSING: "Not known",
                Tone.REMARK: "Note"}[self.tone]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The figures and notes of one asset, or of the site."""

    id: str
    title: str
    figures: tuple[Figure, ...] = ()
    notes: tuple[Note, ...] = ()

    def figure(self, name: str) -> Figure | None:
        """Return the figure of that name, or ``None``."""
        return next((f for f in self.figures if f.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """The whole survey of one site."""

    site: str
    title: str
    risers: tuple[Part, ...]
    generators: tuple[Part, ...]
    lacks: tuple[Note, ...]
    """Conditions not monitored, and the site-file key that would change it."""
    assumptions: tuple[str, ...]
    code: AdoptedCode = AdoptedCode()

    def basis(self, source: str) -> str:
        """Return a source as paper and pages print it; :meth:`as_data` has it whole."""
        return printed_basis(source, self.code)

    def parts(self) -> tuple[Part, ...]:
        """Return every part, the generators after the risers."""
        return (*self.risers, *self.generators)

    def notes(self, tone: Tone) -> Iterator[tuple[str, Note]]:
        for part in self.parts():
            for note in part.notes:
                if note.tone is tone:
                    yield part.title, note

    def as_data(self) -> dict[str, Any]:
        return asdict(self)


_GALLON = 3.785411784e-3
_MINUTE = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A number in SI (m3, s) or a count, and where it is written."""

    value: float
    source: str


LARGEST = Limit(
    value=750 * _GALLON,
    source="NFPA 13 7.2.3.1, older numbering, as quoted by others: 750 gal (2839 L) per dry valve",
)
QUICK_OPENING = Limit(
    value=500 * _GALLON,
    source="NFPA 13 7.2.4.1, older numbering, as quoted by others: above 500 gal (1893 L)",
)
QUICK_OPENING_TIME = Limit(
    value=60.0,
    source="NFPA 13 7.2.3, older numbering, as quoted by others: water at the test outlet in 60 s",
)
FILL = Limit(value=30 * _MINUTE, source="NFPA 13, air supply of dry systems: 30 min (from memory)")
FILL_COLD = Limit(
    value=60 * _MINUTE,
    source="NFPA 13, air supply of dry systems below 5 °F (−15 °C): 60 min (from memory)",
)
COLD = -15.0
"""degC (5 degF), below which the longer time to fill holds (from memory)."""
COOL_DOWN = Limit(
    value=30 * _MINUTE,
    source="fill one system at a time and let the compressor cool between (common practice); "
           "30 min is a setting",
)
VENTS = Limit(value=1, source="at least one purge vent per riser (common practice)")


_CUBIC_FOOT = 0.3048**3


class SiteUnits:
    """Writes quantities in the units of one site."""

    def __init__(self, site: Site) -> None:
        self._units = site.units
        self._metric = site.units == "metric"
        self._molar = standard_molar_volume(site.standard_temperature + ZERO_CELSIUS)
        self._zone = ZoneInfo(site.timezone)

    def __repr__(self) -> str:
        return f"SiteUnits({'metric' if self._metric else 'us'}, {self._zone})"

    def pressure(self, psi: float, digits: int = 1) -> str:
        """Write a gauge pressure or a difference of pressures."""
        return value_text(psi, scale_of("psi", self._units), digits + self._metric)

    def temperature(self, celsius: float) -> str:
        return value_text(celsius, scale_of("degC", self._units), 1)

    def volume(self, m3: float) -> str:
        return f"{m3 * 1000:.0f} L" if self._metric else f"{m3 / _GALLON:.1f} gal"

    def length(self, metres: float) -> str:
        return f"{metres:.1f} m" if self._metric else f"{metres / 0.3048:.1f} ft"

    def flow(self, mol: float) -> str:
        """Write a flow of gas (mol/s) at the site's standard conditions."""
        if self._metric:
            return f"{mol * self._molar * 60_000:.3g} sL/min"
        return f"{mol * self._molar * 60 / _CUBIC_FOOT:.3g} scfm"

    def moment(self, at: int) -> str:
        """Write an instant (ms) by the site's clock, with its offset's name."""
        return datetime.fromtimestamp(at / 1000, self._zone).strftime("%-d %b %Y %H:%M:%S %Z")
