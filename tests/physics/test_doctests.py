"""Every page of the handbook carries the example somebody else published, and it runs."""

import ast
import doctest
import importlib
import inspect
import pkgutil
import sys

import pytest

import collector.physics

MODULES = [f"collector.physics.{m.name}" for m in pkgutil.iter_modules(collector.physics.__path__)]
PUBLIC = [m for m in MODULES if not m.rsplit(".", 1)[1].startswith("_")]


@pytest.mark.parametrize("name", PUBLIC)
def test_examples_hold(name):
    module = importlib.import_module(name)
    result = doctest.testmod(module)
    assert result.attempted > 0, f"{name} shows no example"
    assert result.failed == 0


@pytest.mark.parametrize("name", PUBLIC)
def test_public_functions_are_pages(name):
    module = importlib.import_module(name)
    for public in module.__all__:
        thing = getattr(module, public)
        if not inspect.isfunction(thing) or thing.__module__ != name:
            continue
        page = inspect.getdoc(thing) or ""
        assert "Examples" in page, f"{public}: no example"
        assert "----" in page, f"{public}: no sections"


@pytest.mark.parametrize("name", MODULES)
def test_only_the_standard_library_and_numpy_are_imported(name):
    tree = ast.parse(inspect.getsource(importlib.import_module(name)))
    for node in ast.walk(tree):
        roots = []
        if isinstance(node, ast.Import):
            roots = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            roots = [node.module or ""]
        for root in roots:
            top = root.split(".")[0]
            known = top == "numpy" or top in sys.stdlib_module_names or root.startswith(
                "collector.physics") or root == "collector.domain.units"  # constants alone
            assert known, f"{name} imports {root}"
