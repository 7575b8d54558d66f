"""The private words of before are found nowhere: names, docstrings, screens, messages, help."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.cli import COMMANDS
from collector.domain.conditions import CATALOGUE
from tests.house.words import (
    EXCEPTED,
    SCREENS,
    bad_docstrings,
    bad_names,
    bad_strings,
    screen_text,
)

ROOT = Path(__file__).resolve().parents[2]
SHOWN = sorted([*(ROOT / "collector").rglob("*.html"), *(ROOT / "collector").rglob("*.md"),
                *(ROOT / "collector").rglob("*.js"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])


def _modules() -> Iterator[tuple[Path, str]]:
    for package in ("collector", "simulators"):
        for path in sorted((ROOT / package).rglob("*.py")):
            yield path.relative_to(ROOT), path.read_text(encoding="utf-8")


@pytest.mark.parametrize("search", [bad_names, bad_docstrings, bad_strings])
def test_no_module_has_a_left_hand_word(search: Callable[[Path, str], list[str]]):
    assert [line for path, text in _modules() for line in search(path, text)] == []


@pytest.mark.parametrize("path", SHOWN, ids=lambda p: p.name)
def test_no_page_or_template_shows_one(path: Path):
    text = screen_text(path.read_text(encoding="utf-8"))
    assert [m[0] for m in SCREENS.finditer(text)] == []


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_no_help_shows_one(command: str):
    done = subprocess.run([sys.executable, "-m", "collector.cli", *([command] if command else []),
                           "--help"], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout
    assert [m[0] for m in SCREENS.finditer(done.stdout)] == []


def test_the_help_of_the_bundled_plant_shows_none():
    done = subprocess.run([sys.executable, "-m", "simulators", "--help"], cwd=ROOT,
                          capture_output=True, text=True, check=True)
    assert [m[0] for m in SCREENS.finditer(done.stdout)] == []


def test_every_exception_is_still_needed():
    names = {(path.as_posix(), path.stem) for path, _ in _modules()}
    for path, text in _modules():
        names |= {(path.as_posix(), word) for word in text.replace(":", " ").replace(
            ".", " ").replace(",", " ").replace("(", " ").split()}
    assert [(end, name) for end, name in EXCEPTED
            if not any(path.endswith(end) and name == word for path, word in names)] == []


@pytest.mark.parametrize("planted", [
    "class Deed:\n    pass\n", "def untold(x):\n    pass\n", "def due(now):\n    pass\n",
    "def f(lane):\n    pass\n", "x.standing = 1\n", "import a as clerk\n", "verdict: int = 0\n",
])
def test_a_planted_name_is_found(planted: str):
    assert bad_names(Path("collector/planted.py"), planted) != []
    assert bad_names(Path("collector/mistakes.py"), "x = 1\n") == ["collector/mistakes.py: module"]
    assert bad_names(Path("collector/planted.py"), "service_due = notes = 1\n") == []


@pytest.mark.parametrize("planted", [
    "What is shown of a window.", "Who hears a point.", "Return whether anybody was told of it.",
    "Begin anew.", "An alarm nobody has seen.",
])
def test_a_planted_docstring_is_found(planted: str):
    code = f'def f():\n    """{planted}"""\n'
    assert len(bad_docstrings(Path("planted.py"), code)) == 1
    assert bad_docstrings(Path("planted.py"), planted.join(("x = '", "'\n"))) == []


@pytest.mark.parametrize("planted", [
    "Nothing asks for anybody", "2 conditions are not normal", "the message was told",
    "20 quieted on purpose", "DEED", "Watch sheet",
])
def test_a_planted_text_is_found(planted: str):
    assert bad_strings(Path("planted.py"), f"print('{planted} .')\n") != []
    assert SCREENS.search(screen_text(f"<p>{planted}</p>"))
    assert not SCREENS.search(screen_text(f"<p>{{{{ x('{planted}') }}}}</p>"))


def test_conditions_have_the_titles_that_the_trade_says():
    titles = {c.id: c.title for c in CATALOGUE.values()}
    assert titles | {
        "compressor-long-run": "Compressor running too long",
        "compressor-not-starting": "Compressor not starting",
        "compressor-short-cycling": "Compressor short cycling",
        "compressor-weak": "Compressor output low",
        "air-fill-stuck": "Stuck in air-fill", "air-fill-frequent": "Frequent air-fill",
        "air-in-nitrogen-mode": "Air in nitrogen mode",
        "product-oxygen-high": "Product oxygen high",
        "pressure-low": "Pressure low", "pressure-high": "Pressure high",
        "pressure-falling-fast": "Pressure falling fast",
        "leak-high": "Leak rate high", "leak-growing": "Leak rate growing",
        "tank-leak": "Tank leak",
        "oxygen-not-falling": "Oxygen not falling", "oxygen-rising": "Oxygen rising",
        "oxygen-sensor-suspect": "Oxygen sensor suspect",
        "vent-stuck-open": "Vent stuck open", "vent-stuck-closed": "Vent stuck closed",
        "purge-blocked": "Purge path blocked", "water-at-vent": "Water at vent",
        "low-air-contact": "Low air pressure switch operated",
        "contact-disagreement": "Form C contact mismatch",
        "device-silent": "Device not responding", "data-frozen": "Readings frozen",
        "low-temperature": "Valve room temperature low", "room-oxygen-low": "Room oxygen low",
        "service-due": "Service due",
    } == titles
