"""Two walks of the board are compared by the parts of their pages, figures left out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

pytest.importorskip("playwright.sync_api")

from tests.house.pictures import PARTS, differences  # noqa: E402


def _page(folder: Path, name: str, **parts: list[str]) -> None:
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.json").write_text(json.dumps(dict.fromkeys(PARTS, []) | parts))


def test_a_lost_button_and_a_lost_page_are_named(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    _page(old, "work", heading=["Work"], button=["Reset", "Reset", "Declare"])
    _page(new, "work", heading=["Work"], button=["Reset", "Declare"])
    _page(old, "survey")
    assert list(differences(old, new)) == [
        "survey: a page of the old folder alone", "work: button (3 to 2)", "    - Reset"]


def test_figures_and_times_are_no_difference(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    _page(old, "points_r1.pressure", column=["12:30"], picture=["Lowest 24.5 psi"])
    _page(new, "points_r1.pressure", column=["09:15"], picture=["Lowest 24.1 psi"])
    assert list(differences(old, new)) == []
