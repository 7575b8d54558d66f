"""The part of the dialogue that matches what a display shows with registers, reading by reading."""

from __future__ import annotations

import functools
from collections.abc import Hashable, Iterable, Mapping, Sequence

from collector.clock import format_instant
from collector.commissioning.decodings import UNITS, Decoding, NotShown, parse_shown
from collector.commissioning.device_search import DeviceSearch
from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.images import Image
from collector.commissioning.interview import Interview, choice
from collector.commissioning.matching import DisplayReading, Match, Outlook, match
from collector.commissioning.profile_text import FoundPoint
from collector.commissioning.questions import Vanished
from collector.commissioning.states import bits_that_follow, codes_that_follow, moves_with
from collector.domain.readings import MODES, QUANTITIES, Quantity, split_point

_ENOUGH = 3
"""Readings of the display that are asked for; further ones are offered."""
_SEEN = {"compressor_running": "Is the compressor running (y/n)"}
"""Contacts whose state can be seen without operating anything."""


class DisplayMatch:
    """Matches the points of the assets that one device watches."""

    def __init__(
        self, interview: Interview, thread: DeviceThread, search: DeviceSearch,
        watches: Sequence[str], kinds: Mapping[str, str], metric: bool,
    ) -> None:
        self._interview, self._thread, self._search = interview, thread, search
        self._metric = metric
        self._key = search.key
        self._quantities: dict[str, Quantity] = {
            f"{asset}.{name}": quantity for asset in watches
            for name, quantity in QUANTITIES[kinds[asset]].items()}
        self._rounds = 0
        self._matched: dict[Hashable, Match] = {}

    # -- asking ------------------------------------------------------------------------------------

    def readings(self) -> None:
        """Ask for readings of the display until every point is found or the technician ends it."""
        say = self._interview.say
        say("\nThe display. Type what it shows, with its digits and unit, such as 71.5 psi or "
            "1200.2 h.\nLook at it when the question appears. Enter: it does not show that.")
        self._round([p for p in self._quantities if self._is_asked(p)])
        while not self._done():
            for line in self.result_lines():
                say(line)
            if self._rounds >= _ENOUGH:
                if not self._interview.sure(f"{self._key}.more.{self._rounds}",
                                            "Another reading of the display"):
                    break
            else:
                self._interview.ask(
                    f"{self._key}.wait.{self._rounds}",
                    "Wait until the values have moved, a compressor's start or stop is best; "
                    "then Enter", optional=True)
            self._round(self._open())
        for line in self.result_lines():
            say(line)

    def _is_asked(self, point: str) -> bool:
        quantity, name = self._quantities[point], split_point(point)[1]
        return quantity.unit == "mode" or not quantity.is_contact or name in _SEEN

    def _keys(self, point: str) -> list[str]:
        return [f"{self._key}.display.{n}.{point}" for n in range(self._rounds)]

    def _round(self, points: Sequence[str]) -> None:
        """Ask for each point once, with a register image before and after each answer."""
        n, state = self._rounds, self._interview.state
        self._rounds += 1
        keys = {p: f"{self._key}.display.{n}.{p}" for p in points}
        while True:
            missing = [k for k in keys.values() if k not in state.answers]
            if missing:
                self._interview.show()
                self._begin()
            for point, key in keys.items():
                if key in missing and not self._thread.is_reading:
                    self._begin()  # it vanished meanwhile: an answer now would be worth nothing
                self._ask(point, key)
            if missing:
                self._enclose(missing)
            if not state.forget_unenclosed(list(keys.values())):
                break
            self._interview.say("The device was not read around some answers; those again:")
        state.drop_unused_images()
        self._interview.save()

    def _ask(self, point: str, key: str) -> None:
        asset, name = split_point(point)
        quantity = self._quantities[point]
        if name in _SEEN:
            self._interview.ask(key, f"{asset}: {_SEEN[name]}", optional=True,
                                check=choice("y", "n"))
        elif quantity.unit == "mode":
            self._interview.ask(key, f"{asset}: mode ({', '.join(MODES)})", optional=True,
                                check=choice(*MODES))
        else:
            self._interview.ask(
                key, f"{asset}: {quantity.label}, {self._unit(quantity) or 'a number'}",
                optional=True, check=functools.partial(_wrong, quantity, self._unit(quantity)))

    def _unit(self, quantity: Quantity) -> str:
        """Return the unit of a typed value that has none."""
        us, metric = {"psi": ("psi", "bar"), "degC": ("degF", "degC")}.get(
            quantity.unit, (quantity.unit, quantity.unit))
        unit = metric if self._metric else us
        return unit if unit in UNITS.get(quantity.unit, {}) else ""

    def _begin(self) -> None:
        self._interview.person.say("  Reading the device …")
        while True:
            self._search.connect()
            try:
                self._thread.begin_reading(self._search.unit, self._search.explored)
            except Vanished as error:
                self._search.vanished(error)
            else:
                self._interview.state.images += [
                    i for i in self._thread.images if i not in self._interview.state.images]
                return

    def _enclose(self, keys: Sequence[str]) -> None:
        """Wait for the image after the last answer, and keep the images around all answers."""
        state = self._interview.state
        ends = [state.spans[k][1] for k in keys if k in state.spans]
        try:
            # And one more, for whether a value turned just then.
            self._thread.image_since(self._thread.image_since(max(ends)).ended)
        except Vanished as error:
            self._search.vanished(error)
        self._thread.end_reading()
        known = {i.began for i in state.images}
        state.images += [i for i in self._thread.images if i.began not in known]

    # -- what follows from it ----------------------------------------------------------------------

    def _typed(self, point: str) -> bool:
        return any(self._interview.state.answers.get(k) for k in self._keys(point))

    def matches(self) -> dict[str, Match]:
        """Return the match of every numeric point that the display shows."""
        found: dict[str, Match] = {}
        for like in (False, True):  # what is certain tells how this device writes numbers
            sure = [m.families[0].best.decoding for m in found.values()
                    if m.outlook is Outlook.FOUND] if like else []
            for point, quantity in self._quantities.items():
                if quantity.is_contact or quantity.unit == "mode" or not self._typed(point):
                    continue
                readings = self._display_readings(point)
                if readings:
                    found[point] = self._match(point, readings, _common(sure))
        return found

    def _match(
        self, point: str, readings: Sequence[DisplayReading], like: Sequence[Decoding],
    ) -> Match:
        """Return the match, worked out once for the same readings."""
        known = (point, tuple((str(r.shown), len(r.images), r.images[-1].began) for r in readings),
                 tuple(like))
        if known not in self._matched:
            self._matched[known] = match(readings, limits=self._quantities[point].limits, like=like)
        return self._matched[known]

    def _open(self) -> list[str]:
        """Return the points whose match another reading could settle."""
        unsure = {p for p, m in self.matches().items() if m.outlook is not Outlook.FOUND}
        states = {p for p in self._quantities if self._typed(p) and (
            split_point(p)[1] in _SEEN or self._quantities[p].unit == "mode")}
        return [p for p in self._quantities if p in unsure | states]

    def _done(self) -> bool:
        return all(m.outlook is Outlook.FOUND for m in self.matches().values()) \
            and all(self._states(p) for p in self._open())

    def _states(self, point: str) -> list[FoundPoint]:
        """Return the contacts and modes found by the states that the technician stated."""
        state, name = self._interview.state, split_point(point)[1]
        if name in _SEEN:
            readings = state.state_readings(self._keys(point), {"y": "1", "n": "0"})
            return [FoundPoint.of_bit(point, place) for place in bits_that_follow(readings)]
        readings = state.state_readings(self._keys(point), {m: m for m in MODES})
        return [FoundPoint.of_codes(point, place) for place in codes_that_follow(readings)]

    def with_compressor(self) -> set[tuple[str, int]]:
        """Return the addresses that rise and fall with the compressor."""
        found: set[tuple[str, int]] = set()
        for point in self._quantities:
            if split_point(point)[1] == "compressor_running":
                found |= moves_with(self._interview.state.state_readings(
                    self._keys(point), {"y": "1", "n": "0"}))
        return found

    def result_lines(self) -> list[str]:
        """Return a line for each point, with the candidates that are left for it."""
        lines = []
        for point, result in self.matches().items():
            named = [str(f.best) for f in result.families]
            lines.append(f"  {point}: " + {
                Outlook.FOUND: f"found, {named[0] if named else ''}",
                Outlook.WEAK: f"probably {named[0] if named else ''}; it has moved too little to "
                              "be sure",
                Outlook.SEVERAL: f"{len(named)} fit: " + "; ".join(named[:4])
                                 + (" …" if len(named) > 4 else ""),
                Outlook.NONE: "no register that was found gives this",
            }[result.outlook] + (f". Misread? {result.without} does not fit"
                                 if result.without else ""))
        for point in self._quantities:
            if self._is_asked(point) and self._typed(point) and point not in self.matches():
                places = [p.where for p in self._states(point)]
                lines.append(f"  {point}: " + (
                    f"found, {places[0]}" if len(places) == 1
                    else f"{len(places)} fit: " + "; ".join(places) if places
                    else "not yet: it was seen in one state only, or nothing follows it"))
        return lines

    # -- the outcome -------------------------------------------------------------------------------

    def points(self) -> list[FoundPoint]:
        """Return the points to write; where several are left, the technician chooses or leaves."""
        found = []
        for point, result in self.matches().items():
            chosen = self._chosen(point, [FoundPoint.of_candidate(point, f.best)
                                          for f in result.families], _doubt(result))
            if chosen is not None:
                family = next(f for f in result.families
                              if FoundPoint.of_candidate(point, f.best).keys == chosen.keys)
                chosen.came_from = [self._how(point)] + [
                    f"Reads alike so far: {other}" for other in family.candidates[1:4]]
                found.append(chosen)
        for point in self._quantities:
            if self._is_asked(point) and self._typed(point) and point not in result_points(found):
                chosen = self._chosen(point, self._states(point), "")
                if chosen is not None:
                    chosen.came_from = [self._how(point)]
                    found.append(chosen)
        return found

    def _chosen(self, point: str, left: Sequence[FoundPoint], doubt: str) -> FoundPoint | None:
        if not left:
            return None
        if len(left) == 1:
            left[0].doubt = doubt
            return left[0]
        for n, one in enumerate(left, 1):
            self._interview.say(f"  {n} = {one.where}")
        alike = "always held the same" in doubt
        answer = self._interview.ask(
            f"{self._key}.choose.{point}", f"{point}: {len(left)} registers fit. Which is to be "
            "used? 0 leaves the point out", default="1" if alike else "0",
            check=lambda t: "" if t.isdigit() and int(t) <= len(left)
            else f"0 to {len(left)}, please.")
        if answer == "0":
            return None
        chosen = left[int(answer) - 1]
        others = "; ".join(o.where for o in left if o is not chosen)
        chosen.doubt = f"{doubt or 'others fit too'}: {others}"
        return chosen

    def register_image(
        self, points: Sequence[FoundPoint],
    ) -> tuple[Image | None, dict[str, str]]:
        """Return the image that agrees with the most points, and what the display showed of them.

        Beside a profile these make it its own test: no device is needed.
        """
        best: tuple[Image | None, dict[str, str]] = (None, {})
        for image in self._interview.state.images:
            expected: dict[str, str] = {}
            for point in points:
                result = self.matches().get(point.point)
                candidate = next((f.best for f in result.families if FoundPoint.of_candidate(
                    point.point, f.best).keys == point.keys), None) if result else None
                for reading in self._display_readings(point.point) if candidate else ():
                    value = candidate.values([image])[:1] if candidate else []
                    if value and image in reading.images and reading.shown.fits(*value, *value):
                        expected[point.point] = str(reading.shown)
            if best[0] is None or len(expected) >= len(best[1]):
                best = (image, expected)
        return best[0], {point_key(name, self._quantities): text
                         for name, text in best[1].items()}

    def _display_readings(self, point: str) -> list[DisplayReading]:
        quantity = self._quantities[point]
        return self._interview.state.display_readings(
            self._keys(point), quantity.unit, self._unit(quantity))

    def _how(self, point: str) -> str:
        typed = [(self._interview.state.answers[k], self._interview.state.spans[k][1])
                 for k in self._keys(point) if self._interview.state.answers.get(k)]
        return f"{point}: the display showed " + ", ".join(
            f"{text} at {format_instant(at)[:19]}Z" for text, at in typed)


