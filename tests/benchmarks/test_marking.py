"""The marks themselves: what is missed, wrong, early or said badly is seen, and the books agree."""

from __future__ import annotations

from array import array
from dataclasses import replace

import pytest

from collector.domain.events import AlarmTransition, Transition
from simulators.plant import Plant
from tests.benchmarks.cases import BANK
from tests.benchmarks.cases.build import hours, scenario_of
from tests.benchmarks.cases.ledger import Ledger
from tests.benchmarks.cases.play import play
from tests.benchmarks.cases.score import _outcome, score
from tests.benchmarks.cases.shape import Case, Draw, Expect, May, Never, Story
from tests.benchmarks.cases.tables import quantile, tables
from tests.benchmarks.cases.truths import Sample

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


def test_what_ends_and_comes_again_is_no_repeat_but_a_second_alarm_of_one_is() -> None:
    story = BANK["long-run-from-a-leak"]
    played = play(story, 4)
    (expect,), own = played.case.expects, [
        e for e in played.events if isinstance(e, AlarmTransition)
        and e.condition == "compressor-long-run" and e.transition is Transition.RAISED]
    # Each run is a long one: the plant came to it again and again, and one alarm stood through all.
    (onset,), (episodes,) = played.onsets, played.episodes
    assert len(own) == 1
    assert episodes >= 3
    assert _outcome(played, expect, onset, own, episodes).repeats == 0
    assert _outcome(played, expect, onset, own * 3, episodes).repeats == 0
    assert _outcome(played, expect, onset, own * 3, 1).repeats == 2
    assert _outcome(played, expect, onset, own * (episodes + 1), episodes).repeats == 1


def test_exposure_is_told_to_the_ends_of_its_window() -> None:
    ledger = object.__new__(Ledger)
    ledger._times = array("q", [0, 600_000, 1_200_000])
    ledger._rows = {"r1.far": array("d", [8.0, 6.0, 2.0])}
    day = 86_400_000
    # By hand: 4 to 2 above within the second half of the first stretch, then 2 down to nothing
    # half-way through the second.
    assert ledger.above("r1.far", 4.0, 0, 600_000) * day == pytest.approx(3.0 * 600_000)
    assert ledger.above("r1.far", 4.0, 300_000, 600_000) * day == pytest.approx(2.5 * 300_000)
    assert ledger.above("r1.far", 4.0, 600_000, 900_000) * day == pytest.approx(1.0 * 300_000)


def test_a_certainty_tells_of_coverage_only_where_it_is_wrong() -> None:
    sure = Sample(quantity="purge-completion", asset="v", value=100.0, low=100.0, high=100.0,
                  truth=100.0, scale=100.0)
    assert sure.covered is None
    assert replace(sure, truth=99.0).covered is False
    assert replace(sure, low=99.0).covered is True


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
    end, books = plant.time, plant.totals
    unit = plant.generators["gen1"]
    lost = sum(ledger.passed(f"{r}.leaked", start, end) for r in plant.risers)
    drawn = sum(ledger.passed(f"{r}.drawn", start, end) for r in plant.risers)
    assert lost == pytest.approx(books.leaked, rel=1e-9)
    assert ledger.passed("gen1.drawn", start, end) == pytest.approx(drawn, rel=1e-9)
    assert ledger.passed("gen1.gave", start, end) == pytest.approx(
        books.taken_in - books.rejected, rel=1e-9)
    assert unit.totals.intake == pytest.approx(books.taken_in, rel=1e-9)
    half = ledger.passed("gen1.run", start, start + hours(0.5))
    assert half == pytest.approx(ledger.passed("gen1.run", start, start + hours(1)) / 2)
