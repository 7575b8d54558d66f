"""Prints docstrings drawn from the tree (``python -m tests.house.docstrings --seed 1``)."""

from __future__ import annotations

import argparse
import random
from collections.abc import Sequence
from pathlib import Path

from tests.house.words import docstrings

ROOT = Path(__file__).resolve().parents[2]


def drawn(seed: int, count: int, under: str = "") -> list[str]:
    """Return ``count`` docstrings of collector and simulators with their places, by chance."""
    every = [f"{path.relative_to(ROOT)}:{line} {name}\n    " + said.replace("\n", "\n    ")
             for package in ("collector", "simulators")
             for path in sorted((ROOT / package).rglob("*.py"))
             if under in path.relative_to(ROOT).as_posix()
             for line, name, said in docstrings(path.read_text(encoding="utf-8"))]
    return random.Random(seed).sample(every, min(count, len(every)))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the docstrings asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--under", default="", help="only files whose path has this in it")
    options = parser.parse_args(arguments)
    print("\n\n".join(drawn(options.seed, options.count, options.under)))


if __name__ == "__main__":
    main()
