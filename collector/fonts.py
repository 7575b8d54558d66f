"""Fonts of PDF documents: the package's own, and those of the machine for other letters."""

from __future__ import annotations

import atexit
import logging
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

_log = logging.getLogger(__name__)

FAMILY = "paper"
STYLES = {"": "figo", "B": "figbo"}
"""Style of the PDF library to the name in the package."""

_FOLDERS = (Path("/usr/share/fonts"), Path("/usr/local/share/fonts"))
_ENDS = (".ttf", ".otf", ".ttc")


@cache
def font_files() -> dict[str, Path]:
    """Write the package's fonts for the PDF library; they are removed at the end of the process."""
    import pymupdf_fonts

    folder = Path(tempfile.mkdtemp(prefix="quietpipe-fonts-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    files: dict[str, Path] = {}
    for style, name in STYLES.items():
        files[style] = folder / f"paper{style}.ttf"
        files[style].write_bytes(pymupdf_fonts.myfont(name))
    return files


@cache
def _letters(file: Path) -> frozenset[int]:
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(file, lazy=True, fontNumber=0) as font:
            return frozenset(font.getBestCmap() or ())
    except (TTLibError, OSError, KeyError, AssertionError) as error:
        # A broken font of the machine is skipped; another may have the letters.
        _log.info("font skipped", extra={"file": str(file), "why": str(error)})
        return frozenset()


def covered_by(file: Path, text: str) -> bool:
    """Return whether a font has every letter of ``text``."""
    return set(map(ord, text)) <= _letters(file)


def _machine_fonts(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        yield from sorted(f for f in folder.rglob("*") if f.suffix.lower() in _ENDS)


@cache
def machine_font(text: str, folders: tuple[Path, ...] = _FOLDERS) -> Path | None:
    """Return the first font of the machine, by path, with every letter of ``text``, or ``None``."""
    return next((f for f in _machine_fonts(folders) if covered_by(f, text)), None)
