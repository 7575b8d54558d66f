"""Events as JSON lines: the contract that other programs read."""

import json

import pytest

from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Priority,
    Signal,
    SystemEvent,
    Transition,
    event_from_json,
    event_to_json,
)

RAISED = AlarmTransition(
    time=1772323805000, site="fenmoor", condition="compressor-long-run", asset="gen1",
    transition=Transition.RAISED, priority=Priority.HIGH, signal=Signal.TROUBLE,
    since=1772323800000, text="...", values={"run_minutes": 12.1, "limit_minutes": 12.0},
    id="compressor-long-run.gen1.1772323805",
)
ESTIMATE = EstimateMade(
    time=1772344800000, site="fenmoor", quantity="nitrogen-demand", asset="gen1", value=2.31,
    low=2.10, high=2.52, unit="scfh", window=(1772258400000, 1772344800000),
)


def test_an_alarm_reads_as_the_contract_shows_it():
    shown = json.loads(
        '{"time":"2026-03-01T00:10:05Z","site":"fenmoor","kind":"alarm",'
        '"condition":"compressor-long-run","asset":"gen1","transition":"raised",'
        '"priority":"high","signal":"trouble","since":"2026-03-01T00:10:00Z","text":"...",'
        '"values":{"run_minutes":12.1,"limit_minutes":12.0}}'
    )
    written = json.loads(event_to_json(RAISED))
    assert written.items() >= shown.items()
    assert [k for k in written if k in shown] == list(shown)


def test_an_estimate_reads_as_the_contract_shows_it():
    assert event_to_json(ESTIMATE) == (
        '{"time":"2026-03-01T06:00:00Z","site":"fenmoor","kind":"estimate",'
        '"quantity":"nitrogen-demand","asset":"gen1","value":2.31,"low":2.1,"high":2.52,'
        '"unit":"scfh","window":["2026-02-28T06:00:00Z","2026-03-01T06:00:00Z"]}'
    )


def test_an_estimate_that_cannot_be_made_says_null_and_why():
    none = EstimateMade(time=0, site="s", quantity="leak-rate", asset="r1", value=None,
                        reason="no pipe temperature at r1")
    assert json.loads(event_to_json(none)) == {
        "time": "1970-01-01T00:00:00Z", "site": "s", "kind": "estimate",
        "quantity": "leak-rate", "asset": "r1", "value": None,
        "reason": "no pipe temperature at r1",
    }


@pytest.mark.parametrize("event", [
    RAISED, ESTIMATE,
    SystemEvent(time=5, site="s", fact="clock-set", text="é ünï\n", values={"seconds": -3.5}),
    AlarmTransition(
        time=1, site="s", condition="c", asset="a", transition=Transition.SHELVED,
        priority=Priority.LOW, signal=Signal.SERVICE, since=0, text="", id="c.a.0",
        by="Ines", why="parts on order", until=99,
    ),
])
def test_what_is_written_reads_back_the_same(event):
    assert event_from_json(event_to_json(event)) == event


def test_a_value_that_json_cannot_hold_is_refused_not_written():
    with pytest.raises(ValueError, match="not JSON compliant"):
        event_to_json(EstimateMade(time=0, site="s", quantity="q", asset="a",
                                   value=float("nan")))
