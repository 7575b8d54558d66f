"""Oxygen in a generator's product by its analyser: where the readings of its runs settle.

An analyser without power reads zero, holds its last value or gives nothing while the compressor
rests; with power its sample line takes in air. Neither is the product's oxygen. What is read while
the compressor runs settles towards it within the run.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.domain.events import EstimateMade
from collector.domain.readings import mode_code
from collector.domain.units import HOUR
from collector.rules.base import ALL, Band, Context, Estimator, State, contact_band
from collector.rules.course import Course
from collector.rules.ventgas import generator_of, target_of

_OFF, _AIR_FILL = mode_code("off"), mode_code("air-fill")
_NO_READING = 0.05  # %, no separator makes gas this pure: the analyser gives no signal
_MOST = 25.0  # %, more than air can hold
_LONG_RUN = 600_000
"""ms of a run after which it counts before its end; an analyser settles within 2 to 10 min."""
_KEPT = 0.85
"""Share of the runs before that still counts when another one is joined to them."""
_LOOK = 300_000
"""ms between updates of the feed from the product."""
_READ_WITHIN = 48 * HOUR
_ASSUMED, _ASSUMED_ERROR = 0.35, 0.07
"""Share of the target that the feed is taken for where no analyser tells, and its error, of which
it is likelier to be several above than one below: a plant is given a target that its product can
reach with room to spare."""
_READ_ERROR = 0.1  # %, one step of a common analyser


@dataclass(slots=True, kw_only=True)
class _GasState(State):
    running: bool | None = None
    mode: float | None = None
    course: Course = field(default_factory=Course)
    """Readings of the current run."""
    last: float = 0.0
    last_at: int = 0
    runs: Course = field(default_factory=Course)
    """The last runs joined."""
    settled: float | None = None
    """Product oxygen (%) at the end of these runs, or of one that was long enough by itself."""
    settled_at: int = 0


class ProductGas(Estimator):
    """Product oxygen over the last runs, used as the feed of a riser.

    Gives no estimate of its own.
    """

    quantity = "product_oxygen"
    state: _GasState

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen, self._mode = f"{asset}.product_oxygen", f"{asset}.mode"
        self._running = f"{asset}.compressor_running"
        super().__init__(context, asset, (self._running, self._mode, self._oxygen))
        self.state = _GasState()

    def begin(self, now: int) -> None:
        """Do nothing at the begin of a day."""

    def make(self, now: int) -> EstimateMade | None:
        return None

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> None:
        s = self.state
        if point == self._oxygen:
            if self._makes() and _NO_READING <= value <= _MOST:
                s.course.add(at, value)
                s.last, s.last_at = value, at
            return
        made = self._makes()
        if point == self._running:
            if before_at is not None and at - before_at > self.context.inputs.max_gap(point):
                s.course.begin()  # where this run began was not seen
            s.running = value >= 0.5
        elif s.mode is not None and _AIR_FILL in (s.mode, value) and s.mode != value:
            s.mode = value
            s.course.begin()
            return
        else:
            s.mode = value
        if made and not self._makes():
            self._end_run()

    def _makes(self) -> bool:
        """Whether nitrogen is made, by compressor and mode."""
        s = self.state
        if s.mode == _AIR_FILL or (s.running is None and s.mode == _OFF):
            return False
        return s.running is not False

    def _end_run(self) -> None:
        s = self.state
        if s.course.begun_at is not None:
            if s.last_at - s.course.begun_at >= _LONG_RUN:
                self._settle(s.course.end(s.last_at, s.last))
            elif s.runs.join(s.course, _KEPT):
                at, total, count = s.runs.row_series[-1]
                self._settle(s.runs.end(int(at), total / count))
        s.course.begin()

    def _settle(self, end: float | None) -> None:
        if end is not None:
            self.state.settled, self.state.settled_at = end, self.state.last_at

    def no_change_band(self, point: str) -> Band | None:
        s = self.state
        if point == self._oxygen:
            return None if self._makes() else ALL
        if point == self._mode:
            return None if s.mode is None else Band(s.mode, s.mode)
        return None if s.running is None else contact_band(s.running)

    def level(self, now: int, within: int) -> tuple[float, int] | None:
        """Return the product's oxygen (%) over the last runs, and when it was last read.

        ``None`` where nothing settled within the last ``within`` ms.
        """
        s, begun = self.state, self.state.course.begun_at
        if begun is not None and (s.last_at - begun >= _LONG_RUN or s.running is None):
            self._settle(s.course.end(s.last_at, s.last))
        if s.settled is None or now - s.settled_at > within:
            return None
        return s.settled, s.settled_at


def product_gas_of(context: Context, generator: str) -> ProductGas | None:
    """Return the product gas of a generator; ``None`` where no analyser is read."""
    key = f"product-gas.{generator}"
    found = context.shared.get(key)
    if not isinstance(found, ProductGas) and context.is_configured(f"{generator}.product_oxygen"):
        found = context.shared[key] = ProductGas(context, generator)
    return found if isinstance(found, ProductGas) else None


def build_estimators(context: Context) -> list[Estimator]:
    """Return the product of every generator whose analyser is read, where a vent asks for it."""
    found = (product_gas_of(context, g) for g in context.plant.generators)
    return [gas for gas in found if gas is not None and context.plant.vents]


@dataclass(slots=True, kw_only=True)
class FeedGas(State):
    """Oxygen of the gas that feeds a riser, updated at intervals."""

    percent: float | None = None
    read_at: int | None = None
    next_at: int = 0
    """Time of the next update."""

    def look(self, context: Context, generator: str | None, now: int) -> None:
        """Update from the product when it is time; cheap enough for every sample."""
        if now < self.next_at:
            return
        self.next_at = now + _LOOK
        gas = product_gas_of(context, generator) if generator is not None else None
        found = gas.level(now, _READ_WITHIN) if gas is not None else None
        if found is not None:
            self.percent, self.read_at = found

    def level(self, context: Context, vent: str, now: int) -> tuple[float, bool]:
        """Return the feed's oxygen (%) and whether it was measured lately."""
        if self.percent is not None and self.read_at is not None \
                and now - self.read_at <= _READ_WITHIN:
            return self.percent, True
        return self.assumed(context, vent), False

    @staticmethod
    def assumed(context: Context, vent: str) -> float:
        """Return a share of the target, or of the product's limit where that is less (%)."""
        generator = context.plant.generators.get(generator_of(context, vent) or "")
        limit = generator.product_oxygen_limit if generator is not None else None
        return min(_ASSUMED * x for x in (target_of(context, vent), limit) if x is not None)

    def error(self, context: Context, vent: str, now: int) -> float:
        """Return the error (%) of what :meth:`level` gives."""
        percent, measured = self.level(context, vent, now)
        return _READ_ERROR if measured else percent * _ASSUMED_ERROR / _ASSUMED
