"""One writer of durations and values: what it says, and that the pages say the same."""

from __future__ import annotations

import doctest

import pytest
from hypothesis import given
from hypothesis import strategies as st

import collector.domain.formatting
from collector.domain.formatting import duration_words, scale_of, value_words

_UNITS = {"s": 1, "min": 60, "h": 3600, "days": 86_400}


def test_the_examples_hold() -> None:
    result = doctest.testmod(collector.domain.formatting)
    assert (result.failed, result.attempted) == (0, 3)


@given(st.integers(0, 400 * 86_400_000))
def test_a_duration_is_within_half_of_its_smaller_unit(duration: int) -> None:
    words = duration_words(duration).split()
    said = sum(int(n) * _UNITS[unit] for n, unit in zip(words[::2], words[1::2], strict=True))
    coarse = max(duration / 1000 / 60, 1) if duration < 864_000_000 else 86_400
    assert abs(said - duration / 1000) <= max(coarse / 2, 1800 if duration > 172_000_000 else 30)
    assert len(words) <= 4


@pytest.mark.parametrize("seconds", [59.6, 3599.7, 7199.6, 172_799.0])
def test_no_unit_is_full(seconds: float) -> None:
    words = duration_words(seconds * 1000)
    assert not words.startswith(("60 ", "24 days")), words
    assert " 60 " not in words, words


@pytest.mark.parametrize(("value", "unit", "units", "words"), [
    (4.4444, "degC", "us", "40 °F"), (4.0, "degC", "metric", "4.0 °C"),
    (14.5038, "psi", "metric", "1.00 bar"), (-0.02, "psi", "us", "0.0 psi"),
    (19.5, "%", "us", "19.5 %"), (3.0, "count", "us", "3"),
])
def test_values(value: float, unit: str, units: str, words: str) -> None:
    assert value_words(value, scale_of(unit, units)) == words
