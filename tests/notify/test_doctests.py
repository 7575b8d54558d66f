"""The examples in the docstrings of this part hold."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from collector.notify import channels, message, recipients


@pytest.mark.parametrize("module", [channels, message, recipients], ids=lambda m: m.__name__)
def test_examples(module: ModuleType) -> None:
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0
