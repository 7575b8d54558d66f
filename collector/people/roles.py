"""What a person may do. Each role includes those before it."""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Role"]


class Role(StrEnum):
    """From the least to the most.

    >>> Role.RESPOND.may(Role.LOOK), Role.RESPOND.may(Role.MANAGE)
    (True, False)
    """

    LOOK = "look"
    """Read every page."""
    RESPOND = "respond"
    """Also acknowledge, shelve, declare fills and impairments: what a person on call does."""
    MANAGE = "manage"
    """Also take out of service, reset baselines, accept: what changes how the plant is judged."""

    def may(self, needed: Role) -> bool:
        """Whether this role includes ``needed``."""
        order = list(Role)
        return order.index(self) >= order.index(needed)
