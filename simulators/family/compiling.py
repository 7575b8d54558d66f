"""Compiling a loop with numba where it is installed; without it the same Python runs, slowly."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable
from typing import Any, TypeVar

__all__ = ["compiled"]

_Function = TypeVar("_Function", bound=Callable[..., Any])
_NUMBA: Any = importlib.import_module("numba") if importlib.util.find_spec("numba") else None


def compiled(function: _Function) -> _Function:
    """Return the function compiled, with the machine code kept beside its module's bytecode."""
    if _NUMBA is None:
        return function
    made: _Function = _NUMBA.njit(cache=True)(function)
    return made
