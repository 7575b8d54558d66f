"""contact-disagreement and its trap."""

from __future__ import annotations

import pytest

from tests.rules.support import HOUR, MINUTE, SECOND, between, plant, series, story

C = "contact-disagreement"
NO, NC = "gen1.trouble_no", "gen1.trouble_nc"


def test_a_wire_off_one_leg():
    s = story().feed(series({NO: 0, NC: between(MINUTE, 5 * MINUTE, 0, 1)}, end=10 * MINUTE))
    assert s.moves(C) == [("raised", MINUTE + 30 * SECOND), ("returned", 5 * MINUTE + 10 * SECOND)]
    event = s.alarms(C)[0]
    assert (event.asset, event.values["quantity"]) == ("gen1", "trouble")
    assert "Trouble contact: both legs read open" in event.text


def test_a_short_between_the_legs():
    s = story().feed(series({NO: 1, NC: 1}, end=5 * MINUTE))
    assert "both legs read closed" in s.alarms(C)[0].text


def test_trap_the_change_over_milliseconds():
    # Each change of the contact is caught once with both legs alike.
    def no(at):
        return 1 if (at // MINUTE) % 2 else 0

    def nc(at):
        return 0 if at % MINUTE == 0 else 1 - no(at)

    s = story().feed(series({NO: no, NC: nc}, end=HOUR))
    assert s.moves(C) == []


def test_legs_read_at_different_times_do_not_disagree():
    def late(at):
        return 1 if ((at - 4 * SECOND) // MINUTE) % 2 else 0

    first = series({NO: lambda at: 1 - (at // MINUTE) % 2}, end=HOUR)
    second = series({NC: late}, end=HOUR, phase=2 * SECOND)
    s = story().feed(sorted([*first, *second], key=lambda r: r.time))
    assert s.moves(C) == []


@pytest.mark.parametrize(("switch", "psi", "words"), [
    (1, 25, "says low while the pressure reads 25.0 psi"),
    (0, 12, "says not low while the pressure reads 12.0 psi"),
])
def test_a_low_air_switch_that_contradicts_the_pressure(switch, psi, words):
    s = story().feed(series({"r1.low_air": switch, "r1.pressure": psi}, end=5 * MINUTE))
    assert s.moves(C, "r1") == [("raised", 30 * SECOND)]
    assert words in s.alarms(C)[0].text


@pytest.mark.parametrize(("switch", "psi"), [(1, 19), (0, 17), (1, 12), (0, 25)])
def test_a_switch_that_agrees_within_the_tolerance_is_silent(switch, psi):
    s = story().feed(series({"r1.low_air": switch, "r1.pressure": psi}, end=5 * MINUTE))
    assert s.moves(C) == []


def test_not_watched_where_no_second_leg_is_wired():
    s = story(plant(devices={"io": (5000, ("gen1.trouble", "r1.low_air"))}))
    assert s.reason(C, "gen1") == "no contact with both legs wired at gen1"
    assert "no low-air switch beside a pressure" in s.reason(C, "r1")
    assert s.reason(C, "plant-room") == ""
