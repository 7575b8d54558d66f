"""Debounce, form C pairs, and the readings they become."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.readings import Quality
from collector.sources import ContactLeg, PointSettings
from collector.sources.read_plan import (
    Debounce,
    PointDecoder,
    Raw,
    Span,
    contact_value,
    point_names,
)

NO = ContactLeg(table="discrete-inputs", address=0)
NC = ContactLeg(table="discrete-inputs", address=1)


def trouble(**more: object) -> PointSettings:
    return PointSettings(**{"point": "gen1.trouble", **more})  # type: ignore[arg-type]


def test_a_form_c_at_rest_and_made() -> None:
    assert contact_value(0, 1).value == 0.0
    assert contact_value(1, 0).value == 1.0


@pytest.mark.parametrize(("legs", "word"), [((0, 0), "broken wire"), ((1, 1), "short")])
def test_both_legs_alike(legs: tuple[int, int], word: str) -> None:
    got = contact_value(*legs)
    assert (got.value, got.quality) == (None, Quality.BAD)
    assert word in got.why


def test_one_leg_alone() -> None:
    assert [contact_value(s, None).value for s in (0, 1)] == [0.0, 1.0]
    assert [contact_value(None, s).value for s in (0, 1)] == [1.0, 0.0]
    with pytest.raises(ValueError, match="at least one leg"):
        contact_value(None, None)


def test_the_first_state_counts_at_once_a_new_one_only_after_its_time() -> None:
    d = Debounce(100)
    assert d.sample((1,), 0) == (1,)
    assert d.sample((0,), 1000) == (1,)
    assert d.sample((0,), 1099) == (1,)
    assert d.sample((0,), 1100) == (0,)


def test_bounce_never_counts() -> None:
    d = Debounce(100)
    d.sample((0,), 0)
    assert {d.sample((t // 50 % 2,), t) for t in range(50, 5000, 50)} == {(0,)}


def test_a_lost_look_starts_the_time_anew() -> None:
    d = Debounce(100)
    d.sample((0,), 0)
    d.sample((1,), 1000)
    d.forget_pending()
    assert d.sample((1,), 1200) == (0,)
    assert d.sample((1,), 1300) == (1,)


@given(st.lists(st.tuples(st.integers(1, 300), st.integers(0, 3)), min_size=1, max_size=60),
       st.integers(0, 500))
def test_what_counts_has_stood_for_its_time(
    looks: list[tuple[int, int]], duration: int
) -> None:
    d = Debounce(duration)
    now, held, history = 0, None, []
    for step, state in looks:
        now += step
        history.append((now, (state,)))
        got = d.sample((state,), now)
        if held is not None and got != held:
            run = []
            for when, seen in reversed(history):
                if seen != got:
                    break
                run.append(when)
            assert now - run[-1] >= duration
        held = got


def readings(
    e: PointDecoder, no: int, nc: int, now: int,
) -> dict[str, tuple[float | None, Quality]]:
    raws = {
        Span("discrete-inputs", 0, 1): Raw(asked=now - 5, values=(no,)),
        Span("discrete-inputs", 1, 2): Raw(asked=now - 9, values=(nc,)),
    }
    found = e.readings(raws, now)
    assert {r.time for r in found} == {now}
    assert {r.asked for r in found} == {now - 9}
    return {r.point: (r.value, r.quality) for r in found}


def test_a_pair_gives_three_points() -> None:
    p = trouble(normally_open=NO, normally_closed=NC)
    assert point_names(p) == ("gen1.trouble", "gen1.trouble_no", "gen1.trouble_nc")
    good = Quality.GOOD
    assert readings(PointDecoder(p), 1, 0, 100) == {
        "gen1.trouble": (1.0, good), "gen1.trouble_no": (1.0, good),
        "gen1.trouble_nc": (0.0, good),
    }
    assert readings(PointDecoder(p), 0, 0, 100) == {
        "gen1.trouble": (None, Quality.BAD), "gen1.trouble_no": (0.0, good),
        "gen1.trouble_nc": (0.0, good),
    }


def test_the_change_over_is_no_disagreement() -> None:
    e = PointDecoder(trouble(normally_open=NO, normally_closed=NC, debounce=50))
    values = [readings(e, *legs, now)["gen1.trouble"][0] for legs, now in [
        ((0, 1), 0), ((0, 0), 1000), ((1, 0), 1008), ((1, 0), 1100), ((0, 0), 2000), ((0, 0), 2060),
    ]]
    assert values == [0.0, 0.0, 0.0, 1.0, 1.0, None]


def test_inverted_inputs() -> None:
    p = trouble(
        normally_open=ContactLeg(table="discrete-inputs", address=0, inverted=True),
        normally_closed=NC,
    )
    assert readings(PointDecoder(p), 0, 0, 10)["gen1.trouble"] == (1.0, Quality.GOOD)


def test_one_leg_not_had_makes_all_three_stale() -> None:
    e = PointDecoder(trouble(normally_open=NO, normally_closed=NC))
    raws = {
        Span("discrete-inputs", 0, 1): Raw(asked=1, values=(1,)),
        Span("discrete-inputs", 1, 2): Raw(asked=1, quality=Quality.STALE, why="no reply"),
    }
    found = e.readings(raws, 9)
    assert [(r.value, r.quality, r.why) for r in found] == [(None, Quality.STALE, "no reply")] * 3


def test_a_plain_bit_is_debounced_too() -> None:
    p = trouble(table="coils", type="bit", address=4, debounce=100)
    e = PointDecoder(p)

    def see(bit: int, now: int) -> float | None:
        (found,) = e.readings({Span("coils", 4, 5): Raw(asked=now, values=(bit,))}, now)
        return found.value

    assert [see(0, 0), see(1, 10), see(0, 20), see(1, 200), see(1, 300)] == [0, 0, 0, 0, 1]
