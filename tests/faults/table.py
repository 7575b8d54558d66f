"""The table of what was tried, drawn from the tests of this folder.

``python -m tests.faults.table`` prints the handbook's page, ``--write`` writes it. A line is a
test: its name says what holds, its count how many inputs it was tried with.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
ROOT = FOLDER.parents[1]
PAGE = ROOT / "collector" / "handbook" / "pages" / "faults.md"
HEAD = """\
# What was tried against it

Each line is a fault, a hostile input or an accident that was tried on this program, in the words
of the test that repeats it; it holds, or the tests would fail. The number is how many inputs or
moments it is tried with. `long` is run by itself, with many more generated inputs. {total} cases in
all.

What a fault is meant to reach, and what is left, is in [threats](threats.md).
"""
TAIL = """
## See also

[threats](threats.md), [deployment](deployment.md), [network](network.md)
"""


def collected() -> Counter[tuple[str, str]]:
    """Return how many cases each test of each file has."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--collect-only", "-o", "addopts=", "-n", "0",
         "-p", "no:cacheprovider", str(FOLDER)],
        capture_output=True, text=True, check=True, cwd=ROOT, stdin=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT)})
    lines = [line for line in done.stdout.splitlines() if "::" in line]
    return Counter((Path(line.partition("::")[0]).name,
                    line.partition("::")[2].partition("[")[0]) for line in lines
                   if "/test_table.py" not in line)


def page() -> str:
    """Return the page's Markdown."""
    counts = collected()
    parts = [HEAD.format(total=sum(counts.values()))]
    for path in sorted(set(FOLDER.glob("test_*.py")) - {FOLDER / "test_table.py"}):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        title = (ast.get_docstring(tree) or "").partition("\n")[0].partition(":")[0].rstrip(".")
        parts.append(f"## {title}\n\n| what holds | cases |\n|---|---|\n" + "".join(
            f"| {name.removeprefix('test_').replace('_', ' ')} | {counts[path.name, name]}"
            f"{' long' if 'pytest.mark.long' in marks else ''} |\n"
            for name, marks in _tests(tree) if counts[path.name, name]))
    return "\n".join(parts) + TAIL


def _tests(tree: ast.Module) -> list[tuple[str, str]]:
    return [(node.name, " ".join(map(ast.unparse, node.decorator_list))) for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and node.name.startswith("test_")]


def main() -> None:
    if "--write" in sys.argv:
        PAGE.write_text(page(), encoding="utf-8")
    else:
        print(page(), end="")


if __name__ == "__main__":
    main()
