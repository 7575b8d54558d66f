"""Finding events again: newest first, by kind, time and every word, whatever the words hold."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from collector.alarms.performance import measure
from collector.app.board import measure_lines, past_services
from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Priority,
    Signal,
    SystemEvent,
    Transition,
)
from collector.domain.messages import NewDelivery
from collector.domain.plant import Plant, Riser, Site
from collector.journal import Journal
from collector.web.services import Search

T0, MINUTE = 1_784_448_000_000, 60_000
RAISED = AlarmTransition(
    time=T0, site="fenmoor", condition="pressure-low", asset="r1", transition=Transition.RAISED,
    priority=Priority.HIGH, signal=Signal.SUPERVISORY, since=T0, id="pressure-low.r1.1",
    text='Low at the Dock riser: 17 psi, 85% of "normal"_x')
PLANT = Plant(site=Site(id="fenmoor", name="Fenmoor", timezone="Europe/London"),
              risers={"r1": Riser(id="r1", name="Dock riser"), "r10": Riser(id="r10", name="Ten")})


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal.open(tmp_path / "journal.sqlite") as made:
        made.commit([], [
            RAISED, replace(RAISED, time=T0 + MINUTE, asset="r10", text="Low at ten"),
            replace(RAISED, time=T0 + 2 * MINUTE, transition=Transition.RETURNED),
            SystemEvent(time=T0 + 3 * MINUTE, site="fenmoor", fact="signed-in",
                        text="Dock came in."),
            EstimateMade(time=T0 + 4 * MINUTE, site="fenmoor", quantity="leak-rate", asset="r1",
                         value=1.0, unit="scfh"),
        ])
        yield made


@pytest.mark.parametrize(("asked", "minutes"), [
    ({}, [4, 3, 2, 1, 0]), ({"kinds": ["alarm"]}, [2, 1, 0]), ({"without": ["estimate"]},
                                                               [3, 2, 1, 0]),
    ({"holding": ["dock"]}, [3, 2, 0]), ({"holding": ["dock", "low"]}, [2, 0]),
    ({"holding": ["85%"]}, [2, 0]), ({"holding": ["%"]}, [2, 0]), ({"holding": ["1_psi"]}, []),
    ({"holding": ['\\"normal\\"_x']}, [2, 0]), ({"holding": ["' OR 1=1 --"]}, []),
    ({"start": T0 + MINUTE, "end": T0 + 3 * MINUTE}, [2, 1]), ({"limit": 2}, [4, 3]),
    ({"exactly": ["Dock"]}, [3, 2, 0]), ({"exactly": ["dock"]}, []), ({"exactly": ["85%"]}, [2, 0]),
    ({"exactly": ['"asset":"r1"', "17 psi"]}, [2, 0]), ({"exactly": ["%"], "limit": 1}, [2]),
    ({"exactly": ["' OR 1=1 --"]}, []),
], ids=str)
def test_what_is_found(journal: Journal, asked: dict, minutes: list[int]) -> None:
    found = journal.find_events(**asked)
    assert [(s.event.time - T0) // MINUTE for s in found] == minutes


async def test_the_board_asks_by_thing_and_condition(journal: Journal) -> None:
    past = past_services(lambda: journal, lambda: PLANT)
    ten = await past.find(Search(asset="r10", condition="pressure-low"))
    assert [e.time for e in ten] == [T0 + MINUTE]
    assert [e.time for e in await past.find(Search(words=("came",), alarms_only=False))] \
        == [T0 + 3 * MINUTE]
    assert await past.find(Search(words=("came",))) == []
    (made,) = await past.estimates("leak-rate", "r1", T0, T0 + 9 * MINUTE)
    assert made.value == 1.0
    assert await past.estimates("leak-rate", "r10", T0, T0 + 9 * MINUTE) == []


async def test_a_thing_hears_of_its_own_alarms_and_its_contacts_and_of_no_other(
    journal: Journal,
) -> None:
    journal.commit([], [replace(RAISED, time=T0 + 5 * MINUTE, asset="r1.low_air"),
                        replace(RAISED, time=T0 + 6 * MINUTE, asset="r1-io")])
    past = past_services(lambda: journal, lambda: PLANT)

    async def minutes(*assets: str, end: int = T0 + 9 * MINUTE) -> list[int]:
        return [(e.time - T0) // MINUTE for e in await past.alarms(T0, end, assets)]
    assert await minutes("r1") == [0, 2, 5]
    assert await minutes("r10", "r1-io") == [1, 6]
    assert await minutes("r1", "r10", end=T0 + 2 * MINUTE) == [0, 1]
    assert await minutes() == [0, 1, 2, 5, 6]


async def test_measures_name_the_alarms_behind_them(journal: Journal) -> None:
    past = past_services(lambda: journal, lambda: PLANT)
    lines = {line.what: line for line in await past.measures(T0, T0 + 86_400_000)}
    assert lines["Alarms a day"].value == "2.0"
    assert "Pressure low, Dock riser (1)" in lines["The most frequent ten, of all"].more
    assert all(line.acceptable and line.source for line in lines.values())
    assert lines["By priority"].value == "too few to judge: 2 of 30 alarms"
    nothing = measure_lines(measure([], T0, T0 + 86_400_000), PLANT)
    assert [line.value for line in nothing if "By priority" in line.what] == [
        "– high, – medium, – low"]


async def test_deliveries_come_newest_first_without_their_words(journal: Journal) -> None:
    journal.settle("x", 1, deliveries=[
        NewDelivery(recipient=f"p{n}", subject=f"s{n}", body="secret", event_seq=n, due=T0,
                    kind="raised") for n in (1, 2)])
    found = await past_services(lambda: journal, lambda: PLANT).deliveries(10)
    assert [(d.recipient, d.body) for d in found] == [("p2", ""), ("p1", "")]
