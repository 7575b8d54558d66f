"""The alarms of a fleet, from events that may come in any order and more than once.

What a site told late (history) must not undo what it told since. So each side of an alarm (does it
stand, was it acknowledged, is it shelved …) keeps the number of the event that last spoke of it,
and only a later one changes it. The order in which events arrive then makes no difference.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from collector.domain.events import AlarmMoved, Transition

__all__ = ["FleetAlarm", "merged"]

_SIDES: dict[Transition, tuple[tuple[str, bool], ...]] = {
    Transition.RAISED: (("present", True),),
    Transition.RETURNED: (("present", False),),
    Transition.ACKNOWLEDGED: (("acknowledged", True),),
    Transition.SHELVED: (("shelved", True),),
    Transition.UNSHELVED: (("shelved", False),),
    Transition.SUPPRESSED: (("suppressed", True),),
    Transition.UNSUPPRESSED: (("suppressed", False),),
    Transition.OUT_OF_SERVICE: (("out_of_service", True),),
    Transition.IN_SERVICE: (("out_of_service", False),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetAlarm:
    """One occurrence of an alarm at one site. ``sides`` maps a side to ``(order, holds)``."""

    id: str
    condition: str
    asset: str
    priority: str
    signal: str
    since: int
    text: str
    told: int
    """The order of the event that the words are from."""
    sides: dict[str, tuple[int, bool]] = field(default_factory=dict)

    def holds(self, side: str) -> bool:
        """Whether ``present``, ``acknowledged``, ``shelved`` … holds now."""
        return self.sides.get(side, (0, False))[1]

    @property
    def stands(self) -> bool:
        """Whether it is there and nobody has put it aside."""
        return self.holds("present") and not any(
            self.holds(s) for s in ("shelved", "suppressed", "out_of_service"))

    def dump(self) -> dict[str, Any]:
        """Return it as JSON can hold it."""
        return asdict(self)

    @classmethod
    def load(cls, raw: dict[str, Any]) -> FleetAlarm:
        """Read what :meth:`dump` gave."""
        return cls(**{**raw, "sides": {k: (int(v[0]), bool(v[1]))
                                       for k, v in raw["sides"].items()}})


def merged(known: FleetAlarm | None, event: AlarmMoved, order: int) -> FleetAlarm:
    """Return what is known of an alarm once one more event of it has come.

    ``order`` grows with the site's own order of events.
    """
    sides = dict(known.sides) if known is not None else {}
    for side, holds in _SIDES[event.transition]:
        if order >= sides.get(side, (-1, False))[0]:
            sides[side] = (order, holds)
    newer = known is None or order >= known.told
    words = event.text if newer or known is None else known.text
    return FleetAlarm(
        id=event.id, condition=event.condition, asset=event.asset, priority=event.priority.value,
        signal=event.signal.value, since=event.since if known is None else known.since,
        text=words, told=order if newer or known is None else known.told, sides=sides,
    )
