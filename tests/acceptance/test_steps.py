"""The handbook's page of the acceptance, against the steps there are."""

from __future__ import annotations

from collector.acceptance import Kind, Size, plan
from tests.acceptance.step_readings import a_plant
from tests.handbook.support import rows, sections, source


def told() -> dict[str, dict[str, str]]:
    return {row["step"]: row for row in rows(sections(source("acceptance"))["The steps"])}


def test_every_step_is_told_in_order() -> None:
    assert list(told()) == [kind.value for kind in Kind]


def test_the_limits_told_are_those_that_are_used() -> None:
    numbers = {s.kind: s.limits for s in plan(a_plant(), Size.SMALL) if s.asset in (
        "gen1", "r1", "v1")}
    larger = {s.kind: s.limits for s in plan(a_plant(), Size.LARGER) if s.asset == "gen1"}
    for kind in (Kind.TANK_AIR, Kind.TANK_NITROGEN):
        assert told()[kind]["limit"].startswith(
            f"{numbers[kind]['minutes']:g} min, a larger unit {larger[kind]['minutes']:g} min")
    for kind in (Kind.TIGHTNESS_DAY, Kind.TIGHTNESS_TWO):
        assert told()[kind]["limit"] == f"{numbers[kind]['loss']:g} psi"
        assert f"{numbers[kind]['hours']:g} h" in told()[kind]["what counts"]
    assert told()[Kind.FILL]["limit"].startswith(f"{numbers[Kind.FILL]['minutes']:g} min")
