"""The handbook's table of what was tried: that of the tests as they are."""

from __future__ import annotations

import pytest

from tests.faults import table


@pytest.mark.slow
def test_the_handbook_lists_the_tests_as_they_are() -> None:
    assert table.PAGE.read_text(encoding="utf-8") == table.page(), \
        "python -m tests.faults.table --write"
