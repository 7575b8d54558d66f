"""compressor-duty, energy and what it costs: values, intervals, and reasons."""

from __future__ import annotations

import random

import pytest

from collector.domain.plant import Generator
from tests.rules.restarts import with_restart
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, plant, series, story
from tests.rules.test_compressor_overduty import RUN, TANK, cycling, sawtooth

POWERED = Generator(id="gen1", name="Generator 1", cut_in=60.0, cut_out=80.0,
                    compressor_power=2200.0, energy_price=0.25, currency="GBP")


def last(s, quantity):
    return s.estimates(quantity)[-1]


def test_a_day_of_known_duty():
    rows = series({RUN: cycling(9 * MINUTE, 30 * MINUTE), TANK: sawtooth(9 * MINUTE, 30 * MINUTE)},
                  end=DAY + MINUTE, every=30 * SECOND)
    made = last(story().feed(rows), "compressor-duty")
    assert (made.window[0], made.window[1]) == (T0, T0 + DAY)
    assert made.unit == "%"
    assert made.value == pytest.approx(30.0, abs=0.1)
    assert made.low is not None
    assert made.high is not None
    assert made.low < 30.0 < made.high
    # 96 changes, each even within 30 s: 1.645 x sqrt(96 / 12) x 30 s are 0.162 % of a day.
    assert made.high - made.low == pytest.approx(2 * 0.162, rel=0.05)


def test_energy_and_its_cost_follow():
    rows = series({RUN: cycling(9 * MINUTE, 30 * MINUTE), TANK: sawtooth(9 * MINUTE, 30 * MINUTE)},
                  end=DAY + MINUTE, every=30 * SECOND)
    s = story(plant(generator=POWERED)).feed(rows)
    used, cost = last(s, "energy"), last(s, "energy-cost")
    # 2.2 kW for 30 % of 24 h.
    assert used.unit == "kWh"
    assert used.value == pytest.approx(15.84, abs=0.06)
    assert used.low < 15.84 < used.high
    assert (cost.unit, cost.value) == ("GBP", pytest.approx(used.value / 4, abs=0.001))


def test_no_energy_without_the_power():
    rows = series({RUN: 1}, end=DAY + MINUTE, every=MINUTE)
    assert story().feed(rows).estimates("energy") == []


def test_a_hole_widens_the_interval_to_what_may_have_been():
    rows = [r for r in series(
        {RUN: cycling(9 * MINUTE, 30 * MINUTE), TANK: sawtooth(9 * MINUTE, 30 * MINUTE)},
        end=DAY + MINUTE, every=MINUTE) if not 6 * HOUR <= r.time - T0 < 12 * HOUR]
    made = last(story().feed(rows), "compressor-duty")
    assert made.value == pytest.approx(30.0, abs=0.6)
    # 18 h at 30 %, and 6 h of anything.
    assert made.low == pytest.approx(22.5, abs=0.7)
    assert made.high == pytest.approx(47.5, abs=0.7)


def test_too_little_seen_gives_a_reason():
    rows = [r for r in series({RUN: cycling(9 * MINUTE, 30 * MINUTE)}, end=DAY + MINUTE,
                              every=MINUTE) if not HOUR <= r.time - T0 < 20 * HOUR]
    made = last(story(plant(generator=POWERED)).feed(rows), "compressor-duty")
    assert made.value is None
    assert "21 % of the time was seen" in made.reason


def test_trap_a_frozen_logger_is_not_a_duty_of_one_hundred():
    shape = cycling(9 * MINUTE, 30 * MINUTE)
    stop = 4 * HOUR + 3 * MINUTE
    rows = series({RUN: lambda at: shape(min(at, stop)),
                   TANK: lambda at: sawtooth(9 * MINUTE, 30 * MINUTE)(min(at, stop))},
                  end=DAY + MINUTE, every=MINUTE)
    s = story(plant(generator=POWERED)).feed(rows)
    for quantity in ("compressor-duty", "energy", "energy-cost"):
        assert last(s, quantity).value is None
        assert "17 % of the time" in last(s, quantity).reason


def test_the_interval_covers_nine_times_in_ten():
    # Runs of random length, begun at random instants between the samples.
    random_ = random.Random(7)
    inside = 0
    days = 40
    for _ in range(days):
        edges, at = [], 0.0
        while at < DAY:
            on = random_.uniform(3, 12) * MINUTE
            edges.append((at, at + on))
            at += on + random_.uniform(20, 70) * MINUTE
        true = sum(min(b, DAY) - min(a, DAY) for a, b in edges) / DAY * 100
        rows = series({RUN: lambda t, e=edges: float(any(a <= t < b for a, b in e))},
                      end=DAY + MINUTE, every=MINUTE)
        made = last(story(plant(devices={"io": (60_000, (RUN,))})).feed(rows), "compressor-duty")
        inside += made.low <= true <= made.high
    assert 0.80 * days <= inside <= 0.99 * days


def test_a_restart_tells_the_same():
    rows = series({RUN: cycling(9 * MINUTE, 30 * MINUTE), TANK: sawtooth(9 * MINUTE, 30 * MINUTE)},
                  end=DAY + MINUTE, every=MINUTE)
    whole = last(story(plant(generator=POWERED)).feed(rows), "energy")
    for at in (7, 1501):
        assert last(with_restart(rows, at, plant(generator=POWERED)), "energy") == whole
