"""compressor-long-run and every trap it must not be fooled by."""

from __future__ import annotations

import pytest

from collector.domain.plant import Generator
from collector.rules.compressor import refill_limit
from tests.rules.support import (
    HOUR,
    MINUTE,
    SECOND,
    T0,
    Story,
    between,
    plant,
    series,
    story,
)
from tests.rules.tank import GALLON, monitor, site

RUN, MODE = "gen1.compressor_running", "gen1.mode"
STARTS, HOURS = "gen1.start_count", "gen1.running_hours"
C = "compressor-long-run"


def test_raised_at_limit_plus_delay_with_the_numbers_of_the_contract():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: between(60 * SECOND, HOUR), MODE: 1}, end=30 * MINUTE))
    assert s.moves(C) == [("raised", 13 * MINUTE + 5 * SECOND)]
    event = s.alarms(C)[0]
    assert event.since == T0 + 13 * MINUTE
    assert (event.values["run_minutes"], event.values["limit_minutes"]) == (12.1, 12.0)
    assert event.text.startswith(
        "Compressor running too long: Generator 1. Since 00:13:00 on Sunday")
    assert "at least" not in event.text
    assert event.id == f"{C}.gen1.{event.time // 1000}"


def two_runs(at: int) -> float:
    """Return a run of 19 min and, an hour later, one of 6 min."""
    return float(MINUTE <= at < 20 * MINUTE or 80 * MINUTE <= at < 86 * MINUTE)


def test_returns_when_a_run_was_healthy():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: two_runs, MODE: 1}, end=2 * HOUR))
    assert s.moves(C) == [("raised", 13 * MINUTE + 5 * SECOND),
                          ("returned", 86 * MINUTE + 5 * SECOND)]


def test_one_fact_at_every_refill_is_one_alarm_with_a_count():
    long = lambda at: float(at % HOUR < 15 * MINUTE and at < 5 * HOUR)  # noqa: E731
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: lambda at: long(at) or float(6 * HOUR <= at < 6 * HOUR + 5 * MINUTE),
                   MODE: 1}, end=7 * HOUR, every=5 * SECOND))
    assert [what for what, _ in s.moves(C)] == ["raised", "returned"]
    assert s.moves(C)[1][1] == 6 * HOUR + 5 * MINUTE + 5 * SECOND


def test_the_usual_run_is_learned_and_the_message_says_so():
    # Runs of 4 min every hour, then one that does not end.
    runs = lambda at: float(at % HOUR < 4 * MINUTE or at >= 8 * HOUR)  # noqa: E731
    s = story()
    s.feed(series({RUN: runs, MODE: 1}, end=9 * HOUR, every=5 * SECOND))
    (what, when), = s.moves(C)
    assert what == "raised"
    assert when == 8 * HOUR + 8 * MINUTE + 5 * SECOND
    assert "healthy runs" in s.alarms(C)[0].text


def test_a_purge_that_opens_doubles_what_is_learned():
    # A vent opens after seven hours: refills of 4 min take 7 min from then on.
    runs = lambda at: float(at % HOUR < (4 if at < 7 * HOUR else 15) * MINUTE)  # noqa: E731
    vent = lambda at: float(at >= 7 * HOUR - MINUTE)  # noqa: E731
    s = story()
    s.feed(series({RUN: runs, MODE: 1, "r1-vent.open": vent}, end=10 * HOUR, every=5 * SECOND))
    assert s.moves(C) == []


def test_a_run_within_its_limit_is_silent():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: between(60 * SECOND, 13 * MINUTE), MODE: 1}, end=30 * MINUTE))
    assert s.moves(C) == []


def test_limit_is_computed_from_the_tank():
    # 60 gal, 60 to 80 psi, 1.0 scfm at 60 F: 8.02 ft3 x 20/14.696 = 10.92 scf, so 10.92 min, and
    # half as much again.
    flow = 1.0 * 0.028316847 / 60 * 101325 / (8.314462618 * 288.7056)
    gen = Generator(id="g", name="G", tank_volume=60 * 0.003785411784, cut_in=60, cut_out=80,
                    nitrogen_delivery=flow)
    limit, why = refill_limit(gen, 0.0, 15.5556)
    assert limit / MINUTE == pytest.approx(1.5 * 10.916, rel=1e-3)
    assert "pump-up" in why


def test_limit_is_common_practice_where_the_tank_is_not_described():
    assert refill_limit(Generator(id="g", name="G"), 0.0, 15.0) == (12 * MINUTE, "common practice")


