"""Conditions of service and wear. This version watches none; the engine says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from collector.domain.verdicts import NotWatched
from collector.rules.base import Context, Rule

__all__ = ["CONDITIONS"]

CONDITIONS: Mapping[str, Callable[[Context, str], Rule | NotWatched | None]] = {}
"""Condition id to what builds its rule for one asset."""
