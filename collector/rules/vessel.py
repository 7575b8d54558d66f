"""A tank and the pipes it feeds as one vessel, with their temperature."""

from __future__ import annotations

from collections.abc import Sequence

from collector.domain.units import HOUR, PSI, ZERO_CELSIUS
from collector.physics.atmosphere import pressure_at_altitude
from collector.rules.base import Context

ROOM = 20.0
"""degrees C assumed where no temperature near the tank is read."""
_CABINET = 5.0
"""K by which a cabinet with a compressor in it is warmer than its room, about (setting, from
trials); the tank stands in the room."""


class Vessel:
    """The tank of one generator, with the risers it feeds where all of them are known.

    ``volume`` is the tank's (m3, ``None`` where it is not stated), ``ambient`` in psi.
    """

    def __init__(self, context: Context, asset: str) -> None:
        self.asset = asset
        plant = context.plant
        self.volume = plant.generators[asset].tank_volume
        self.ambient = pressure_at_altitude(plant.site.altitude) / PSI
        fed = [r for r in plant.risers.values()
               if r.fed_by == asset or (r.fed_by is None and len(plant.generators) == 1)]
        known = [
            (context.inputs.point(f"{r.id}.pressure"),
             context.inputs.point(f"{r.id}.pipe_temperature"), r.volume / self.volume)
            for r in fed
            if r.volume and self.volume and context.is_configured(f"{r.id}.pressure")
        ]
        self._risers = known if len(known) == len(fed) else []
        rooms = [context.inputs.point(f"{r}.temperature") for r in plant.rooms]
        near = rooms if len(rooms) == 1 else []
        cabinet = context.inputs.point(f"{asset}.cabinet_temperature")
        self._warmths = [*((p, 0.0, 1.0) for p in near), (cabinet, _CABINET, 3.0)]
        """Where the tank's temperature is read: K above it, and its standard deviation."""

    def __repr__(self) -> str:
        return f"Vessel({self.asset}, {len(self._risers)} risers)"

    @property
    def known(self) -> bool:
        """Whether the risers are included."""
        return bool(self._risers)

    @property
    def shares(self) -> list[float]:
        """The volume of each riser over that of the tank."""
        return [volume for _, _, volume in self._risers]

    def pressures(self) -> list[float]:
        """Return what the gauges of the risers read last."""
        return [point.value or 0.0 for point, _, _ in self._risers]

    def readings(self) -> list[list[float]]:
        """Return instant and value of the last reading of each riser, for :meth:`whole`."""
        return [[p.at or 0, p.value or 0.0] for p, _, _ in self._risers]

    def read_at(self, at: int) -> bool:
        """Whether every riser was read at this very instant."""
        return all([point.at == at for point, _, _ in self._risers])

    def whole(self, tank: float, at: int, before: Sequence[Sequence[float]] = (),
              ) -> float | None:
        """Return tank and risers as psi of the tank, or ``None`` where a riser is not known.

        ``before`` are the risers as they were read before ``at``: between that and their last
        readings, which may be later, their pressures are taken on a straight line.
        """
        if not self._risers:
            return None
        # One temperature for all samples: the tank's own changes show in its pressure already.
        total, warm = tank, ROOM + ZERO_CELSIUS
        for k, (pressure, pipe, volume) in enumerate(self._risers):
            psi = pressure.value
            if psi is None or pressure.at is None or not pressure.fresh(at):
                return None
            if before and before[k][0] and pressure.at > at > before[k][0]:
                then, was = before[k]
                psi = was + (psi - was) * (at - then) / (pressure.at - then)
            cold = pipe.value if pipe.value is not None and pipe.fresh(at) else ROOM - 5.0
            total += volume * (psi + self.ambient) * warm / (cold + ZERO_CELSIUS)
        return total

    def temperature(self, at: int) -> float:
        """Return the tank's temperature (degrees C), taken as that of its room."""
        for point, above, _ in self._warmths:
            if point.value is not None and point.at is not None and point.fresh(at, HOUR):
                return point.value - above
        return ROOM

    def temperature_doubt(self, at: int) -> float:
        """Return the standard deviation (K) of :meth:`temperature`."""
        for point, _, doubt in self._warmths:
            if point.value is not None and point.at is not None and point.fresh(at, HOUR):
                return doubt
        return 5.0
