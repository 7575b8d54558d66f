"""The one table of an alarm's life: every pair of state and input, and the published steps."""

from __future__ import annotations

import itertools

import pytest

from collector.alarms import TABLE, Input, diagram, step
from collector.domain.errors import ActionRefused
from collector.domain.events import Transition
from collector.domain.live import AlarmState

N, U, A = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
R, S = AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED
D, X = AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE
In = Input

# Written by hand beside the table, not drawn from it: state, input, state after.
LISTED = {
    (N, In.ABNORMAL): U, (N, In.SHELVE): S, (N, In.SUPPRESS): D, (N, In.TAKE_OUT): X,
    (U, In.NORMAL): R, (U, In.ACKNOWLEDGE): A, (U, In.SHELVE): S, (U, In.SUPPRESS): D,
    (U, In.TAKE_OUT): X,
    (A, In.NORMAL): N, (A, In.SHELVE): S, (A, In.SUPPRESS): D, (A, In.TAKE_OUT): X,
    (R, In.ABNORMAL): U, (R, In.ACKNOWLEDGE): N, (R, In.SHELVE): S, (R, In.SUPPRESS): D,
    (R, In.TAKE_OUT): X,
    (S, In.ABNORMAL): S, (S, In.NORMAL): S, (S, In.UNSHELVE_NORMAL): N,
    (S, In.UNSHELVE_ABNORMAL): U,
    (S, In.TAKE_OUT): X,
    # Said again with another end: the state stays.
    (S, In.SHELVE): S, (D, In.SUPPRESS): D, (X, In.TAKE_OUT): X,
    (D, In.ABNORMAL): D, (D, In.NORMAL): D, (D, In.UNSUPPRESS_NORMAL): N,
    (D, In.UNSUPPRESS_ABNORMAL): U, (D, In.TAKE_OUT): X,
    (X, In.ABNORMAL): X, (X, In.NORMAL): X, (X, In.PUT_BACK_NORMAL): N,
    (X, In.PUT_BACK_ABNORMAL): U,
}


@pytest.mark.parametrize(("state", "given"), list(itertools.product(AlarmState, Input)))
def test_every_pair_of_state_and_input(state, given):
    if (state, given) in LISTED:
        assert step(state, given).to is LISTED[state, given]
    else:
        with pytest.raises(ActionRefused, match=f"{state.value} cannot take: {given.value}"):
            step(state, given)


@pytest.mark.parametrize(("before", "given", "after"), [
    (N, In.ABNORMAL, U), (U, In.ACKNOWLEDGE, A), (A, In.NORMAL, N),
    (U, In.NORMAL, R), (R, In.ABNORMAL, U), (R, In.ACKNOWLEDGE, N),
])
def test_the_published_transitions(before, given, after):
    # ISA-18.2 / IEC 62682, as restated by a secondary document that was read: abnormal from A to B,
    # acknowledged B to C, normal C to A, normal B to D, abnormal D to B, acknowledged D to A.
    assert step(before, given).to is after


def test_what_holds_when_it_leaves_a_quiet_state_is_raised():
    for state, given, told in (
        (S, In.UNSHELVE_ABNORMAL, Transition.UNSHELVED),
        (D, In.UNSUPPRESS_ABNORMAL, Transition.UNSUPPRESSED),
        (X, In.PUT_BACK_ABNORMAL, Transition.IN_SERVICE),
    ):
        assert step(state, given).transitions == (told, Transition.RAISED)


def test_nothing_is_told_of_what_happens_behind_a_quiet_alarm():
    for state in (S, D, X):
        assert step(state, In.ABNORMAL).transitions == step(state, In.NORMAL).transitions == ()


def test_the_diagram_shows_every_step_and_every_state():
    drawn = diagram().splitlines()
    assert drawn[0] == "stateDiagram-v2"
    for (state, given), found in TABLE.items():
        if found.to is not state:
            arrow = f"{state.value.replace('-', '_')} --> {found.to.value.replace('-', '_')}"
            assert f"    {arrow}: {given.value}" in drawn
    for state in AlarmState:
        assert any(f"as {state.value.replace('-', '_')}" in line for line in drawn)
    assert sum("-->" in line for line in drawn) == 1 + sum(
        found.to is not state for (state, _), found in TABLE.items())
