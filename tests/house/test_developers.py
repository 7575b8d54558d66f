"""DEVELOPERS.md does not lie: its length, its paths, and the functions of one reading's way."""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SPANS = re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", PAGE, flags=re.DOTALL))
PATHS = sorted({s for s in SPANS if re.fullmatch(r"[\w./@-]+(?:/|\.(?:py|md|toml|lock))", s)})
HOPS = re.findall(r"^\d+\. `([\w.]+)`", PAGE, re.MULTILINE)


def found(name: str) -> Callable[..., object]:
    """Import what a dotted name inside the package leads to; raises where it leads nowhere."""
    parts = ["collector", *name.split(".")]
    for cut in range(len(parts), 1, -1):
        try:
            thing = importlib.import_module(".".join(parts[:cut]))
        except ModuleNotFoundError:
            continue
        for part in parts[cut:]:
            thing = getattr(thing, part)
        assert callable(thing), f"{name} is no function"
        return thing
    raise ModuleNotFoundError(name)


def exists(path: str) -> bool:
    """Whether a path lies in the tree, from its root or from the package, or by its name alone."""
    return (ROOT / path).exists() or (ROOT / "collector" / path).exists() or (
        "/" not in path and any((ROOT / "collector").rglob(path)))


def test_it_is_at_most_half_as_long_as_it_was():
    lines = PAGE.splitlines()
    assert len(lines) <= 104
    assert max(map(len, lines)) <= 100


def test_one_reading_has_at_most_12_hops():
    assert 8 <= len(HOPS) <= 12


@pytest.mark.parametrize("hop", HOPS)
def test_each_hop_is_a_function(hop: str):
    found(hop)


def test_a_hop_that_is_none_is_found_out():
    with pytest.raises(AttributeError):
        found("sources.register_map.decode_all")
    with pytest.raises(ModuleNotFoundError):
        found("nowhere.decode")


@pytest.mark.parametrize("path", PATHS)
def test_each_path_is_there(path: str):
    assert exists(path)


def test_paths_were_found_and_a_wrong_one_is_found_out():
    assert len(PATHS) > 30
    assert not exists("rules/engine/nowhere.py")
    assert not exists("nowhere.py")
