"""One writer of durations and values: what it says, and that the pages say the same."""

from __future__ import annotations

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

import collector.domain.units
from collector.domain.units import duration_text, scale_of, value_text

_UNITS = {"s": 1, "min": 60, "h": 3600, "d": 86_400}


def test_the_examples_hold() -> None:
    result = doctest.testmod(collector.domain.units)
    assert (result.failed, result.attempted) == (0, 5)


@given(st.integers(0, 400 * 86_400_000))
def test_a_duration_is_short_by_less_than_its_smaller_unit(duration: int) -> None:
    words = duration_text(duration).split()
    said = sum(int(n) * _UNITS[unit] for n, unit in zip(words[::2], words[1::2], strict=True))
    below = 1 if duration < 3_600_000 else 60 if duration < 86_400_000 else 3600
    assert 0 <= duration / 1000 - said < below + 1
    assert len(words) <= 4


@pytest.mark.parametrize("seconds", [59.9999999, 3599.9999999, 7199.9999999, 86_399.9999999])
def test_no_unit_is_full(seconds: float) -> None:
    words = duration_text(seconds * 1000)
    assert not words.startswith(("60 ", "24 h")), words
    assert " 60 " not in words, words


@pytest.mark.parametrize(("value", "unit", "units", "words"), [
    (4.4444, "degC", "us", "40 °F"), (4.0, "degC", "metric", "4.0 °C"),
    (14.5038, "psi", "metric", "1.00 bar"), (-0.02, "psi", "us", "0.0 psi"),
    (19.5, "%", "us", "19.5 %"), (3.0, "count", "us", "3"),
])
def test_values(value: float, unit: str, units: str, words: str) -> None:
    assert value_text(value, scale_of(unit, units)) == words
