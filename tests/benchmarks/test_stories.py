"""The short stories of the bank, two plants each: what must be raised is, and nothing else.

The figures over many seeds, and the stories that take days and weeks, are printed by
``python -m tests.benchmarks.bench_stories``.
"""

from __future__ import annotations

import pytest

from collector.domain.conditions import CATALOGUE
from collector.rules.registry import RULES
from tests.benchmarks.bench_stories import work
from tests.benchmarks.cases import BANK
from tests.benchmarks.cases.score import score

QUICK = 60_000
"""Readings a story may have to be played here."""
SHORT = tuple(name for name, story in BANK.items() if work(story) <= QUICK)
SEEDS = (101, 102)


@pytest.mark.parametrize("name", SHORT)
def test_story(name: str) -> None:
    failures = []
    asked: set[str] = set()
    for seed in SEEDS:
        scored = score(name, seed)
        failures += [f"seed {seed}: {failure}" for failure in scored.failures]
        asked |= {o.condition for o in scored.outcomes}
    assert not failures, "\n".join([BANK[name].text, *failures])
    if asked and not asked & set(RULES):
        pytest.skip(f"this version does not watch {', '.join(sorted(asked))}")


def test_a_riser_fed_steadily_for_hours_is_not_blocked_while_its_tank_falls_as_ever() -> None:
    # The plant of this seed sags by 0.3 psi between two words of the oxygen, after a day of falls
    # and refills; the generator gives what it gave all along.
    assert score("long-purge-of-a-big-riser", 6).failures == []


def test_the_bank_is_as_large_as_it_should_be() -> None:
    assert len(BANK) >= 30
    assert len(SHORT) >= 20
    assert sum(s.healthy for s in BANK.values()) >= 6


def test_every_condition_of_the_plant_is_asked_for_and_every_story_is_told() -> None:
    asked, forbidden = set(), set()
    for story in BANK.values():
        case = story.case(1)
        asked |= {e.condition for e in case.expects}
        forbidden |= {n.condition for n in case.never}
        assert story.text
        for name in (*(e.condition for e in case.expects), *(n.condition for n in case.never)):
            assert name in CATALOGUE
    # The collector's own health is no matter of the plant; its tests are with the daemon's.
    own = {c.id for c in CATALOGUE.values() if c.applies_to == "collector"}
    # A wrong register map is no matter of the plant either; tests/commissioning asks for it.
    assert asked == set(CATALOGUE) - own - {"readings-implausible"}
    # What is forbidden somewhere is what can be fooled: all but plain contacts and limits.
    assert len(forbidden) >= 25


def test_a_seed_is_another_plant_of_the_same_kind() -> None:
    one, same, other = (BANK["pressure-low"].case(seed) for seed in (1, 1, 2))
    assert one.tables == same.tables
    assert one.tables != other.tables
    assert one.acts != other.acts
