"""Register images: the content of a device's registers once, and the values it decodes to.

``NAME.image.json`` beside the profile ``NAME.toml`` makes the profile its own test: every expected
value is what a display showed when the registers were captured. No device is needed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from collector.commissioning.decodings import NotShown, parse_shown
from collector.commissioning.images import Image
from collector.commissioning.matching import Candidate, DisplayReading
from collector.config.devices import point_settings, unit_scale
from collector.config.diagnostics import Diagnostics, Source, nearest, read_text, unreadable
from collector.config.field_types import Table
from collector.config.profiles import (
    Profile,
    ProfilePoint,
    Profiles,
    TableName,
)
from collector.config.schema import read_tables
from collector.domain.errors import Mistake, SiteFileError
from collector.domain.readings import MODES, QUANTITIES, Quality, Quantity, point_kind
from collector.sources import PointSettings
from collector.sources.read_plan import PointDecoder, Raw, Span

Word = Annotated[int, Field(ge=0, le=65535, strict=True)]
Expected = str | float | None


def image_path(profile: Path) -> Path:
    """Return where the image of a profile lies: ``generator.toml`` has ``generator.image.json``."""
    return profile.with_suffix(".image.json")


class ImageFile(Table):
    """The whole file."""

    needs = ("tables", "expected")
    unit: Annotated[int, Field(ge=0, le=255, strict=True)] = 1
    tables: dict[TableName, dict[Annotated[str, Field(pattern=r"^\d{1,5}$")], Word]] = {}
    expected: dict[str, Expected] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterImage:
    """Words by table and address, and what each quantity showed.

    An expected value is text with its unit as a display shows it (``71.5 psi``), a word for a mode,
    0 or 1 for a contact, ``None`` where the registers say "no value". Its key is
    ``quantity``, or ``kind.quantity`` or ``quantity.2`` where a profile has several.
    """

    unit: int
    tables: Mapping[str, Mapping[int, int]]
    expected: Mapping[str, Expected]
    name: str = ""

    def text(self) -> str:
        """Return the file that :func:`read_image` reads."""
        data = {
            "unit": self.unit,
            "tables": {table: {str(a): words[a] for a in sorted(words)}
                       for table, words in self.tables.items()},
            "expected": dict(self.expected),
        }
        return json.dumps(data, indent=1, ensure_ascii=False) + "\n"

    def test(self, profile: Profile) -> list[Mistake]:
        """Return each expected value that ``profile`` does not decode to, with file and key."""
        return list(_Test(self, profile).run())


def captured(
    unit: int, images: Sequence[Image],
    shown: Mapping[str, tuple[Candidate, Sequence[DisplayReading]]],
) -> RegisterImage:
    """Return the registers of ``images`` as a file, with what a display showed of each point.

    The registers of a point are as they were when it was shown, so that every point has its value.
    """
    tables: dict[str, dict[int, int]] = {}
    for image in images:
        for table, cells in image.tables.items():
            tables.setdefault(table, {}).update(cells)
    expected: dict[str, Expected] = {}
    for name, (candidate, readings) in shown.items():
        for reading in readings:
            fitting = [i for i in reading.images for value in candidate.values([i])
                       if reading.shown.fits(value, value)]
            if fitting:
                for table, address in candidate.places:
                    tables[table][address] = fitting[0].tables[table][address]
                expected[name] = str(reading.shown)
                break
    return RegisterImage(unit=unit, tables=tables, expected=expected)


def load_profile(path: Path) -> Profile:
    """Read one profile by itself. Raises ``SiteFileError`` with every mistake."""
    mistakes = Diagnostics()
    profile = Profiles(path.parent, mistakes).get(path.name, Source(str(path), ""), ())
    if mistakes or profile is None:
        raise SiteFileError(mistakes.sorted())
    return profile


def read_image(path: Path) -> RegisterImage:
    """Read a register image. Raises ``SiteFileError`` with every mistake."""
    mistakes, source = Diagnostics(), Source(path.name, "")
    try:
        data = json.loads(read_text(path)[1])
    except (OSError, UnicodeDecodeError) as exc:
        mistakes.add(source, (), unreadable(exc), "a register image (JSON)")
    except json.JSONDecodeError as exc:
        mistakes.add(Source(f"{path.name} line {exc.lineno}", ""), (), f"not JSON: {exc.msg}")
    else:
        if not isinstance(data, dict):
            mistakes.add(source, (), "not a table", '{"unit": …, "tables": …, "expected": …}')
    if mistakes:
        raise SiteFileError(mistakes.sorted())
    file = read_tables(ImageFile, data, source, mistakes)
    if mistakes:
        raise SiteFileError(mistakes.sorted())
    return RegisterImage(
        unit=file.unit, expected=file.expected, name=path.name,
        tables={table: {int(a): w for a, w in words.items()}
                for table, words in file.tables.items()})


class _Test:
    """Decodes an image by a profile and compares."""

    def __init__(self, image: RegisterImage, profile: Profile) -> None:
        self._image, self._profile = image, profile
        self._source = Source(image.name or "image", "")

    def run(self) -> Iterator[Mistake]:
        for key, expected in self._image.expected.items():
            found = [p for p in self._profile.points if key in _names(p)]
            if len(found) == 1:
                yield from self._compare(key, expected, found[0])
            else:
                known = sorted({n for p in self._profile.points for n in _names(p)})
                problem = f'{self._profile.source.name} has {len(found) or "no"} such points' \
                    f"{nearest(key, known) if not found else ''}"
                yield self._mistake(key, problem, "one of " + ", ".join(known))

    def _compare(self, key: str, expected: Expected, point: ProfilePoint) -> Iterator[Mistake]:
        quantity = _quantity(point)
        mistakes = Diagnostics()
        scale = unit_scale(point, quantity, mistakes)
        if scale is None:
            yield from mistakes.sorted()
            return
        settings = point_settings(key, self._profile, point.table, quantity, scale)
        decoder = PointDecoder(settings)
        raws: dict[Span, Raw] = {}
        for span in decoder.spans:
            words = self._image.tables.get(span.table, {})
            lacking = [a for a in range(span.start, span.end) if a not in words]
            if lacking:
                yield self._mistake(key, f"{span.table} {lacking[0]} is not in the image",
                                    "every register of the point")
                return
            raws[span] = Raw(asked=0,
                             values=tuple(words[a] for a in range(span.start, span.end)))
        reading = decoder.readings(raws, 0)[0]
        value = reading.value if reading.quality is Quality.GOOD else None
        try:
            fits = _fits(expected, value, quantity, settings)
        except (NotShown, ValueError) as exc:
            yield self._mistake(key, str(exc), "what the display shows, such as 71.5 psi")
            return
        if not fits:
            got = f"no value ({reading.why})" if value is None else _shown(value, quantity)
            yield self._mistake(
                key, f"{point.source.place(point.key)} gives {got}",
                "no value" if expected is None else str(expected))

    def _mistake(self, key: str, problem: str, expected: str) -> Mistake:
        return Mistake(place=self._source.place(("expected", key)), problem=problem,
                       expected=expected)


def _names(point: ProfilePoint) -> set[str]:
    quantity, kind, nth = point.identity
    tails = {f"{quantity}.{nth}"} | ({quantity} if nth == 1 else set())
    return tails | ({f"{kind}.{t}" for t in tails} if kind else set())


def _quantity(point: ProfilePoint) -> Quantity:
    kinds: Sequence[str] = [point.table.kind] if point.table.kind else list(QUANTITIES)
    return next(q for q in (point_kind(k, point.table.quantity) for k in kinds) if q is not None)


def _fits(
    expected: Expected, value: float | None, quantity: Quantity, settings: PointSettings,
) -> bool:
    if expected is None or value is None:
        return expected is None and value is None
    if quantity.unit == "mode":
        return isinstance(expected, str) and expected == MODES[int(value)]
    if quantity.unit == "contact":
        return not isinstance(expected, str) and float(expected) == value
    step = 0.0 if settings.type.startswith("float") else abs(settings.scale * settings.factor)
    text = expected if isinstance(expected, str) else f"{expected:g}"
    return parse_shown(text, quantity.unit).fits(value, value, step / 2)


def _shown(value: float, quantity: Quantity) -> str:
    if quantity.unit == "mode":
        return MODES[int(value)]
    unit = "" if quantity.unit in ("contact", "count") else f" {quantity.unit}"
    return f"{value:.6g}{unit}"
