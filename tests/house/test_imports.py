"""Imports of the collector: no cycle, whether at the top, in a function or for types only."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


def modules(root: Path) -> dict[str, Path]:
    found = {}
    for path in root.glob("collector/**/*.py"):
        parts = path.relative_to(root).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imported(path: Path, known: Mapping[str, Path]) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{path} has a relative import"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                if inner in known or node.module in known:
                    yield inner if inner in known else str(node.module)


def order(root: Path) -> list[str]:
    """Return the modules, each after those that it imports. Raises ``CycleError``."""
    known = modules(root)
    graph = {name: set(imported(path, known)) - {name} for name, path in known.items()}
    return list(TopologicalSorter(graph).static_order())


def test_no_module_imports_itself_by_way_of_others() -> None:
    assert len(order(ROOT)) == len(modules(ROOT)) > 100


def test_a_cycle_for_types_only_is_found(tmp_path: Path) -> None:
    (tmp_path / "collector").mkdir()
    (tmp_path / "collector" / "one.py").write_text("from collector.two import B\n")
    (tmp_path / "collector" / "two.py").write_text(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from collector import one\n")
    with pytest.raises(CycleError, match=r"collector\.(one|two)"):
        order(tmp_path)
