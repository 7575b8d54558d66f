"""Quantities in the units of a site, from units of record."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from collector.domain.formatting import scale_of, value_text
from collector.domain.plant import Site
from collector.domain.units import ZERO_CELSIUS
from collector.physics.gas import standard_molar_volume

__all__ = ["SiteUnits"]

_GALLON = 3.785411784e-3
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
        """Write a temperature."""
        return value_text(celsius, scale_of("degC", self._units), 1)

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
