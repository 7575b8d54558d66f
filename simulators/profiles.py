"""Device profiles as the site file names them, written from the register sets."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from simulators.registers import REGISTER_SETS, RegisterPoint, RegisterSet

__all__ = ["FOLDER", "profile_text", "write_profiles"]

FOLDER = Path(__file__).parent / "profiles"


def profile_text(registers: RegisterSet, points: Sequence[RegisterPoint] | None = None) -> str:
    """Return the profile of a register set as TOML."""
    chosen = registers.points if points is None else points
    head = [
        "# Written from simulators/registers.py; a test holds the two together.",
        "[profile]",
        f'name = "{registers.title}"',
        f'word_order = "{registers.word_order}"',
        'byte_order = "high-first"',
    ]
    return "\n".join(head + [line for p in chosen for line in _point_lines(p)]) + "\n"


def _point_lines(point: RegisterPoint) -> list[str]:
    lines = ["", "[[points]]", f'quantity = "{point.quantity}"', f'kind = "{point.kind}"']
    if point.nth > 1:
        lines.append(f"nth = {point.nth}")
    if point.normally_open is not None:
        for name, address in (("normally_open", point.normally_open),
                              ("normally_closed", point.normally_closed)):
            lines.append(f'{name} = {{ table = "discrete-inputs", address = {address} }}')
        return lines
    lines += [f'table = "{point.table}"', f"address = {point.address}", f'type = "{point.type}"']
    if point.scale != 1.0:
        lines.append(f"scale = {point.scale}")
    if point.unit:
        lines.append(f'unit = "{point.unit}"')
    if point.values is not None:
        coded = ", ".join(f'{raw} = "{word}"' for raw, word in point.values.items())
        lines.append(f"values = {{ {coded} }}")
    if point.invalid is not None:
        lines.append(f"invalid = [{point.invalid}]")
    if point.range is not None:
        lines.append(f"range = [{point.range[0]:g}, {point.range[1]:.0f}]")
    return lines


def write_profiles(folder: Path) -> None:
    """Write every profile into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for registers in REGISTER_SETS.values():
        (folder / registers.file_name).write_text(profile_text(registers), encoding="utf-8")
