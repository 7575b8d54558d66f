"""Limits drawn on plots are those of the alarms: the setting, the asset's key, the usual figure."""

from __future__ import annotations

from dataclasses import replace

import httpx
import pytest

from collector.config import default_settings
from collector.domain.conditions import ConditionSettings
from collector.domain.readings import QUANTITIES
from collector.plots import axis_of
from collector.web.views.trends import limits_of
from tests.web.api.test_reading import Page
from tests.web.fakes import FakeSite, plant


def settings(**single: object) -> ConditionSettings:
    return ConditionSettings(defaults=default_settings(), **single)  # type: ignore[arg-type]


@pytest.mark.parametrize(("units", "words"), [("us", "40 °F"), ("metric", "4 °C")])
def test_the_valve_room_limit_is_the_alarm_s_by_the_site_s_units(units: str, words: str) -> None:
    # NFPA 25 (2014), as a checklist quotes it: 40 F (4 C). 4.0 C drawn for a US site reads 39 F.
    site = replace(plant(), site=replace(plant().site, units=units))
    (level,) = limits_of(site, settings(), site.risers["r1"], "valve_room_temperature")
    axis = axis_of(QUANTITIES["riser"]["valve_room_temperature"], units)
    assert axis.words(level.value) == words


def test_the_site_s_own_setting_is_drawn() -> None:
    own = settings(
        general={"low-temperature": {"limit": 7.0}, "room-oxygen-low": {"limit": 20.0}},
        single={"pressure-low": {"r1": {"limit": 19.0}},
                "product-oxygen-high": {"gen1": {"limit": 2.5}},
                "oxygen-not-falling": {"r1-vent": {"target": 1.5}}})
    site = plant()
    found = {
        (asset, quantity): [level.value for level in
                            limits_of(site, own, site.thing(asset), quantity)]  # type: ignore[arg-type]
        for asset, quantity in (
            ("r1", "valve_room_temperature"), ("plant-room", "oxygen"), ("r1", "pressure"),
            ("gen1", "product_oxygen"), ("r1-vent", "oxygen"))}
    high = site.risers["r1"].high_pressure
    assert found == {
        ("r1", "valve_room_temperature"): [7.0], ("plant-room", "oxygen"): [20.0],
        ("r1", "pressure"): [*([high] if high is not None else []), 19.0],
        ("gen1", "product_oxygen"): [2.5], ("r1-vent", "oxygen"): [1.5]}


async def test_a_page_draws_the_site_s_own_limit(
    client: httpx.AsyncClient, site: FakeSite,
) -> None:
    site.settings = settings(single={"pressure-low": {"r3": {"limit": 21.0}}})
    assert "low, 21 psi" in Page((await client.get("/things/r3?span=1w")).text).text
