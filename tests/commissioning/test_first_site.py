"""A new user's way to the first alarm in a mailbox, and that its page says what happens on it."""

import re

import pytest

from collector.config import load_site
from collector.handbook import find_picture
from simulators.unknown_maps import draw_controller
from tests.commissioning.first_site import PAGE, SEED, counted, screens, way

_SAME = ("plant", "device", "contacts")
"""Parts in which each run asks the same: how often a display is read depends on chance."""


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_from_an_empty_folder_to_the_first_alarm_in_a_mailbox(tmp_path):
    found = way(tmp_path)
    config = load_site(tmp_path / "fenmoor.toml", secrets=False)
    truth = draw_controller(SEED).truth()
    points = {p.point: p for d in config.devices for p in d.points}
    for point in ("gen1.tank_pressure", "gen1.running_hours", "gen1.dew_point", "r1.pressure"):
        cell = truth[point][0]
        assert (points[point].table, points[point].address) == (cell.table, cell.address), point
    read = re.search(r"gen1\.tank_pressure +([0-9A-F]{4}) +(\S+) psi .*good", found.check)
    word, psi = read.groups()
    assert psi == f"{int(word, 16) / 10:g}"  # 76 psi, where it reads 76.0
    assert int(re.search(r"its register image gives all (\d+)", found.check)[1]) >= 5
    assert found.mail["To"] == "ann@example.org"
    assert "Low air pressure switch operated" in found.mail["Subject"]
    assert "r1" in found.mail["Subject"]

    # The page's figures are those of this run, but for what chance does to the readings.
    page = PAGE.read_text(encoding="utf-8")
    for name, number in counted(found).items():
        stated = int(re.search(rf"\| {name} \| (\d+) \|", page)[1])
        most = 1.25 if "minutes" not in name and "seconds" not in name else 2.5
        assert number / most < stated < number * most, (name, stated, number)
    shown = screens(found)
    for name in _SAME:
        there = re.search(rf"```screen {name}\n(.*?)```", page, re.DOTALL)[1]
        for question, _ in found.talk.asked:
            if question in shown[name]:
                assert question in there, f"not on the page: {question}"
        for line in there.splitlines():
            begin = re.match(r" *\w[^:]*:", line)  # the answer after it may differ
            assert begin is None or begin[0] in shown[name], f"the page shows: {line}"


def test_the_pages_picture_is_in_the_package_and_nothing_else_is():
    assert find_picture("first-site-board.png").startswith(b"\x89PNG")
    for name in ("nothing.png", "../__init__.py", "first-site.md", "../pages/board.png"):
        assert find_picture(name) is None
