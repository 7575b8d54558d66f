"""The marks themselves: what is missed, wrong, early or said badly is seen, and the books agree."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulators.plant import Plant
from tests.benchmarks.cases import BANK
from tests.benchmarks.cases.build import hours, scenario_of
from tests.benchmarks.cases.ledger import Ledger
from tests.benchmarks.cases.score import score
from tests.benchmarks.cases.shape import Case, Draw, Expect, May, Never, Story
from tests.benchmarks.cases.tables import quantile, tables

RELAY = BANK["trouble-relay"]


def told(monkeypatch: pytest.MonkeyPatch, **changes: object) -> list[str]:
    """Return the failures of the trouble relay's story when it is told otherwise."""
    def tell(d: Draw) -> Case:
        return replace(RELAY.tell(d), duration=hours(1.4), **changes)  # type: ignore[arg-type]
    monkeypatch.setitem(BANK, "changed", Story(name="changed", family="contacts", tell=tell))
    return score("changed", 7).failures


def expect(**changes: object) -> Expect:
    # Another name has other dice: the changed story's own onset.
    at = RELAY.tell(Draw("changed", 7)).expects[0].at
    return replace(RELAY.tell(Draw("changed", 7)).expects[0], at=at, **changes)  # type: ignore[arg-type]


def test_a_story_told_right_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    assert told(monkeypatch) == []


def test_an_alarm_nobody_asked_for_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    (failure,) = told(monkeypatch, expects=())
    assert failure.startswith("generator-trouble at gen1: false after ")
    trap = Never(condition="generator-trouble", trap="a trap")
    (failure,) = told(monkeypatch, expects=(), never=(trap,))
    assert failure.endswith("(trap: a trap)")


def test_what_may_be_raised_is_right_only_where_and_as_it_may(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    may = May(condition="generator-trouble")
    assert told(monkeypatch, expects=(), may=(may,)) == []
    for wrong in (replace(may, asset="gen2"), replace(may, start=hours(2)), replace(may, end=1000),
                  replace(may, says=("bananas",)), replace(may, condition="power-lost")):
        assert len(told(monkeypatch, expects=(), may=(wrong,))) == 1


def test_an_alarm_that_does_not_come_is_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    lost = Expect(condition="power-lost", asset="gen1", at=hours(1), within=hours(1))
    assert told(monkeypatch, expects=(expect(), lost)) == ["power-lost at gen1: missed"]


def test_too_early_is_wrong_and_too_late_is_late(monkeypatch: pytest.MonkeyPatch) -> None:
    at = expect().at
    assert at is not None
    later = expect()
    early = told(monkeypatch, expects=(replace(later, at=at + hours(0.2)),))
    assert early[0] == "generator-trouble at gen1: missed"
    assert "false after" in early[1]
    (late,) = told(monkeypatch, expects=(replace(later, at=at - 60_000),))
    assert "late, 7" in late
    # Slow ones are held to their own deadline alone.
    assert told(monkeypatch, expects=(replace(later, at=at - 60_000, slow=True),)) == []


def test_a_message_must_say_what_the_story_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    (failure,) = told(monkeypatch, expects=(expect(says=("trouble", "bananas")),))
    assert failure == "generator-trouble at gen1: message lacks 'bananas'"


def test_a_story_that_never_comes_to_it_is_void(monkeypatch: pytest.MonkeyPatch) -> None:
    never = Expect(condition="pressure-low", asset="r1", when=lambda _: False, within=1000)
    assert told(monkeypatch, expects=(expect(), never)) == ["pressure-low at r1: void"]


def test_tables_name_what_failed(monkeypatch: pytest.MonkeyPatch) -> None:
    told(monkeypatch, expects=(expect(says=("bananas",)),))
    text = tables([score("changed", 7)], fails=True)
    assert "generator-trouble" in text
    assert "changed --seed 7: generator-trouble at gen1: message lacks 'bananas'" in text


def test_quantile_is_that_of_the_textbook() -> None:
    # numpy's default ("linear"): of 1 2 3 4 the 90 % quantile is 3.7.
    assert quantile([4, 1, 3, 2], 0.9) == pytest.approx(3.7)
    assert quantile([5.0], 0.5) == 5.0


def test_the_books_of_the_parts_are_the_books_of_the_whole() -> None:
    story = BANK["one-riser-of-three-leaks"]
    scenario = scenario_of(story.case(3), 3)
    plant = Plant(scenario.plant)
    ledger = Ledger(plant)
    ledger.note()
    start = plant.time
    for n in range(1, 25):
        plant.advance_exactly(start + hours(n))
        ledger.note()
    end, books = plant.time, plant.books
    unit = plant.generators["gen1"]
    lost = sum(ledger.passed(f"{r}.leaked", start, end) for r in plant.risers)
    drawn = sum(ledger.passed(f"{r}.drawn", start, end) for r in plant.risers)
    assert lost == pytest.approx(books.leaked, rel=1e-9)
    assert ledger.passed("gen1.drawn", start, end) == pytest.approx(drawn, rel=1e-9)
    assert ledger.passed("gen1.gave", start, end) == pytest.approx(
        books.taken_in - books.rejected, rel=1e-9)
    assert unit.tally.intake == pytest.approx(books.taken_in, rel=1e-9)
    half = ledger.passed("gen1.run", start, start + hours(0.5))
    assert half == pytest.approx(ledger.passed("gen1.run", start, start + hours(1)) / 2)
