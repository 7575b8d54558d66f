"""Measures of the alarm system against counts made by hand and the standard's own limits.

Sources: ISA-18.2-2016 table 5, table 6 and 16.4, IEC 62682, as restated in secondary documents.
"""

from collector.alarms.performance import YARDSTICKS, MeasureSettings, measure
from collector.domain.events import AlarmTransition, Priority, Signal, Transition

S, MIN, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000
T = Transition


def moved(time: int, what: Transition, condition: str = "pressure-low", asset: str = "r1",
          priority: Priority = Priority.HIGH, **more: object) -> AlarmTransition:
    return AlarmTransition(time=time, site="s", condition=condition, asset=asset, transition=what,
                      priority=priority, signal=Signal.SUPERVISORY, since=time, text="t",
                      id=f"{condition}.{asset}.{time}", **more)  # type: ignore[arg-type]


def raised(times: list[int], **more: object) -> list[AlarmTransition]:
    """Each raised and gone again 2 s later."""
    return [e for t in times
            for e in (moved(t, T.RAISED, **more), moved(t + 2 * S, T.RETURNED, **more))]


def test_rates_are_counts_over_time() -> None:
    # 288 in two days: 144 a day, 6 an hour, 1 in 10 min: IEC 62682's acceptable rate.
    got = measure(raised([n * 10 * MIN for n in range(288)]), 0, 2 * DAY)
    assert (got.raised, got.per_day, got.per_hour, got.per_ten_minutes) == (288, 144, 6, 1)
    assert (got.most_in_hour, got.most_in_ten) == (6, 1)
    assert got.floods == ()
    assert got.hours_above == got.tens_above == got.flood_share == 0
    assert not got.long_enough
    assert measure([], 0, 30 * DAY).long_enough


def test_hours_and_ten_minutes_above_the_limits() -> None:
    thirty = [n * 2 * MIN for n in range(30)]            # hour 0: exactly 30, not above
    more = [HOUR + n * 115 * S for n in range(31)]       # hour 1: 31
    got = measure(raised(thirty + more), 0, 10 * HOUR)
    assert got.most_in_hour == 31
    assert got.hours_above == 1 / 10
    eleven = [n * 30 * S for n in range(11)]             # 11 within 10 min
    assert measure(raised(eleven), 0, 10 * HOUR).tens_above == 1 / 60
    assert measure(raised(eleven[:10]), 0, 10 * HOUR).tens_above == 0


def test_a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() -> None:
    # 11 in 5 min make it a flood (10 do not); it ends once only 4 of the last 10 min are left:
    # when the fifth from last, at 3:00, is 10 min old.
    times = [n * 30 * S for n in range(11)]
    assert measure(raised(times[:10]), 0, DAY).floods == ()
    (flood,) = measure(raised(times), 0, DAY).floods
    assert (flood.start, flood.end, flood.count) == (0, 3 * MIN + 10 * MIN, 11)
    # Two a minute apart keep on: at 5 in 10 min it is still the same flood.
    going_on = times + [5 * MIN + n * 2 * MIN for n in range(1, 20)]
    (flood,) = measure(raised(going_on), 0, DAY).floods
    assert flood.count == 30
    last = going_on[-1]
    assert flood.end == last - 4 * 2 * MIN + 10 * MIN
    got = measure(raised(times + [t + 6 * HOUR for t in times]), 0, DAY)
    assert len(got.floods) == 2
    assert got.flood_share == 2 * 13 * MIN / DAY


def test_a_flood_that_lasts_ends_with_the_span() -> None:
    (flood,) = measure(raised([n * 30 * S for n in range(11)]), 0, 6 * MIN).floods
    assert flood.end == 6 * MIN


def test_the_most_frequent_and_their_share() -> None:
    events = raised([0, HOUR, 2 * HOUR]) + raised([3 * HOUR], condition="leak-high") \
        + raised([4 * HOUR + n * HOUR for n in range(11)], asset="r2")
    got = measure(events, 0, DAY)
    assert [(f.condition, f.asset, f.count) for f in got.frequent] == [
        ("pressure-low", "r2", 11), ("pressure-low", "r1", 3), ("leak-high", "r1", 1)]
    assert got.frequent[0].share == 11 / 15
    assert got.top_share == 1.0
    many = [e for n in range(20) for e in raised([n * HOUR], asset=f"r{n}")]
    assert measure(many, 0, DAY).top_share == 0.5


