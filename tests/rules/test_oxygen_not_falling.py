"""oxygen-not-falling and every trap it must not be fooled by."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from collector.domain.plant import Riser, Vent
from collector.rules.base import Context
from collector.rules.inputs import Inputs
from collector.rules.oxygen import predicted_time_constant
from collector.rules.wording import Words
from tests.rules.support import DAY, HOUR, MINUTE, T0, plant, series, settings, story

O2, OPEN, MODE, FEED = "r1-vent.oxygen", "r1-vent.open", "gen1.mode", "gen1.product_oxygen"
C = "oxygen-not-falling"
SCFM = 0.028316847 / 60 * 101325 / (8.314462618 * 288.7056)  # mol/s at 60 F, 14.696 psia
RISER = Riser(id="r1", name="Dock riser", fed_by="gen1", volume=450 * 0.003785411784,
              supervisory_pressure=25.0, low_pressure=18.0)
VENT = Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0, flow=0.35 * SCFM)
TAU = 7.74  # h: 450 gal at 39.7 psia is 162.5 scf, through 0.35 scfm 464 min


def purge(tau, *, feed=0.5, begin=20.9, noise=0.1, seed=1, start=0, floor=0.0):
    """Oxygen as a common sensor shows it: noise, then steps of 0.1 %."""
    rng = random.Random(seed)

    def at(t):
        h = max(t - start, 0) / HOUR
        x = max(feed + (begin - feed) * math.exp(-h / tau), floor)
        return round(x + rng.gauss(0, noise), 1)

    return at


def told(riser=RISER, vent=VENT, **given):
    return story(plant(riser=riser, vent=vent), **given)


def test_the_prediction_is_that_of_the_handbook():
    the_plant = plant(riser=RISER, vent=VENT)
    inputs = Inputs(the_plant, settings())
    context = Context(plant=the_plant, settings=settings(), inputs=inputs, words=Words(the_plant))
    tau = predicted_time_constant(context, "r1-vent")
    assert tau is not None
    assert tau / HOUR == pytest.approx(TAU, rel=0.01)


@pytest.mark.parametrize("seed", range(5))
def test_a_purge_that_falls_as_predicted_is_silent(seed):
    s = told().feed(series({OPEN: 1, O2: purge(TAU, seed=seed)}, end=40 * HOUR, every=MINUTE))
    assert s.moves(C) == []


@pytest.mark.parametrize("seed", range(3))
def test_a_purge_at_a_quarter_of_the_predicted_rate_is_slow(seed):
    s = told().feed(series({OPEN: 1, O2: purge(4 * TAU, seed=seed)}, end=20 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert at < 12 * HOUR
    event = s.alarms(C)[0]
    assert event.values["finding"] == "slow"
    assert "is predicted from the pipe's volume" in event.text


@pytest.mark.parametrize("seed", range(3))
def test_a_purge_that_stalls_above_the_target(seed):
    shape = purge(TAU, seed=seed, floor=6.0)
    s = told().feed(series({OPEN: 1, O2: shape}, end=24 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    # It reaches 6 % after 10.2 h; a window of 2 h later there is nothing left to see.
    assert 10 * HOUR < at < 13 * HOUR


def test_it_returns_when_the_fall_is_as_predicted_again():
    first = purge(TAU, floor=6.0)
    then = purge(TAU, begin=6.0, start=16 * HOUR)
    s = told().feed(series({OPEN: 1, O2: lambda t: first(t) if t < 16 * HOUR else then(t)},
                           end=22 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_the_purge_outlives_its_planned_days():
    s = told(oxygen_not_falling={"planned_days": 1.0})
    s.feed(series({OPEN: 1, O2: purge(1.9 * TAU)}, end=30 * HOUR, every=MINUTE))
    assert s.moves(C) == [("raised", DAY + 10 * MINUTE)]
    assert "was planned for 1 days" in s.alarms(C)[0].text


def test_without_flow_or_volume_a_flat_curve_is_stalled():
    bare = Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0)
    s = told(vent=bare).feed(series({OPEN: 1, O2: purge(1e9, begin=8.0)},
                                    end=20 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert (what, s.alarms(C)[0].values["finding"]) == ("raised", "stalled")
    assert at < 13 * HOUR


def test_without_flow_or_volume_a_slow_fall_is_let_be():
    bare = Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0)
    s = told(vent=bare).feed(series({OPEN: 1, O2: purge(72)}, end=4 * DAY, every=MINUTE))
    assert s.moves(C) == []


@pytest.mark.parametrize("seed", range(5))
def test_trap_sensor_noise_and_steps_of_a_tenth(seed):
    shape = purge(TAU, seed=seed, noise=0.25)
    s = told().feed(series({OPEN: 1, O2: shape}, end=30 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_the_far_end_lags_the_riser_end():
    # Two volumes in series: the far end stays flat first.
    def far(t):
        h, one, two = t / HOUR, 0.75 * TAU, 0.25 * TAU
        left = (one * math.exp(-h / one) - two * math.exp(-h / two)) / (one - two)
        return round(0.5 + 20.4 * left, 1)

    s = told().feed(series({OPEN: 1, O2: far}, end=30 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_supply_in_air_fill_is_named_first():
    shape = purge(TAU, floor=9.0)
    s = told().feed(series({OPEN: 1, O2: shape,
                            MODE: lambda t: 2 if 7 * HOUR < t < 12 * HOUR else 1},
                           end=14 * HOUR, every=MINUTE))
    event = s.alarms(C)[0]
    assert "The supply was in air-fill for" in event.text
    assert event.text.index("in air-fill") < event.text.index("the target is")
    assert "1) the generator's air-fill" in event.text


def test_air_fill_is_not_blamed_when_there_was_none():
    s = told().feed(series({OPEN: 1, O2: purge(TAU, floor=9.0), MODE: 1},
                           end=14 * HOUR, every=MINUTE))
    assert "air-fill" not in s.alarms(C)[0].text


def test_a_product_that_cannot_reach_the_target_is_named():
    s = told().feed(series({OPEN: 1, O2: purge(TAU, feed=3.0), FEED: 3.0},
                           end=60 * HOUR, every=MINUTE))
    assert "cannot bring the pipe to the target" in s.alarms(C)[0].text
    # It comes to its own 3 % as fast as predicted, and 2 % is none of it.
    assert s.moves(C)[0][1] < 4 * TAU * HOUR


def test_trap_a_purge_by_timer_is_judged_by_its_open_time():
    # Open 15 min of each hour: by the clock four times slower, by open time as predicted.
    is_open = lambda t: t % HOUR < 15 * MINUTE  # noqa: E731
    passed = lambda t: t // HOUR * 15 * MINUTE + min(t % HOUR, 15 * MINUTE)  # noqa: E731
    rng = random.Random(2)
    o2 = lambda t: round(0.5 + 20.4 * math.exp(-passed(t) / HOUR / TAU) + rng.gauss(0, 0.1), 1)  # noqa: E731
    rows = series({OPEN: lambda t: float(is_open(t)), O2: o2}, end=4 * DAY, every=MINUTE)
    s = told(oxygen_not_falling={}).feed(rows)
    assert s.moves(C) == []


@pytest.mark.parametrize(("period", "opened"), [(HOUR, 23 * MINUTE), (DAY, 3 * HOUR)])
def test_trap_a_timer_whose_vent_has_no_contact(period, opened):
    # The chamber is tight: while the vent is shut the sensor goes on showing what it held.
    passed = lambda t: t // period * opened + min(t % period, opened)  # noqa: E731
    rng = random.Random(2)
    o2 = lambda t: round(0.5 + 20.4 * math.exp(-passed(t) / HOUR / TAU) + rng.gauss(0, 0.1), 1)  # noqa: E731
    s = told().feed(series({O2: o2}, end=12 * DAY, every=5 * MINUTE))
    assert s.moves(C) == []


@pytest.mark.parametrize("left", [0.2, 0.0])
def test_a_purge_without_contact_that_slows_is_held_to_what_it_was(left):
    # Four times the pipe; after two days the vent passes a fifth, or nothing.
    passed = lambda t: min(t, 2 * DAY) + left * max(t - 2 * DAY, 0)  # noqa: E731
    rng = random.Random(2)
    o2 = lambda t: round(0.5 + 20.4 * math.exp(-passed(t) / HOUR / 30) + rng.gauss(0, 0.1), 1)  # noqa: E731
    riser = replace(RISER, volume=4 * RISER.volume)
    s = told(riser=riser).feed(series({O2: o2}, end=6 * DAY, every=5 * MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert 2 * DAY < at < 4.5 * DAY
    assert "the vent's position is not read" in s.alarms(C)[0].text


def test_absurd_oxygen_is_left_out():
    shape = purge(TAU)
    rng = random.Random(5)
    s = told().feed(series({OPEN: 1, O2: lambda t: 99.9 if rng.random() < 0.05 else shape(t)},
                           end=30 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_no_purge_no_finding():
    s = told().feed(series({OPEN: 1, O2: purge(1e9, begin=1.9, feed=0)}, end=3 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_completion_is_estimated_by_the_day_with_its_interval():
    s = told().feed(series({OPEN: 1, O2: purge(1e9, begin=11.5, feed=0)},
                           end=25 * HOUR, every=MINUTE))
    first = s.estimates("purge-completion")[0]
    assert first.time == T0 + DAY
    # (20.9476 - 11.5) / (20.9476 - 2)
    assert first.value == pytest.approx(49.86, abs=0.3)
    assert first.low < 49.86 < first.high
    assert first.window == (T0 + 23 * HOUR, T0 + DAY)


def test_completion_without_readings_says_why():
    s = told().feed(series({OPEN: 1, O2: lambda t: 5.0 if t < HOUR else None, "gen1.mode": 1},
                           end=50 * HOUR, every=MINUTE))
    last = s.estimates("purge-completion")[-1]
    assert (last.value, last.reason) == (None, "no oxygen readings in the last day")


def test_the_rates_are_both_of_the_moment_and_by_the_measured_product():
    # 160 gal at 39.7 psia through 0.36 scfm: 160.5 min; from 4.3 % with a product of 0.8 % that
    # is 3.5 / 2.675 h = 1.31 % an hour, not the 3.5 % that are left to fall in a whole day.
    small = Riser(id="r1", name="Freezer riser", fed_by="gen1", volume=160 * 0.003785411784,
                  supervisory_pressure=25.0, low_pressure=18.0)
    vent = Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0, flow=0.36 * SCFM)
    s = told(riser=small, vent=vent)
    s.feed(series({OPEN: 1, O2: purge(2.675, feed=0.8, floor=4.3), FEED: 0.8},
                  end=12 * HOUR, every=MINUTE))
    event = s.alarms(C)[0]
    assert event.values["feed_percent"] == pytest.approx(0.8)
    assert event.values["predicted_percent_per_day"] == pytest.approx(24 * 1.31, rel=0.1)
    assert event.values["fall_percent_per_day"] < 0.5 * event.values["predicted_percent_per_day"]
    assert "% an hour is predicted" in event.text
    assert "a product of 0.8 % oxygen." in event.text


def test_without_an_analyser_the_feed_is_assumed_below_the_limit_and_said_so():
    s = told().feed(series({OPEN: 1, O2: purge(TAU, floor=6.0)}, end=14 * HOUR, every=MINUTE))
    event = s.alarms(C)[0]
    # Half a percent was too clean for many a plant: what nears its feed then seemed to stand still.
    assert event.values["feed_percent"] == 0.7
    assert "a product of 0.7 % oxygen, which is assumed" in event.text


def test_a_rise_after_the_target_is_left_to_its_own_condition():
    shape = lambda t: 1.7 if t < DAY else 1.7 + (t - DAY) / HOUR  # noqa: E731
    s = told().feed(series({OPEN: 1, O2: shape}, end=2 * DAY, every=MINUTE))
    assert s.moves(C) == []
    assert [m for m, _ in s.moves("oxygen-rising")] == ["raised"]
