"""What the board says of given facts, without a request: tones, ages, units, order."""

from __future__ import annotations

import doctest
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from scipy import constants

import collector.web.views
from collector.domain.evaluations import COMPUTED
from collector.domain.events import INSTANT_UNIT, EstimateMade, Priority, SystemEvent
from collector.domain.live import AlarmState, LivePicture, PointState
from collector.domain.readings import QUANTITIES, Reading
from collector.web.services import Health, check_health
from collector.web.views import shown_value
from collector.web.views.assets import AssetView
from collector.web.views.board import BoardFacts, BoardView, board_view, by_urgency
from tests.web.fakes import HOUR, MINUTE, NOW, FakeSite, plant


def view(site: FakeSite | None = None, **changed: Any) -> BoardView:
    site = site or FakeSite()
    facts = BoardFacts(
        plant=site.plant, points=site.picture.points(), alarms=site.alarms,
        not_monitored=site.not_monitored, fills=site.fills, baselines=site.baselines,
        estimates=site.estimates, events=site.events,
        statistics=site.statistics, health=Health(alive=True), now=NOW, pace=1.0,
    )
    return board_view(replace(facts, **changed))


def by_id(things: Sequence[AssetView]) -> dict[str, AssetView]:
    return {t.id: t for t in things}


def test_the_examples_in_the_words_hold() -> None:
    result = doctest.testmod(collector.web.views)
    assert (result.failed, result.attempted > 2) == (0, True)


def seen() -> dict[str, PointState]:
    """Every point of the plant read well just now."""
    live = LivePicture()
    live.update(Reading(point=p, asked=NOW, time=NOW, value=1.0)
                for device in plant().devices.values() for p in device.points)
    return dict(live.points())


def test_no_alarm_is_not_normal_while_something_cannot_be_seen() -> None:
    headline = view(alarms=[]).headline
    assert (headline.tone, headline.sentence) \
        == ("unsure", "No active alarms, but some data is missing")
    assert headline.detail \
        == "Points without valid data at: Generator, freezer; Freezer riser; Freezer vent."


def test_a_quiet_site_is_normal_since_the_last_return() -> None:
    headline = view(alarms=[], points=seen()).headline
    assert (headline.tone, headline.sentence) == ("normal", "No active alarms")
    assert headline.detail == "Since 06:50. 5 conditions not monitored."


def test_a_site_without_history_says_no_more_than_it_knows() -> None:
    assert view(alarms=[], events=[], not_monitored=[], points=seen()).headline.detail \
        == "No alarm in the last 24 hours."


def test_quieted_alarms_do_not_hide() -> None:
    shelved = [a for a in FakeSite().alarms if a.state is AlarmState.SHELVED]
    board = view(alarms=shelved, points=seen())
    assert board.headline.tone == "normal"
    assert "1 alarm suppressed" in board.headline.detail
    assert [a.may_unshelve for a in board.alarms] == [True]


def test_no_readings_is_not_normal() -> None:
    assert view(alarms=[], points={}).headline.tone == "unsure"


def test_a_watch_that_is_not_alive_vouches_for_nothing() -> None:
    health = Health(alive=False, reasons=("the rules last ran 5 min ago",))
    for alarms in ([], FakeSite().alarms):
        headline = view(health=health, alarms=alarms).headline
        assert headline.tone == "unsure"
        assert headline.detail == "the rules last ran 5 min ago. Look at the plant itself."


def test_returned_but_unacknowledged_is_neither_normal_nor_an_alarm() -> None:
    gone = [a for a in FakeSite().alarms if not a.present]
    assert view(alarms=gone).headline.tone == "unsure"


@pytest.mark.parametrize(("pace", "late", "alive"), [
    (1.0, 14_000, True), (1.0, 16_000, False), (400.0, 90 * MINUTE, True),
    (400.0, 110 * MINUTE, False), (0.5, 16_000, False),
])
def test_liveness_is_a_matter_of_real_time(pace: float, late: int, alive: bool) -> None:
    numbers = replace(FakeSite().statistics, last_turn=NOW - late)
    assert check_health(numbers, NOW, max(pace, 1.0)).alive is alive


def test_things_come_as_they_are_piped() -> None:
    board = view()
    assert [t.id for t in board.assets] == [
        "gen1", "r1", "r1-vent", "r3", "gen2", "r2", "r2-vent", "plant-room",
    ]
    things = by_id(board.assets)
    assert (things["gen1"].tone, things["gen1"].detail) \
        == ("not-normal", "since 08:53; an alarm is suppressed")
    assert (things["gen2"].tone, things["gen2"].detail) == ("not-normal", "since 08:56")
    assert (things["r1"].tone, things["r1"].detail) == ("normal", "")
    assert things["r3"].detail == "since 18 Jul 14:20"
    assert things["r2"].state == things["r2-vent"].state == "not known"
    assert things["r1-vent"].kind == "purge vent of Dock riser"