def test_chattering_and_fleeting_are_told_apart_by_settings() -> None:
    events = raised([0, 4 * MIN, 10 * MIN]) + raised([20 * MIN, 31 * MIN, 42 * MIN], asset="r2")
    got = measure(events, 0, DAY)
    assert [(f.asset, f.count) for f in got.chattering] == [("r1", 3)]
    got = measure(events, 0, DAY, MeasureSettings(chatter_within=22 * MIN))
    assert {f.asset for f in got.chattering} == {"r1", "r2"}
    # Each was gone after 2 s, before anybody answered.
    assert sum(f.count for f in got.fleeting) == 6
    answered = [moved(0, T.RAISED), moved(S, T.ACKNOWLEDGED), moved(2 * S, T.RETURNED)]
    assert measure(answered, 0, DAY).fleeting == ()
    slow = [moved(0, T.RAISED), moved(MIN, T.RETURNED)]
    assert measure(slow, 0, DAY).fleeting == ()


def test_stale_is_more_than_a_day_and_may_have_begun_before() -> None:
    events = [moved(0, T.RAISED), moved(DAY, T.RETURNED),                       # a day: not more
              moved(0, T.RAISED, asset="r2"), moved(DAY + S, T.RETURNED, asset="r2"),
              moved(2 * DAY, T.RAISED, asset="r3")]
    got = measure(events, 0, 10 * DAY)
    assert [o.asset for o in got.stale] == ["r2", "r3"]
    assert got.stale_on_worst_day == 1
    assert [o.asset for o in got.active] == ["r3"]
    later = measure(events, 5 * DAY, 10 * DAY)
    assert [o.asset for o in later.stale] == ["r3"]
    assert later.raised == 0
    assert later.top_share is None
    assert measure(events, 2 * DAY, 2 * DAY + HOUR).stale == ()


def test_priorities_are_shares_of_what_was_raised() -> None:
    events = raised([n * HOUR for n in range(16)], priority=Priority.LOW) \
        + raised([n * HOUR for n in range(3)], asset="a", priority=Priority.MEDIUM) \
        + raised([0], asset="b")
    assert measure(events, 0, DAY).priorities == {
        Priority.HIGH: 0.05, Priority.MEDIUM: 0.15, Priority.LOW: 0.8}  # ISA-18.2 table 6


def test_held_quiet_is_counted_with_who_and_ends_the_standing() -> None:
    events = [moved(0, T.RAISED), moved(HOUR, T.SHELVED, by="ann", why="visit", until=3 * HOUR),
              moved(3 * HOUR, T.UNSHELVED), moved(3 * HOUR, T.RAISED),
              moved(4 * HOUR, T.OUT_OF_SERVICE, by="bob", why="works")]
    got = measure(events, 0, 5 * HOUR)
    assert [(q.kind, q.start, q.end, q.by) for q in got.inhibited] == [
        (T.SHELVED, HOUR, 3 * HOUR, "ann"), (T.OUT_OF_SERVICE, 4 * HOUR, None, "bob")]
    assert got.inhibited_counts == {T.SHELVED: 1, T.OUT_OF_SERVICE: 1}
    assert got.active == ()
    assert got.raised == 2
    assert got.unanswered == 2


def test_answers_are_timed() -> None:
    events = [moved(0, T.RAISED), moved(4 * MIN, T.ACKNOWLEDGED, by="ann"),
              moved(HOUR, T.RAISED, asset="r2"), moved(HOUR + 8 * MIN, T.ACKNOWLEDGED, asset="r2"),
              moved(2 * HOUR, T.RAISED, asset="r3")]
    got = measure(events, 0, DAY)
    assert (got.answered_median, got.unanswered) == (6 * MIN, 1)


def test_what_comes_after_the_span_is_not_known_in_it() -> None:
    events = [moved(0, T.RAISED), moved(2 * HOUR, T.RETURNED)]
    assert len(measure(events, 0, HOUR).active) == 1
    assert measure([], 0, HOUR).per_day == 0


def test_every_yardstick_names_its_source() -> None:
    assert all("18.2" in y.source for y in YARDSTICKS.values())
    assert YARDSTICKS["stale"].acceptable == "fewer than 5 on any day"
