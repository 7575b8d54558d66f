"""Asks a device for its points twice, and doubts what it gives.

Used by ``check`` and by the daemon for a map that was never seen to be right. Only reads, one
question at a time with a rest after each, and only at the addresses of the profile and just beside.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from collector.clock import Clock
from collector.commissioning.hints import Alternative, alternatives, text_in
from collector.commissioning.plausible import Doubt, Grade, Growth, Plausibility, good_values
from collector.domain.errors import DeviceError, DeviceRefused, LinkDown
from collector.domain.plant import Plant
from collector.domain.readings import Quality, Reading, point_kind, split_point
from collector.sources import DAMAGED, NO_VALUE, DeviceSettings, PointSettings
from collector.sources.pdu import BIT_TABLES, ReadRequest
from collector.sources.poller import Poller
from collector.sources.read_plan import Span, spans_of

_REST = 340
"""ms between two questions: at most three a second, since some controllers hang at four (setting).
"""
_POLLS = 4
"""Polls at most, for a device that answers only some questions."""
_HINTS = 2


@dataclass(slots=True, kw_only=True)
class FirstLook:
    """The result of looking at a device."""

    device: str
    polls: list[Sequence[Reading]] = field(default_factory=list)
    words: dict[str, dict[int, int]] = field(default_factory=dict)
    """Words by table and address: those of the points, and some beside them."""
    doubts: list[Doubt] = field(default_factory=list)
    units: list[int] = field(default_factory=list)
    """Other units that answer, of a device that does not."""
    asked_units: list[int] = field(default_factory=list)
    shift: int = 0
    """How much every address seems to be off."""

    @property
    def readings(self) -> list[Reading]:
        """The last reading of each point; a good one where there was any."""
        best: dict[str, Reading] = {}
        for reading in (r for poll in self.polls for r in poll):
            known = best.get(reading.point)
            if known is None or reading.quality is not Quality.STALE \
                    or known.quality is Quality.STALE:
                best[reading.point] = reading
        return list(best.values())

    def raw(self, point: PointSettings) -> str:
        """Return the point's words in hex, or its bits."""
        shown = []
        for span in spans_of(point):
            cells = self.words.get(span.table, {})
            bits = span.table in BIT_TABLES or span.table == "lines"
            shown += [f"{cells[a]}" if bits else f"{cells[a]:04X}"
                      for a in range(span.start, span.end) if a in cells]
        return " ".join(shown)


def counter_steps(points: Sequence[PointSettings]) -> dict[str, float]:
    """Return the smallest step of each point's register in the unit of record; 0 of a float."""
    return {p.point: 0.0 if p.type.startswith("float") else abs(p.scale * p.factor)
            for p in points}


async def look_at(
    poller: Poller, settings: DeviceSettings, plant: Plant, clock: Clock, *, pause: int,
) -> FirstLook:
    """Poll a device twice, ``pause`` ms apart, and doubt its readings.

    Of one that does not answer, a few other units on its line are asked.
    """
    look = FirstLook(device=settings.id)
    for count in range(_POLLS):
        if count:
            await clock.sleep(pause)
        look.polls.append(await poller.ask_once(settings.id))
        _add_words(look, poller)
        if count and all(r.quality is Quality.STALE for r in look.readings):
            break
        if count and not any(r.quality is Quality.STALE for r in look.readings):
            break
    if settings.address.kind != "gpio":
        if all(r.quality is Quality.STALE for r in look.readings):
            await _other_units(look, poller, settings, clock)
        else:
            await _doubt(look, poller, settings, plant, clock)
    return look


async def look_back(
    poller: Poller, settings: DeviceSettings, plant: Plant, clock: Clock,
    polls: Sequence[Sequence[Reading]],
) -> FirstLook:
    """Doubt the readings of polls that were made; ask only what lies beside unusual ones."""
    look = FirstLook(device=settings.id, polls=list(polls))
    _add_words(look, poller)
    if settings.address.kind != "gpio":
        await _doubt(look, poller, settings, plant, clock)
    return look


def _add_words(look: FirstLook, poller: Poller) -> None:
    for span, raw in poller.words(look.device).items():
        if raw.quality is Quality.GOOD:
            for n, word in enumerate(raw.values):
                look.words.setdefault(span.table, {})[span.start + n] = word


async def _other_units(
    look: FirstLook, poller: Poller, settings: DeviceSettings, clock: Clock,
) -> None:
    """Ask a few other units for the first register of the profile."""
    spans = sorted(s for p in settings.points for s in spans_of(p))
    if not spans:
        return
    near = (settings.unit - 1, settings.unit + 1, 1, 2, 3, 10, 247, 255)
    serial = settings.address.kind != "tcp"
    for unit in dict.fromkeys(near):
        if unit == settings.unit or not (1 if serial else 0) <= unit <= (247 if serial else 255):
            continue
        await clock.sleep(_REST)
        look.asked_units.append(unit)
        try:
            await poller.ask(settings.id, ReadRequest(
                unit=unit, table=spans[0].table, address=spans[0].start,
                count=spans[0].end - spans[0].start))
        except DeviceRefused as error:
            if error.code in (10, 11):  # a gateway's word for silence behind it
                continue
        except LinkDown:
            look.asked_units.pop()
            return
        except DeviceError:
            continue
        look.units.append(unit)


async def _doubt(
    look: FirstLook, poller: Poller, settings: DeviceSettings, plant: Plant, clock: Clock,
) -> None:
    assessment = _Assessment(look, settings, plant)
    first = assessment.impossible()
    unusual = {p.point for p in settings.points if assessment.is_unusual(p)}
    for point in settings.points:
        if point.point in first or point.point in unusual:
            await _surroundings(look, poller, settings, spans_of(point)[0], clock)
    look.doubts = assessment.doubts(first, unusual)
    look.shift = assessment.shift({d.point for d in look.doubts})