def test_air_fill_has_its_own_limit():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({MODE: 2, RUN: between(60 * SECOND, HOUR)}, end=HOUR))
    assert s.moves(C) == [("raised", 31 * MINUTE + 5 * SECOND)]
    assert "air-fill" in s.alarms(C)[0].text


def test_a_run_that_falls_back_to_air_fill_has_the_longer_limit():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({MODE: between(5 * MINUTE, HOUR, 2, 1), RUN: between(60 * SECOND, HOUR)},
                  end=HOUR))
    assert s.moves(C) == [("raised", 31 * MINUTE + 5 * SECOND)]


def test_contacts_alone_say_which_limit_was_taken():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: between(60 * SECOND, HOUR)}, end=20 * MINUTE))
    assert s.moves(C) == [("raised", 13 * MINUTE + 5 * SECOND)]
    assert "taken because the mode is not read" in s.alarms(C)[0].text


def test_trap_a_short_gap_in_the_samples():
    rows = series({RUN: between(60 * SECOND, HOUR), MODE: 1}, end=20 * MINUTE)
    kept = [r for r in rows if not 300 * SECOND <= r.time - T0 < 310 * SECOND]
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(kept)
    assert s.moves(C) == [("raised", 13 * MINUTE + 5 * SECOND)]


def test_trap_a_long_gap_counts_only_what_was_seen():
    rows = series({RUN: between(60 * SECOND, HOUR), MODE: 1}, end=40 * MINUTE)
    kept = [r for r in rows if not 5 * MINUTE <= r.time - T0 < 10 * MINUTE]
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(kept)
    assert s.moves(C) == [("raised", 22 * MINUTE + 5 * SECOND)]
    assert "at least 12 min 5 s" in s.alarms(C)[0].text
    assert s.alarms(C)[0].values["at_least"] == 1


@pytest.mark.parametrize("first", [STARTS, RUN])
def test_trap_a_long_gap_with_the_start_count_unchanged_is_one_run(first):
    shapes = {RUN: between(60 * SECOND, HOUR), MODE: 1, STARTS: between(60 * SECOND, HOUR, 8, 7)}
    shapes = {first: shapes[first], **shapes}
    kept = [r for r in series(shapes, end=40 * MINUTE)
            if not 5 * MINUTE <= r.time - T0 < 10 * MINUTE]
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(kept)
    assert s.moves(C) == [("raised", 13 * MINUTE + 5 * SECOND)]
    assert s.alarms(C)[0].values["at_least"] == 0


@pytest.mark.parametrize("first", [STARTS, RUN])
def test_trap_a_long_gap_with_another_start_is_another_run(first):
    shapes = {RUN: between(60 * SECOND, HOUR), MODE: 1, STARTS: between(7 * MINUTE, HOUR, 9, 8)}
    shapes = {first: shapes[first], **shapes}
    kept = [r for r in series(shapes, end=21 * MINUTE)
            if not 5 * MINUTE <= r.time - T0 < 10 * MINUTE]
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(kept)
    assert s.moves(C) == []


def test_trap_a_long_gap_with_running_hours_that_went_on_is_one_run():
    hours = lambda at: round((max(at - MINUTE, 0)) / HOUR, 1)  # noqa: E731
    shapes = {RUN: between(60 * SECOND, 5 * HOUR), MODE: 1, HOURS: hours}
    kept = [r for r in series(shapes, end=3 * HOUR, every=10 * SECOND)
            if not HOUR <= r.time - T0 < 2 * HOUR]
    s = story(compressor_long_run={"limit": 150 * MINUTE})
    s.feed(kept)
    assert s.moves(C) == [("raised", 151 * MINUTE + 5 * SECOND)]
    assert s.alarms(C)[0].values["at_least"] == 0


def test_an_alarm_stands_still_over_a_gap_that_proves_nothing():
    runs = lambda at: float(MINUTE <= at < 40 * MINUTE or 50 * MINUTE <= at < HOUR)  # noqa: E731
    kept = [r for r in series({RUN: runs, MODE: 1}, end=70 * MINUTE)
            if not 20 * MINUTE <= r.time - T0 < 25 * MINUTE]
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(kept)
    assert s.moves(C) == [
        ("raised", 13 * MINUTE + 5 * SECOND), ("returned", HOUR + 5 * SECOND),
    ]


def test_a_stop_between_two_samples_shows_in_the_start_count():
    starts = lambda at: 8 if at < 10 * MINUTE else 9  # noqa: E731
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: between(60 * SECOND, HOUR), MODE: 1, STARTS: starts}, end=20 * MINUTE))
    assert s.moves(C) == []


