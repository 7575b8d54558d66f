"""The plan covers every point, keeps every limit, and learns what a device refuses."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.sources import Address, ContactLeg, DeviceSettings, PointSettings, width
from collector.sources.read_plan import Planned, ReadPlan, spans_of

TABLES = ["coils", "discrete-inputs", "input-registers", "holding-registers"]
WIDE = ["uint16", "int32", "float64"]


@st.composite
def points(draw: st.DrawFn) -> PointSettings:
    table = draw(st.sampled_from(TABLES))
    kind = "bit" if table in TABLES[:2] else draw(st.sampled_from(WIDE))
    return PointSettings(point="gen1.mode", table=table, type=kind,
                         address=draw(st.integers(0, 400)))


def device(*entries: PointSettings, **more: int) -> DeviceSettings:
    return DeviceSettings(
        id="d", name="d", address=Address(kind="tcp"), unit=1, every=1000, points=entries, **more
    )


def at(address: int, kind: str = "uint16", table: str = "holding-registers") -> PointSettings:
    return PointSettings(point="gen1.mode", table=table, type=kind, address=address)


def shape(planned: tuple[Planned, ...]) -> list[tuple[int, int]]:
    return [(p.request.address, p.request.count) for p in planned]


def cells(point: PointSettings) -> set[tuple[str, int]]:
    return {(s.table, a) for s in spans_of(point) for a in range(s.start, s.end)}


@given(st.lists(points(), min_size=1, max_size=60), st.integers(0, 12), st.integers(4, 125),
       st.integers(1, 2000))
def test_every_point_whole_within_the_limits(
    entries: list[PointSettings], gap: int, registers: int, bits: int
) -> None:
    plan = ReadPlan(device(*entries, max_gap=gap, max_registers=registers, max_bits=bits))
    planned = plan.requests()
    for one in planned:
        limit = bits if one.request.is_bits else registers
        assert one.request.count <= limit
        spanned = [set(range(s.start, s.end)) for s in one.spans]
        asked = range(one.request.address, one.request.address + one.request.count)
        unused = run = 0
        for a in asked:
            run = 0 if any(a in s for s in spanned) else run + 1
            unused = max(unused, run)
        assert unused <= gap * (16 if one.request.is_bits else 1)
    for entry in entries:
        (span,) = spans_of(entry)
        holders = [p for p in planned if span in p.spans]
        assert len(holders) == 1, "in exactly one request, and whole"
        first = holders[0].request.address
        values = range(first, first + holders[0].request.count)
        assert holders[0].part(span, values) == tuple(range(span.start, span.end))
        assert len(holders[0].part(span, values)) == width(entry)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=25, unique=True), st.integers(0, 8),
       st.integers(2, 20))
def test_fewest_requests(addresses: list[int], gap: int, most: int) -> None:
    """Against the least number found by trying every way to cut the sorted addresses."""
    plan = ReadPlan(device(*(at(a) for a in addresses), max_gap=gap, max_registers=most))
    ordered = sorted(addresses)
    least = [0] + [999] * len(ordered)
    for end in range(1, len(ordered) + 1):
        for start in range(end):
            group = ordered[start:end]
            joined = all(b - a - 1 <= gap for a, b in zip(group, group[1:], strict=False))
            if joined and group[-1] - group[0] + 1 <= most:
                least[end] = min(least[end], least[start] + 1)
    assert len(plan.requests()) == least[-1]


def poll(plan: ReadPlan, has: set[int], most: int = 125) -> tuple[set[int], int]:
    """One poll of a device that has only these addresses; return what was read, and questions."""
    waiting = list(plan.next_poll())
    read: set[int] = set()
    asked = 0
    while waiting:
        one = waiting.pop(0)
        asked += 1
        wanted = set(range(one.request.address, one.request.address + one.request.count))
        if len(wanted) > most:
            waiting = [*plan.refused(one, 3, "too many"), *waiting]
        elif wanted <= has:
            plan.granted(one)
            read |= {a for s in one.spans for a in range(s.start, s.end)}
        else:
            waiting = [*plan.refused(one, 2, "no such address"), *waiting]
    return read, asked


@settings(max_examples=200)
@given(st.lists(st.integers(0, 80), min_size=1, max_size=30, unique=True), st.integers(0, 10),
       st.sets(st.integers(0, 80)), st.integers(1, 60))
def test_learns_any_holes_and_settles(
    addresses: list[int], gap: int, holes: set[int], most: int
) -> None:
    has = set(range(81)) - holes
    wanted = set(addresses) & has
    plan = ReadPlan(device(*(at(a) for a in addresses), max_gap=gap))
    for _ in range(len(addresses) + 3):
        read, _ = poll(plan, has, most)
    read, asked = poll(plan, has, most)
    assert read == wanted, "every point the device has is read"
    assert {s.start for s in plan.refused_spans} == set(addresses) - has
    if read:
        assert asked == len(plan.requests()), "nothing is refused any more"
    else:
        assert (asked, plan.requests()) == (1, ()), "one request a poll tells when it has started"
    for one in plan.requests():
        assert set(range(one.request.address, one.request.address + one.request.count)) <= has


@settings(max_examples=100)
@given(st.lists(st.tuples(st.integers(0, 30), st.sampled_from(WIDE)), min_size=1, max_size=12),
       st.sets(st.integers(0, 34)))
def test_learns_with_overlapping_points(
    entries: list[tuple[int, str]], holes: set[int]
) -> None:
    made = [at(a, kind) for a, kind in entries]
    has = set(range(40)) - holes
    plan = ReadPlan(device(*made))
    for _ in range(len(made) + 4):
        poll(plan, has)
    read, asked = poll(plan, has)
    whole = [{a for _, a in cells(m)} for m in made]
    assert read == set().union(*(w for w in whole if w <= has))
    assert asked == max(len(plan.requests()), 1)


def test_a_refused_gap_is_never_spanned_again() -> None:
    plan = ReadPlan(device(at(0), at(1), at(5), at(6)))
    assert shape(plan.requests()) == [(0, 7)]
    poll(plan, has={0, 1, 5, 6})
    assert shape(plan.requests()) == [(0, 2), (5, 2)]
    assert not plan.refused_spans


def test_a_refused_point_is_tried_again_seldom() -> None:
    plan = ReadPlan(device(at(0), at(1), at(2)), retry=10)
    everything = {0, 1, 2}
    _, first = poll(plan, {0, 2})
    assert first > 2
    questions = [poll(plan, {0, 2})[1] for _ in range(9)]
    assert questions == [2] * 9
    assert poll(plan, {0, 2})[1] == 3, "tried again"
    for _ in range(9):
        assert poll(plan, everything)[0] == {0, 2}
    assert poll(plan, everything)[0] == everything, "granted after the device changed its mind"
    assert shape(plan.requests()) == [(0, 3)]


def test_a_device_that_starts_up_is_read_as_soon_as_it_answers() -> None:
    plan = ReadPlan(device(at(0), at(1), at(5), at(6), at(40)))
    for _ in range(30):
        assert poll(plan, set())[0] == set()
    assert poll(plan, set())[1] == 1, "one request a poll while it starts"
    everything = set(range(50))
    poll(plan, everything)
    assert poll(plan, everything)[0] >= {0, 1, 5, 6, 40}
    assert shape(plan.requests()) == [(0, 7), (40, 1)], "no gap is held to be refused"


def test_what_was_answered_before_is_tried_again_soon() -> None:
    plan = ReadPlan(device(at(0), at(1), at(2)))
    everything = {0, 1, 2}
    poll(plan, everything)
    poll(plan, {0, 2})
    assert {s.start for s in plan.refused_spans} == {1}
    for _ in range(10):
        read = poll(plan, everything)[0]
    assert read == everything


def test_codes_that_smaller_requests_do_not_help() -> None:
    plan = ReadPlan(device(at(0), at(1)))
    (one,) = plan.requests()
    for code in (1, 4, 5, 6, 11):
        assert plan.refused(one, code, "no") == ()
    assert shape(plan.requests()) == [(0, 2)]


def test_legs_are_planned_with_the_rest() -> None:
    contact = PointSettings(
        point="gen1.trouble",
        normally_open=ContactLeg(table="discrete-inputs", address=0),
        normally_closed=ContactLeg(table="discrete-inputs", address=17),
    )
    plan = ReadPlan(device(contact, at(3)))
    assert shape(plan.requests()) == [(0, 18), (3, 1)]
    assert len(ReadPlan(device(contact, max_gap=0)).requests()) == 2


def test_a_value_longer_than_a_request() -> None:
    text = replace(at(0), type="text", length=12)
    with pytest.raises(ValueError, match="longer than one request"):
        ReadPlan(device(text, max_registers=10))


def test_forty_neighbours_are_one_request() -> None:
    numbers = list(range(40))
    random.Random(1).shuffle(numbers)
    assert shape(ReadPlan(device(*(at(n) for n in numbers))).requests()) == [(0, 40)]
