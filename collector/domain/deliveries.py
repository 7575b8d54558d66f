"""Messages on their way to people, as the journal keeps them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

REPORT = "report"
"""First half of the kind of a delivery that carries a report: ``report:FILE``."""

__all__ = ["REPORT", "Delivery", "DeliveryOutcome", "DeliveryState", "NewDelivery"]


class DeliveryState(StrEnum):
    """The state of a message."""

    WAITING = "waiting"
    BEGUN = "begun"
    DELIVERED = "delivered"
    GIVEN_UP = "given-up"
    UNCERTAIN = "uncertain"
    """Cut off twice: it may have arrived, and is not tried a third time."""


class DeliveryOutcome(StrEnum):
    """The result of one delivery attempt."""

    DELIVERED = "delivered"
    RETRY = "retry"
    GIVEN_UP = "given-up"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewDelivery:
    """A message to be sent.

    ``event_seq`` is the number of the event it reports, ``due`` (ms) when it may first be tried,
    ``kind`` what calls for it (``raised``, ``returned``, ``fact``).
    """

    recipient: str
    subject: str
    body: str
    event_seq: int
    due: int
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A message in the journal.

    ``created`` and ``due`` are ms since 1970 UTC, ``attempts`` the tries that ended in failure.
    ``uncertain``: a try was cut off, so it may have arrived. ``detail``: why the last try failed.
    """

    id: int
    recipient: str
    subject: str
    body: str
    event_seq: int
    created: int
    due: int
    kind: str
    attempts: int = 0
    uncertain: bool = False
    state: DeliveryState = DeliveryState.WAITING
    detail: str = ""