def result_points(found: Sequence[FoundPoint]) -> set[str]:
    """Return the names of points."""
    return {one.point for one in found}


def point_key(point: str, known: Iterable[str]) -> str:
    """Return a point's name in a register image: its quantity, and which of several it is."""
    asset, name = split_point(point)
    owners = [split_point(p)[0] for p in known if split_point(p)[1] == name]
    nth = owners.index(asset) + 1
    return name if nth == 1 else f"{name}.{nth}"


def _doubt(result: Match) -> str:
    if result.outlook is Outlook.WEAK:
        return "the value moved too little while it was matched; compare it again"
    return "others always held the same" \
        if result.same and result.sure and result.outlook is Outlook.SEVERAL else ""


def _common(sure: Sequence[Decoding]) -> list[Decoding]:
    """Return the decodings that share the byte order of most certain matches."""
    wide = [d for d in sure if d.width > 1] or list(sure)
    orders = [(d.word_order, d.byte_order) for d in wide]
    most = max(orders, key=orders.count, default=("", ""))
    return [d for d in sure if (d.word_order, d.byte_order) == most
            or (d.width == 1 and d.byte_order == most[1])]


def _wrong(quantity: Quantity, unit: str, text: str) -> str:
    try:
        shown = parse_shown(text, quantity.unit, unit)
    except NotShown as error:
        return f"{error}."
    wrong = quantity.impossible(shown.value)
    return f"{wrong}. What does the display show?" if wrong else ""
