"""The examples in the docstrings of notify, and of the formatting of its messages, hold."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from collector.domain import units
from collector.notify import channels, recipients


@pytest.mark.parametrize("module", [channels, units, recipients], ids=lambda m: m.__name__)
def test_examples(module: ModuleType) -> None:
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0
