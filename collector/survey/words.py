"""Numbers as the people of a site read them, in its units, from units of record."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from collector.domain.plant import Site
from collector.physics.gas import standard_molar_volume

__all__ = ["Words", "span"]

_KELVIN = 273.15
_BAR = 0.0689475729
_GALLON = 3.785411784e-3
_CUBIC_FOOT = 0.3048**3


class Words:
    """Writes quantities for one site."""

    def __init__(self, site: Site) -> None:
        self._metric = site.units == "metric"
        self._molar = standard_molar_volume(site.standard_temperature + _KELVIN)
        self._zone = ZoneInfo(site.timezone)

    def __repr__(self) -> str:
        return f"Words({'metric' if self._metric else 'us'}, {self._zone})"

    def pressure(self, psi: float, digits: int = 1) -> str:
        """Write a gauge pressure or a difference of pressures."""
        return f"{psi * _BAR:.{digits + 1}f} bar" if self._metric else f"{psi:.{digits}f} psi"

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return f"{celsius:.1f} °C" if self._metric else f"{celsius * 1.8 + 32:.1f} °F"

    def volume(self, m3: float) -> str:
        """Write a volume."""
        return f"{m3 * 1000:.0f} L" if self._metric else f"{m3 / _GALLON:.1f} gal"

    def length(self, metres: float) -> str:
        """Write a length."""
        return f"{metres:.1f} m" if self._metric else f"{metres / 0.3048:.1f} ft"

    def flow(self, mol: float) -> str:
        """Write a flow of gas (mol/s) at the site's standard conditions."""
        if self._metric:
            return f"{mol * self._molar * 60_000:.3g} sL/min"
        return f"{mol * self._molar * 60 / _CUBIC_FOOT:.3g} scfm"

    def moment(self, at: int) -> str:
        """Write an instant (ms) by the site's clock, with its offset's name."""
        return datetime.fromtimestamp(at / 1000, self._zone).strftime("%-d %b %Y %H:%M:%S %Z")


def span(seconds: float) -> str:
    """Write a length of time.

    >>> [span(s) for s in (42, 312, 5400, 200_000)]
    ['42 s', '5 min 12 s', '1 h 30 min', '2.3 d']
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    if whole < 2 * 86_400:
        hours, minutes = divmod(round(whole / 60), 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{seconds / 86_400:.1f} d"
