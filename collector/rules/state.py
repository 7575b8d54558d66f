"""The state of rules and estimators that a restart keeps, as JSON-able data."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, fields
from typing import Any

from collector.physics.sums import LineSums, MeanSums


@dataclass(slots=True, kw_only=True)
class State:
    """Base of a state: plain numbers that survive JSON, other states, and sums.

    Fields that are instants end in ``_at``; lists whose rows begin with an instant end in
    ``_series``. So a clock that was set back moves the state of every rule alike.
    """

    def dump(self) -> dict[str, Any]:
        return {f.name: _dumped(getattr(self, f.name)) for f in fields(self)}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Restore from a copy of a dumped state; fields that it lacks keep their value."""
        for f in fields(self):
            if f.name in state:
                setattr(self, f.name, _restored(getattr(self, f.name), state[f.name]))


def _dumped(value: Any) -> Any:
    if isinstance(value, State | MeanSums | LineSums):
        return value.dump()
    if isinstance(value, dict):
        return {key: _dumped(item) for key, item in value.items()}
    return [_dumped(item) for item in value] if isinstance(value, list | tuple) else value


def _restored(mine: Any, saved: Any) -> Any:
    if isinstance(mine, State) and isinstance(saved, Mapping):
        mine.restore(saved)
        return mine
    if isinstance(mine, MeanSums | LineSums):
        return type(mine).load(saved) if saved else type(mine)()
    return deepcopy(saved)


def shifted(state: Any, by: int, key: str = "") -> Any:
    """Return dumped state with every marked instant moved by ``by`` ms (see :class:`State`).

    >>> shifted({"start_at": 100, "n": 5, "oxygen_series": [[100, 7]], "in": {"x_at": None}}, -10)
    {'start_at': 90, 'n': 5, 'oxygen_series': [[90, 7]], 'in': {'x_at': None}}
    """
    if isinstance(state, Mapping):
        return {k: shifted(v, by, k) for k, v in state.items()}
    if key.endswith("_at") and isinstance(state, int):
        return state + by
    if key.endswith("_series"):
        return [[row[0] + by, *row[1:]] for row in state]
    if isinstance(state, list):
        return [shifted(item, by) for item in state]
    return state