def test_a_bad_value_does_not_pass_for_a_new_one() -> None:
    things = by_id(view().assets)
    tank = things["gen2"].points[0]
    assert (tank.value, tank.unit, tank.age, tank.quality, tank.good) \
        == ("71.0", "psi", "14 min", "no answer", False)
    vent = things["r2-vent"].points[0]
    assert (vent.value, vent.quality) == ("–", "not trusted")
    assert vent.why == "99.9 % is outside 0 % to 25 %"
    assert things["r2"].points[0].quality == "old"  # a minute, of a point asked every 10 s


def test_a_point_that_was_never_read_has_a_row() -> None:
    things = by_id(view(points=LivePicture().points()).assets)
    assert len(things["gen1"].points) == 9
    assert {p.quality for p in things["gen1"].points} == {"no reading yet"}
    assert by_id(view(points={}, alarms=[]).assets)["gen1"].state == "not known"


def test_a_thing_without_points_says_so() -> None:
    bare = replace(plant(), devices={})
    assert by_id(view(plant=bare, points={}, alarms=[]).assets)["r1"].state == "not wired"


@pytest.mark.parametrize(("kind", "quantity", "value", "units", "shown"), [
    ("riser", "pressure", 25.0, "us", "25.0 psi"),
    ("riser", "valve_room_temperature", 4.0, "us", "39 °F"),
    ("riser", "valve_room_temperature", -17.8, "us", "0 °F"),
    ("riser", "pipe_temperature", -20.0, "metric", "−20.0 °C"),
    ("vent", "oxygen", 20.95, "us", "20.9 %"),
    ("vent", "open", 1.0, "us", "open"),
    ("generator", "mode", 2.0, "us", "air-fill"),
    ("generator", "mode", 1.5, "us", "unknown mode 1.5"),
    ("generator", "start_count", 20418.0, "us", "20418"),
    ("generator", "power", 0.0, "us", "off"),
])
def test_values_in_the_units_of_the_site(
    kind: str, quantity: str, value: float, units: str, shown: str
) -> None:
    assert " ".join(shown_value(value, quantity, QUANTITIES[kind][quantity], units)).strip() \
        == shown


@pytest.mark.parametrize("psi", [0.0, 14.696, 25.0, 80.0, 150.0])
def test_bar_against_the_constants_of_scipy(psi: float) -> None:
    # Oracle: scipy.constants (psi from the pound and inch of 1959, bar = 1e5 Pa).
    shown = shown_value(psi, "pressure", QUANTITIES["riser"]["pressure"], "metric")
    assert shown.unit == "bar"
    assert float(shown.text) == pytest.approx(psi * constants.psi / constants.bar, abs=0.005)


def test_alarms_in_the_order_to_take_them() -> None:
    one, two = FakeSite().alarms[1:3]
    low = replace(one, priority=Priority.LOW, since=one.since - HOUR, id="low")
    older = replace(one, since=one.since - MINUTE, id="older")
    assert [a.id for a in by_urgency([two, low, one, older])] == ["older", one.id, "low", two.id]


def test_not_watched_is_grouped_by_reason_and_leaves_none_out() -> None:
    board = view()
    assert board.gap_count == 5
    assert [(g.reason, len(g.conditions)) for g in board.gaps] \
        == [("no low_pressure for r2", 1), ("not built yet", 3)]
    first = board.gaps[1].conditions[0]
    assert (first.title, first.places, first.about) == (
        "Compressor not starting", "Generator, dock end, Generator, freezer",
        "compressor-not-starting")


def test_an_estimate_that_is_an_instant_is_shown_as_the_time_it_is() -> None:
    at = NOW / 1000
    made = EstimateMade(time=NOW, site="fenmoor", quantity="purge-done-at", asset="r1-vent",
                        value=at + 86_400, low=at + 3600, high=at + 172_800, unit=INSTANT_UNIT,
                        window=(NOW - HOUR, NOW), reason="82 % of the time was seen")
    line = view(estimates=[made]).estimates[0]
    assert line.more == "20 Jul 09:10 (10:10 to 21 Jul 09:10), from 1 h of readings; " \
        "82 % of the time was seen"
    assert COMPUTED["purge-done-at"].unit == INSTANT_UNIT


def test_the_log_is_newest_first_and_bounded() -> None:
    many = [SystemEvent(time=NOW - HOUR + i, site="fenmoor", fact="noted", text=str(i))
            for i in range(100)]
    log = view(events=many).log
    assert (len(log), log[0].what) == (20, "99")


def test_the_collector_says_what_ails_it() -> None:
    numbers = replace(FakeSite().statistics, journal_trouble="disk full", deliveries_given_up=2)
    board = view(statistics=numbers)
    bad = [line.what for line in (*board.collector, *board.devices) if not line.good]
    assert bad == ["Journal", "Messages", "Controller of the freezer generator: not responding"]


def test_times_across_a_change_of_the_clocks() -> None:
    # 2026-10-25T00:30Z is 01:30 BST; an hour later it is 01:30 again, GMT (EU rule, last Sunday).
    before = FakeSite(events=[]).picture
    instant = 1_792_888_200_000
    before.update([Reading(point="r1.pressure", asked=instant, time=instant, value=25.0)])
    first, second = (view(now=instant + h * HOUR, points=before.points()) for h in (0, 1))
    assert (first.time.text, first.zone) == ("01:30", "BST")
    assert (second.time.text, second.zone) == ("01:30", "GMT")