def test_trap_a_run_that_began_before_start_up():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: 1, MODE: 1}, end=20 * MINUTE))
    assert s.moves(C) == [("raised", 12 * MINUTE + 5 * SECOND)]
    assert "at least 12 min 5 s" in s.alarms(C)[0].text


@pytest.mark.parametrize("asset", ["gen1", "r1"])
def test_trap_a_declared_fill(asset):
    rows = series({RUN: between(60 * SECOND, 3 * HOUR), MODE: 2}, end=70 * MINUTE)
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(rows[:2])
    s.monitor.declare_fill(asset, T0 + 2 * HOUR)
    s.feed(rows[2:])
    assert s.moves(C) == [("raised", 61 * MINUTE + 5 * SECOND)]
    assert "declared system fill" in s.alarms(C)[0].text


def test_not_watched_without_a_running_contact():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "gen1") == "no compressor running at gen1"


def test_metric_site_reads_metric_and_its_own_clock():
    s = story(plant(units="metric"), compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: between(60 * SECOND, HOUR)}, end=20 * MINUTE))
    assert "(GMT)" in s.alarms(C)[0].text


TANK, PIPE = "gen1.tank_pressure", "r1.pressure"
LARGE = 30.0
"""Volume of the riser over that of the tank."""


def filled(*, drains: tuple[float, ...] = (), hole: bool = False, step: float = 0.01,
           sag: float = 0.0, hours: int = 9, first: float = 25.4) -> Story:
    """Return runs of 6 min an hour, 3.33 psi/min; in the last, a riser loses 1 psi at each minute
    of ``drains`` and is refilled, unless a ``hole`` takes what is made from then on.

    The riser's gauge has a ``step`` (psi), and it begins at ``first``. Before the last run it has
    sagged by ``sag``.
    """
    shapes: dict[str, dict[int, float]] = {RUN: {}, TANK: {}, PIPE: {}}
    tank, pipe, on, began, every = 79.0, first, False, 0, 5
    for at in range(0, hours * 3600 + 1800, every):
        tank -= 20.0 / 54 * every / 60 if not on else 0.0
        pipe -= sag if at == (hours - 1) * 3600 else 0.0
        was, on = on, (tank < 80.0 if on else tank <= 60.0)
        began = at if on and not was else began
        last = at >= (hours - 1) * 3600
        if on:
            made = 20.0 / 6 * every / 60
            lost = last and hole and at - began >= 60
            taken = min(made * 0.8, (25.4 - pipe) * LARGE)
            pipe += taken / LARGE
            tank += 0.0 if lost else made - taken
            if last and any(60 * m <= at - began < 60 * m + 30 for m in drains):
                pipe -= every / 30
        for point, value in ((RUN, float(on)), (TANK, round(tank, 2)),
                             (PIPE, round(round(pipe / step) * step, 2))):
            shapes[point][at * SECOND] = value
    rows = series({p: values.__getitem__ for p, values in shapes.items()} | {MODE: 1},
                  end=hours * HOUR + 30 * MINUTE, every=every * SECOND)
    the_plant = site(tank=60 * GALLON, pipe=60 * LARGE * GALLON)
    return monitor(the_plant, C).feed(rows)


def test_a_run_that_refills_what_a_technician_drains_is_silent():
    # Two lose 60 psi of the tank in a run that brings 100: by its whole gain it looked short.
    assert filled(drains=(1.0, 9.0)).moves(C) == []


def test_a_run_that_loses_what_it_makes_is_too_long():
    assert [what for what, _ in filled(hole=True).moves(C)] == ["raised"]


def test_a_coarse_gauge_is_doubted():
    # Steps of 1 psi are 30 psi of the tank: of what the pipe takes on nothing is seen.
    assert filled(sag=0.85, step=1.0).moves(C) == []


def test_the_first_run_may_fill_the_pipes():
    # 4 psi are 120 psi of the tank, 36 min of a run; nothing is learned yet.
    assert filled(first=21.4, hours=2).moves(C) == []


def long_runs(count: int) -> Story:
    """Return runs of 4 min an hour by the contact alone, then ``count`` of 14 min."""
    runs = lambda at: float(at % HOUR < (4 if at < 8 * HOUR else 14) * MINUTE)  # noqa: E731
    the_plant = site(tank=60 * GALLON, pipe=1800 * GALLON)
    return monitor(the_plant, C).feed(series({RUN: runs}, end=(8 + count) * HOUR))


def test_contacts_alone_let_large_pipes_be_refilled_once():
    assert long_runs(1).moves(C) == []
    assert [what for what, _ in long_runs(2).moves(C)] == ["raised"]