async def _surroundings(
    look: FirstLook, poller: Poller, settings: DeviceSettings, span: Span, clock: Clock,
) -> None:
    """Read the two addresses on each side; where that is refused, the nearest ones alone."""
    if span.table in BIT_TABLES:
        return
    cells = look.words.setdefault(span.table, {})
    start, end = max(span.start - 2, 0), min(span.end + 2, 65536)

    async def read(start: int, end: int) -> bool:
        if start < 0 or end > 65536 or all(a in cells for a in range(start, end)):
            return True
        await clock.sleep(_REST)
        try:
            answer = await poller.ask(settings.id, ReadRequest(
                unit=settings.unit, table=span.table, address=start, count=end - start))
        except DeviceError:
            return False
        cells.update(zip(range(start, end), answer.values, strict=True))
        return True

    if end - start > settings.max_registers or not await read(start, end):
        await read(span.end, span.end + 1)
        await read(span.start - 1, span.start)


class _Assessment:
    """Assesses the readings of one device."""

    def __init__(self, look: FirstLook, settings: DeviceSettings, plant: Plant) -> None:
        self._look, self._plant = look, plant
        self._points = [p for p in settings.points if p.point not in settings.trusted]
        self._trusted = settings.trusted
        self._plausibility = Plausibility(plant)
        self._readings = {r.point: r for r in look.readings}
        self._values = good_values(look.readings)

    def impossible(self) -> dict[str, str]:
        """Return the points with an impossible reading in any of the polls, with the reason."""
        growth = Growth(counter_steps(self._points))
        found: dict[str, str] = {}
        for poll in self._look.polls:
            values = good_values(poll)
            for reading in poll:
                if reading.point in values and reading.point not in self._trusted:
                    why = self._plausibility.impossible(
                        reading.point, values[reading.point], values) or growth.impossible(reading)
                    if why:
                        found.setdefault(reading.point, why)
        return found

    def is_unusual(self, point: PointSettings) -> bool:
        """Whether the point's value is far from that of a plant at work, or has none."""
        if point.point in self._trusted:
            return False
        reading = self._readings.get(point.point)
        if reading is not None and reading.quality is Quality.BAD:
            return not reading.why.startswith((*NO_VALUE, DAMAGED))
        usual, value = self._plausibility.usual(point.point), self._values.get(point.point)
        if usual is None or value is None or self._plausibility.filling(point.point, self._values):
            return False
        return value < min(0.6 * usual[0], 1.5 * usual[0]) \
            or value > max(1.5 * usual[1], 0.6 * usual[1])

    def doubts(self, impossible: Mapping[str, str], unusual: set[str]) -> list[Doubt]:
        """Return the doubts, each with its hints."""
        by_point = {p.point: p for p in self._points}
        found = [Doubt(point=name, grade=Grade.IMPOSSIBLE, why=why,
                       hints=self._hints(by_point.get(name)))
                 for name, why in impossible.items()]
        now = max((r.time for r in self._readings.values()), default=0)
        found += [replace(d, hints=self._hints(by_point.get(d.point)))
                  for d in self._plausibility.unlikely(self._values, now)
                  if d.point in by_point and d.point not in impossible]
        doubted = {d.point for d in found}
        for name in sorted(unusual - doubted):
            found += self._by_alternative(by_point[name])
        return found

    def _by_alternative(self, point: PointSettings) -> Iterator[Doubt]:
        """Yield a doubt where the value is unusual and a plain alternative is usual."""
        reading = self._readings[point.point]
        strong = [a for a in self._others(point) if a.strong]
        if reading.quality is Quality.BAD:
            # Not good already; here it gets its hints.
            yield Doubt(point=point.point, grade=Grade.IMPOSSIBLE, why=reading.why,
                        hints=self._hints(point))
        elif strong:
            value, unit = self._values[point.point], _unit(self._plant, point.point)
            yield Doubt(point=point.point, grade=Grade.UNLIKELY,
                        why=f"{self._plausibility.written(value, unit)} is unusual",
                        hints=tuple(a.text for a in strong[:_HINTS]))

    def _others(self, point: PointSettings) -> list[Alternative]:
        return alternatives(point, self._look.words, self._plausibility,
                            _unit(self._plant, point.point))

    def _hints(self, point: PointSettings | None) -> tuple[str, ...]:
        if point is None:
            return ()
        hints = [a.text for a in self._others(point)[:_HINTS]]
        text = text_in(spans_of(point)[0], self._look.words)
        if text and point.table not in BIT_TABLES and point.type != "text":
            hints.append(f'its registers hold the text "{text}"')
        return tuple(hints)

    def shift(self, doubted: set[str]) -> int:
        """Return the step in address by which every doubted point and most others are usual."""
        points = [p for p in self._points if p.type not in ("bit", "text")
                  and self._plausibility.usual(p.point) is not None]
        if len(doubted) < 2:
            return 0
        for step in (1, -1):
            fits = [p for p in points if self._fits(p, step)]
            if len(fits) > 0.7 * len(points) and doubted <= {p.point for p in fits} | {
                    p.point for p in self._points if p not in points}:
                return step
        return 0

    def _fits(self, point: PointSettings, step: int) -> bool:
        return any(a.step == step for a in self._others(point))


def _unit(plant: Plant, point: str) -> str:
    asset, quantity = split_point(point)
    thing = plant.thing(asset)
    known = point_kind(thing.kind, quantity) if thing is not None else None
    return known.unit if known is not None else ""
