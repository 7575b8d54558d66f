"""The whole dialogue on a real wire: what it writes, and that nothing is lost on the way."""

import tomllib

import pytest

from collector.commissioning.commissioning import Commissioning, state_path
from collector.config import load_site
from simulators.unknown_maps import draw_controller
from tests.commissioning.technician import Interrupted, Technician, plant_answers, served


def ranges_of(controller):
    """A register list that gives the tables' extents, to keep the search short."""
    found = []
    for cells in controller.image(0).values():
        if cells:
            found.append(f"{min(cells)}-{max(cells)}")
    return ", ".join(found)


def point_of(profile, quantity):
    return next(p for p in profile["points"] if p["quantity"] == quantity)


@pytest.mark.parametrize("kind", ["network", "converter"])
def test_from_an_empty_folder_to_a_signed_sheet(tmp_path, kind):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    with served(controller, kind=kind) as (where, clock, device):
        person = Technician(controller, clock, plant_answers(
            where, kind=kind, ranges=ranges_of(controller), unit=controller.unit))
        commissioning = Commissioning(site, person, clock)
        commissioning.run()
    config = load_site(site, secrets=False)
    profile = tomllib.loads((tmp_path / "gen1-controller.toml").read_text())
    truth = controller.truth()
    for quantity in ("tank_pressure", "cabinet_temperature", "dew_point", "running_hours"):
        cell = truth[f"gen1.{quantity}"][0]
        point = point_of(profile, quantity)
        assert (point["table"], point["address"]) == (cell.table, cell.address)
    legs = point_of(profile, "trouble")
    assert legs["normally_open"]["address"] == truth["gen1.trouble_no"][0].address
    assert legs["normally_closed"]["address"] == truth["gen1.trouble_nc"][0].address
    assert {p.point for d in config.devices for p in d.points} >= {
        "gen1.tank_pressure", "r1.pressure", "r1.low_air", "gen1.trouble"}
    assert commissioning.record is not None
    assert all(row.agrees is not False for row in commissioning.record.rows), \
        commissioning.record.text()
    assert (tmp_path / "site-commissioning.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "ann-archer.address").stat().st_mode & 0o777 == 0o600
    assert "word@mail" not in site.read_text() + state_path(site).read_text()
    assert {asked[2] for asked in device.asked} <= {1, 2, 3, 4}
    assert len(person.asked) < 90


def test_interrupted_at_every_question_nothing_is_asked_twice(tmp_path):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    asked, sessions = [], 0
    with served(controller) as (where, clock, _):
        answers = plant_answers(where, ranges=ranges_of(controller), unit=controller.unit)
        while True:
            person = Technician(controller, clock, answers, most=1, wait=60.0, think=0.2)
            sessions += 1
            assert sessions < 200, asked[-5:]
            try:
                Commissioning(site, person, clock).run()
            except Interrupted:
                asked += person.asked
                state = state_path(site).read_bytes()
                assert not list(tmp_path.glob("*.part")), "half-written"
                assert state.endswith(b"}")
                continue
            asked += person.asked
            break
    once = [k for k in asked if ".display." not in k]
    assert len(once) == len(set(once))
    assert load_site(site, secrets=False).devices[0].points
