"""Dry contacts: debounce, and what the two legs of a form C say together. Pure.

A form C contact has a common with a normally open and a normally closed leg; at rest the first is
open and the second closed. Both alike means a broken wire, a lost common or a welded contact: then
there is no value, and that is said. During the change-over both are alike for milliseconds, which
is why the pair is debounced as one.
"""

from __future__ import annotations

from collector.domain.readings import Quality
from collector.sources.register_map import Decoded

__all__ = ["Debounce", "contact_value", "legs_alike"]

State = tuple[int, ...]


class Debounce:
    """Lets a new state count only once it has been seen for ``duration`` ms on end.

    The first state counts at once: there is no older one to prefer. Between two looks nothing is
    known; a state is taken to hold from one look to the next if both see it.
    """

    def __init__(self, duration: int) -> None:
        self._duration = duration
        self._held: State | None = None
        self._new: State | None = None
        self._since = 0

    def __repr__(self) -> str:
        return f"Debounce({self._duration} ms, {self._held}, pending {self._new})"

    def see(self, state: State, now: int) -> State:
        """Return the state that counts at ``now`` (ms), given what is seen."""
        if self._held is None or state == self._held:
            self._held, self._new = state, None
        elif state != self._new:
            self._new, self._since = state, now
        if self._new is not None and now - self._since >= self._duration:
            self._held, self._new = self._new, None
        return self._held

    def lose(self) -> None:
        """Nothing could be read: a pending state has not been seen on end, and starts anew."""
        self._new = None


def contact_value(normally_open: int | None, normally_closed: int | None) -> Decoded:
    """Return the contact's value from its legs (1 closed, 0 open); ``None``: not wired.

    >>> contact_value(1, 0).value, contact_value(0, 1).value, contact_value(0, 0).value
    (1.0, 0.0, None)
    """
    if normally_open is None and normally_closed is None:
        raise ValueError("a contact needs at least one leg")
    if normally_closed is None:
        return Decoded(value=float(normally_open or 0))
    if normally_open is None:
        return Decoded(value=float(1 - normally_closed))
    if normally_open == normally_closed:
        return Decoded(value=None, quality=Quality.BAD, why=legs_alike(normally_open))
    return Decoded(value=float(normally_open))


def legs_alike(state: int) -> str:
    """Return what both legs alike mean, for a person."""
    if state:
        return "both legs of the contact are closed: a short, or a welded contact"
    return "both legs of the contact are open: a broken wire, or no common"
