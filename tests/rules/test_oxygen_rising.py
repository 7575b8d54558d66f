"""oxygen-rising and its traps."""

from __future__ import annotations

import pytest

from tests.rules.purges import O2, OPEN, falling, noisy, told
from tests.rules.support import DAY, HOUR, MINUTE, T0, plant, series, story

C = "oxygen-rising"


def rise(start, per_hour=0.2, level=1.7):
    return lambda t: level + max(t - start, 0) / HOUR * per_hour


@pytest.mark.parametrize("seed", range(3))
def test_a_slow_rise_past_the_target_is_raised(seed):
    s = told().feed(series({O2: noisy(rise(DAY), seed)}, end=2 * DAY, every=MINUTE))
    (what, at), = s.moves(C)
    # It passes 2.5 % after 4 h; all of the three hours that follow must show it.
    assert what == "raised"
    assert DAY + 6 * HOUR < at < DAY + 9 * HOUR
    event = s.alarms(C)[0]
    assert event.values["target_percent"] == 2.0
    assert "the target of 2.0 % had been reached" in event.text
    assert "Nitrogen displaces oxygen" in event.text
    assert s.moves("oxygen-not-falling") == []


def test_it_returns_at_the_target():
    shape = lambda t: 1.7 if t < DAY else 4.0 if t < 2 * DAY else 1.8  # noqa: E731
    s = told().feed(series({O2: noisy(shape)}, end=3 * DAY, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_before_the_target_was_reached_there_is_no_rise():
    s = told().feed(series({O2: noisy(rise(0, level=6.0))}, end=2 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_noise_about_the_line_is_no_rise():
    s = told().feed(series({O2: noisy(lambda t: 2.45, noise=0.2)}, end=3 * DAY, every=MINUTE))
    assert s.moves(C) == []


@pytest.mark.parametrize("wired", [True, False])
def test_trap_the_vent_samples_room_air_when_it_opens(wired):
    # Every four hours the vent opens; for ten minutes its sensor still sees the room.
    opening = lambda t: t % (4 * HOUR) < HOUR  # noqa: E731
    o2 = lambda t: 20.9 if t % (4 * HOUR) < 10 * MINUTE else 1.7  # noqa: E731
    shapes = {OPEN: lambda t: float(opening(t))} if wired else {}
    s = told().feed(series({**shapes, O2: noisy(o2)}, end=3 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_chamber_that_breathes_room_air_while_shut():
    opening = lambda t: t % (12 * HOUR) < HOUR  # noqa: E731
    shut = lambda t: 1.7 + 1.5 * ((t % (12 * HOUR)) / HOUR - 1)  # noqa: E731
    o2 = lambda t: 1.7 if opening(t) else shut(t)  # noqa: E731
    s = told().feed(series({OPEN: lambda t: float(opening(t)), O2: noisy(o2)},
                           start=6 * HOUR, end=6 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_shut_pipe_cannot_gain_so_fast():
    # Shut for a day since its target, never seen to open: 1.6 % an hour can only be the room.
    s = told().feed(series({OPEN: 0, O2: noisy(rise(4 * HOUR, per_hour=1.6))}, end=16 * HOUR,
                           every=MINUTE))
    assert s.moves(C) == []
    evaluation, = (v for v in s.monitor.evaluations() if v.condition == C)
    assert evaluation.state == "unknown"
    assert "room air until the vent opens" in evaluation.because


def daily(per_hour, *, first=HOUR, lasts=2 * HOUR, pipe=1.4):
    """A vent that a timer opens once a day, and a chamber that takes in room air while shut."""
    is_open = lambda t: 0 <= (t - first) % DAY < lasts  # noqa: E731
    shut = lambda t: (t - first) % DAY - lasts if t >= first else t  # noqa: E731
    return {OPEN: lambda t: float(is_open(t)),
            O2: noisy(lambda t: pipe if is_open(t) else pipe + per_hour * shut(t) / HOUR)}


@pytest.mark.parametrize("first", [HOUR, 20 * HOUR])
def test_trap_an_opening_soon_after_the_last_does_not_prove_a_chamber_tight(first):
    # 0.15 % an hour is no more than leaks could let in, and crosses the line in half a day.
    s = told().feed(series(daily(0.15, first=first), end=4 * DAY, every=5 * MINUTE))
    assert s.moves(C) == []


def test_a_timer_whose_chamber_was_seen_to_be_tight_is_believed_while_shut():
    pipe = lambda t: 1.4 + max(t - 3 * DAY - 4 * HOUR, 0) / HOUR * 0.15  # noqa: E731
    shapes = daily(0.0)
    s = told().feed(series({OPEN: shapes[OPEN], O2: noisy(pipe)}, end=4 * DAY, every=5 * MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert at < 3 * DAY + 20 * HOUR


@pytest.mark.parametrize("breathes", [False, True])
def test_a_timer_that_opens_by_the_hour_leaves_enough_to_judge(breathes):
    # Neither the openings nor the pauses last for a sixth of the window once they have settled.
    opening = lambda t: t % HOUR < 24 * MINUTE  # noqa: E731

    def o2(t):
        pause = 0 if opening(t) or not breathes else t % HOUR - 24 * MINUTE
        return rise(DAY)(t) + 2.0 * pause / HOUR

    s = told().feed(series({OPEN: lambda t: float(opening(t)), O2: noisy(o2)},
                           end=2 * DAY, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert DAY + 6 * HOUR < at < DAY + (14 if breathes else 12) * HOUR


def test_a_leak_made_up_for_with_air_is_raised_behind_a_shut_vent():
    # Once a daily timer would have opened it: until then it may be the chamber.
    s = told().feed(series({OPEN: 0, O2: noisy(rise(4 * HOUR, per_hour=0.3))}, end=30 * HOUR,
                           every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    # In air-fill it may come as fast as it likes.
    s = told().feed(series({OPEN: 0, "gen1.mode": 2, O2: noisy(rise(4 * HOUR, per_hour=1.6))},
                           end=20 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_trap_a_declared_refill_begins_anew():
    shape = lambda t: 1.7 if t < DAY else falling(15.0, start=DAY)(t)  # noqa: E731
    s = told()
    s.feed(series({O2: noisy(shape)}, end=DAY - HOUR, every=MINUTE))
    s.monitor.declare_fill("r1", T0 + DAY + 2 * HOUR)
    s.feed(series({O2: noisy(shape)}, start=DAY - HOUR, end=2 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_a_rise_that_the_vent_purges_away_is_its_work():
    shape = lambda t: 1.7 if t < DAY else falling(4.0, start=DAY)(t)  # noqa: E731
    s = told().feed(series({O2: noisy(shape)}, end=2 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_air_fill_is_named_among_the_causes():
    s = told().feed(series({O2: noisy(rise(DAY, 1.0)),
                            "gen1.mode": lambda t: 2 if t > DAY else 1},
                           end=DAY + 10 * HOUR, every=MINUTE))
    assert "1) the generator's air-fill: it lasted" in s.alarms(C)[0].text


def test_not_watched_without_oxygen():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "r1-vent") == "no oxygen at r1-vent"


def cycling(band):
    """Oxygen and position of a vent that opens at ``band`` above the target and closes at it."""
    state = {"open": 0.0, "o2": 1.9, "t": 0}

    def at(t):
        hours, state["t"] = (t - state["t"]) / HOUR, t
        state["o2"] += hours * (0.15 if not state["open"] else -0.06)
        if state["o2"] >= 2.0 + band:
            state["open"] = 1.0
        elif state["o2"] <= 2.0:
            state["open"] = 0.0
        return state["o2"]

    return at, lambda t: state["open"]


@pytest.mark.parametrize("band", [0.5, 0.8])
@pytest.mark.parametrize("condition", [C, "vent-stuck-closed", "vent-stuck-open"])
def test_trap_the_band_of_the_vents_own_controller(band, condition):
    oxygen, position = cycling(band)
    s = told().feed(series({O2: noisy(oxygen), OPEN: position}, end=3 * DAY, every=5 * MINUTE))
    assert s.moves(condition) == []


def test_a_rise_the_user_set_holds():
    oxygen, position = cycling(0.8)
    s = told(oxygen_rising={"rise": 0.3}).feed(
        series({O2: noisy(oxygen), OPEN: position}, end=DAY, every=5 * MINUTE))
    assert [m for m, _ in s.moves(C)][:1] == ["raised"]
