"""Thirty wrong register maps are doubted, and no right one, whatever state its plant is in."""

import pytest

from tests.commissioning.still_maps import outcome
from tests.commissioning.wrong_maps import KINDS, cases, results, right_cases

SEEDS = range(6)


@pytest.mark.slow
async def test_thirty_wrong_maps_are_doubted() -> None:
    found = [await outcome(case) for case in cases(SEEDS)]
    assert len(found) == len(SEEDS) * len(KINDS) == 30
    print("\n".join(str(o) for o in found))
    assert sum(bool(o.looked) for o in found) >= 28
    assert sum(bool(o.ran) for o in found) >= 28


@pytest.mark.slow
async def test_no_right_map_is_doubted_and_no_reading_of_one_is_held_back() -> None:
    found = [await outcome(case) for case in right_cases(SEEDS)]
    assert len(found) >= 12
    assert [(str(o), o.looked, o.ran) for o in found if o.looked or o.ran] == []
    assert [(str(o), o.hidden) for o in found if o.hidden] == []


@pytest.mark.long
@pytest.mark.timeout(3600)
async def test_the_same_by_check_and_by_the_daemon_on_a_wire() -> None:
    found = await results([*right_cases(SEEDS), *cases(SEEDS)])
    right = [r for r in found if not r.case.wrong]
    wrong = [r for r in found if r.case.wrong]
    assert [str(r) for r in right if r.checked or r.ran] == []
    assert sum(bool(r.checked) for r in wrong) >= 28
    assert sum(bool(r.ran) for r in wrong) >= 28
