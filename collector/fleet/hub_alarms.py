"""The alarms of a fleet, from events that may come in any order and more than once.

History that a site sends late must not undo what it sent since. So each flag of an alarm (present,
acknowledged, shelved …) keeps the number of the event that last set it, and only a later one
changes it. The order in which events arrive then makes no difference.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

from collector.domain.events import AlarmTransition, Transition

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
    """One occurrence of an alarm at one site. ``sides`` maps a flag to ``(order, value)``."""

    id: str
    condition: str
    asset: str
    priority: str
    signal: str
    since: int
    text: str
    text_order: int
    """The order of the event that the text is from."""
    sides: dict[str, tuple[int, bool]] = field(default_factory=dict)

    def has(self, side: str) -> bool:
        """Whether a flag (``present``, ``acknowledged``, ``shelved`` …) is set."""
        return self.sides.get(side, (0, False))[1]

    @property
    def is_active(self) -> bool:
        """Whether the alarm is present and not inhibited."""
        return self.has("present") and not any(
            self.has(s) for s in ("shelved", "suppressed", "out_of_service"))

    def dump(self) -> dict[str, Any]:
        """Return the alarm as JSON-able data."""
        raw = asdict(self)
        raw["told"] = raw.pop("text_order")
        return raw

    @classmethod
    def load(cls, raw: dict[str, Any]) -> FleetAlarm:
        """Restore what :meth:`dump` returned."""
        rest = {key: value for key, value in raw.items() if key not in ("told", "sides")}
        sides = {k: (int(v[0]), bool(v[1])) for k, v in raw["sides"].items()}
        return cls(**rest, text_order=raw["told"], sides=sides)


def merged(known: FleetAlarm | None, event: AlarmTransition, order: int) -> FleetAlarm:
    """Return an alarm after one more event of it.

    ``order`` grows with the site's own order of events.
    """
    sides = dict(known.sides) if known is not None else {}
    for side, has in _SIDES[event.transition]:
        if order >= sides.get(side, (-1, False))[0]:
            sides[side] = (order, has)
    newer = known is None or order >= known.text_order
    text = event.text if newer or known is None else known.text
    return FleetAlarm(
        id=event.id, condition=event.condition, asset=event.asset, priority=event.priority.value,
        signal=event.signal.value, since=event.since if known is None else known.since,
        text=text, text_order=order if newer or known is None else known.text_order, sides=sides,
    )
