"""The part of the dialogue that matches what a display shows with registers, reading by reading."""

from __future__ import annotations

import functools
from collections.abc import Hashable, Mapping, Sequence

from collector.clock import format_instant
from collector.commissioning.decodings import UNIT_NAMES, UNITS, Decoding, NotShown, parse_shown
from collector.commissioning.device_search import DeviceSearch
from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.display_wait import TankSeen, Waiting
from collector.commissioning.interview import Interview, choice
from collector.commissioning.matching import (
    DisplayReading,
    Match,
    Outlook,
    common_style,
    match,
)
from collector.commissioning.profile_images import RegisterImage, captured
from collector.commissioning.profile_text import FoundPoint, point_key
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
        self._said: set[str] = set()

    # -- asking ------------------------------------------------------------------------------------

    def readings(self) -> None:
        """Ask for readings of the display until every point is found or the technician ends it."""
        say = self._interview.say
        say("\nThe display. Type what it shows, with all its digits, such as 71.5 or 4.93 bar.\n"
            "Look at it when the question appears, not before.")
        self._round([p for p in self._quantities if self._is_asked(p)])
        while not self._done():
            self._say_results()
            wanted = [p for p in self._open() if self._typed(p) < _ENOUGH]
            if not wanted:
                if not self._interview.sure(
                        f"{self._key}.more.{self._rounds}", "Another reading of the display",
                        explain="What is not sure yet goes into the profile with a doubt, or is "
                        "left out."):
                    break
                wanted = self._open()
            self._round(self._wait(wanted))
        self._say_results()

    def _wait(self, points: Sequence[str]) -> list[str]:
        """Let the technician wait until readings would tell something new; return of what."""
        key, state = f"{self._key}.wait.{self._rounds}", self._interview.state
        if key not in state.answers:
            self._search.begin_reading()
        matches = {p: m for p, m in self.matches().items() if p in points}
        waiting = Waiting(
            self._thread, self._interview.clock.now(), matches=matches,
            last={p: self._display_readings(p)[-1] for p in matches},
            left={p: max(1, _ENOUGH - self._typed(p)) for p in matches},
            states={p: self._tank(p) for p in points if p not in matches},
            words={p: f"{split_point(p)[0]} {self._quantities[p].label}" for p in points})
        while True:
            answer = self._interview.ask(
                key, "Enter reads the display again, r shows the registers", optional=True,
                enter="", frame=waiting.frame,
                check=lambda text: "" if text == "r" else "Enter, or r, please.",
                explain="A second reading of a value that has not moved tells nothing new.")
            if answer != "r":
                # Kept, since by the next start of the program others may be worth a reading.
                chosen: list[str] = state.found.setdefault(
                    f"{key}.told", waiting.worth_reading())
                return chosen
            self._interview.forget(key)
            self._search.look(f"{key}.registers", self.with_compressor)
            self._interview.forget(f"{key}.registers")

    def _tank(self, point: str) -> TankSeen | None:
        """Return the tank's register, where it is found, and what it held when ``point`` was seen.

        Its pressure rises while the compressor runs.
        """
        tank = self.matches().get(f"{split_point(point)[0]}.tank_pressure")
        images = [i for key in self._keys(point) if (i := self._interview.state.around(key))]
        if tank is None or tank.outlook is not Outlook.FOUND or not images:
            return None
        return tank.families[0].best, images[-1]

    def _is_asked(self, point: str) -> bool:
        quantity, name = self._quantities[point], split_point(point)[1]
        return quantity.unit == "mode" or not quantity.is_contact or name in _SEEN

    def _keys(self, point: str) -> list[str]:
        return [f"{self._key}.display.{n}.{point}" for n in range(self._rounds)]

    def _round(self, points: Sequence[str]) -> None:
        """Ask for each point once, with images around the answers.

        After the first round only the registers that still fit are read around a number.
        """
        n, state = self._rounds, self._interview.state
        numbers = [p for p in points if n and p in self.matches()]
        groups = [numbers, [p for p in points if p not in numbers]]
        wanted = {place for p in numbers for f in self.matches()[p].families
                  for c in f.candidates for place in c.places}
        whole = not all(self.matches()[p].families for p in numbers)
        self._rounds += 1
        for group, places in zip(groups, (None if whole else wanted, None), strict=True):
            self._enclosed({p: f"{self._key}.display.{n}.{p}" for p in group}, places)
        state.drop_unused_images()
        self._thread.keep_images(state.images)
        self._interview.save()

    def _enclosed(self, keys: Mapping[str, str], wanted: set[tuple[str, int]] | None) -> None:
        """Ask for the values until the registers were read both before and after each answer."""
        state = self._interview.state
        while True:
            missing = [k for k in keys.values() if k not in state.answers]
            if missing:
                self._interview.show()
                if wanted is not None or not self._thread.is_reading:
                    self._search.begin_reading(wanted)
            for point, key in keys.items():
                if key in missing and not self._thread.is_reading:
                    # It vanished meanwhile: an answer now would be worth nothing.
                    self._search.begin_reading(wanted)
                self._ask(point, key)
            if missing:
                self._enclose(missing)
            if not state.forget_unenclosed(list(keys.values())):
                return
            self._interview.say("The device was not read around some answers; those again:")

    def _ask(self, point: str, key: str) -> None:
        asset, name = split_point(point)
        quantity = self._quantities[point]
        if name in _SEEN:
            self._interview.ask(key, f"{asset}: {_SEEN[name]}", optional=True,
                                enter="cannot see it", check=choice("y", "n"))
        elif quantity.unit == "mode":
            self._interview.ask(key, f"{asset}: mode ({', '.join(MODES)})", optional=True,
                                enter="not shown", check=choice(*MODES),
                                explain="nitrogen: the separator is in the path. air-fill: plain "
                                "air goes to the pipe. off: the compressor rests.")
        else:
            unit = self._unit(quantity)
            shown = UNIT_NAMES.get(unit, unit) or "a number"
            self._interview.ask(
                key, f"{asset}: {quantity.label}, {shown}", optional=True, enter="not shown",
                check=functools.partial(_wrong, quantity, unit), explain=f"Type it with all its "
                f"digits, as the display shows it. Without a unit it is taken as {shown}; others "
                f"are written behind it: {', '.join(u for u in UNITS[quantity.unit] if u)}."
                if unit else "Type the number as the display shows it.")

    def _unit(self, quantity: Quantity) -> str:
        """Return the unit of a typed value that has none."""
        us, metric = {"psi": ("psi", "bar"), "degC": ("degF", "degC")}.get(
            quantity.unit, (quantity.unit, quantity.unit))
        unit = metric if self._metric else us
        return unit if unit in UNITS.get(quantity.unit, {}) else ""

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

    def _typed(self, point: str) -> int:
        """Return how many readings of a point were typed."""
        return sum(bool(self._interview.state.answers.get(k)) for k in self._keys(point))

    def matches(self) -> dict[str, Match]:
        """Return the match of every numeric point that the display shows."""
        found: dict[str, Match] = {}
        for like in (False, True):  # what is certain tells how this device writes numbers
            sure = [m.families[0].best.decoding for m in found.values()
                    if m.outlook is Outlook.FOUND] if like else []
            places = {p: m.places for p, m in found.items()} if like else {}
            for point, quantity in self._quantities.items():
                if quantity.is_contact or quantity.unit == "mode" or not self._typed(point):
                    continue
                readings, style = self._display_readings(point), common_style(sure)
                if not readings:
                    continue
                taken = frozenset(place for other, theirs in places.items() if other != point
                                  for place in theirs)
                found[point] = self._match(point, readings, style, taken)
                whole = [r for r in readings if r.addresses > 0.9 * readings[0].addresses]
                if found[point].outlook is Outlook.NONE and len(whole) < len(readings):
                    # Only what fitted the first was read around the others: was it misread?
                    found[point] = self._match(point, whole, style, taken)
        return found

    def _match(
        self, point: str, readings: Sequence[DisplayReading], like: Sequence[Decoding],
        taken: frozenset[tuple[str, int]],
    ) -> Match:
        """Return the match, worked out once for the same readings."""
        known = (point, tuple((str(r.shown), len(r.images), r.images[-1].began) for r in readings),
                 tuple(like), taken)
        if known not in self._matched:
            self._matched[known] = match(readings, limits=self._quantities[point].limits,
                                         like=like, taken=taken)
        return self._matched[known]

    def _open(self) -> list[str]:
        """Return the points that another reading would help."""
        unsure = {p for p, m in self.matches().items() if not m.is_settled}
        states = {p for p in self._quantities if self._typed(p) and (
            split_point(p)[1] in _SEEN or self._quantities[p].unit == "mode")}
        return [p for p in self._quantities if p in unsure | states]

    def _done(self) -> bool:
        return all(m.is_settled for m in self.matches().values()) \
            and all(self._states(p) for p in self._open())

    def _stated(self, point: str) -> set[str]:
        answers = self._interview.state.answers
        return {answers[k] for k in self._keys(point) if answers.get(k)}

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

    def _say_results(self) -> None:
        """Say what is left of each point, where that is not known yet."""
        for line in self._result_lines():
            if line not in self._said:
                self._said.add(line)
                self._interview.say(line)

    def _result_lines(self) -> list[str]:
        """Return a line for each point: what is left of it."""
        lines = []
        for point, result in self.matches().items():
            named = [str(f.best) for f in result.families]
            lines.append(f"  {point}: " + {
                Outlook.FOUND: f"found, {named[0] if named else ''}",
                Outlook.WEAK: f"probably {named[0] if named else ''}; it has moved too little to "
                              "be sure",
                Outlook.SEVERAL: f"{len(named)} fit: " + "; ".join(named[:2])
                                 + (" …" if len(named) > 2 else ""),
                Outlook.NONE: "no register that was found gives this",
            }[result.outlook] + (f". Misread? {result.without} does not fit"
                                 if result.without else ""))
        for point in self._quantities:
            if self._is_asked(point) and self._typed(point) and point not in self.matches():
                places = [p.where for p in self._states(point)]
                lines.append(f"  {point}: " + (
                    f"found, {places[0]}" if len(places) == 1
                    else f"{len(places)} fit: " + "; ".join(places) if places
                    else "not yet: it must be seen in both states"
                    if len(self._stated(point)) < 2 else "nothing follows it"))
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
        known = {one.point for one in found}
        for point in self._quantities:
            if self._is_asked(point) and self._typed(point) and point not in known:
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

    def register_image(self, unit: int, points: Sequence[FoundPoint]) -> RegisterImage:
        """Return the registers with what the display showed of each point that was matched."""
        matches, shown = self.matches(), {}
        for point in points:
            families = matches[point.point].families if point.point in matches else ()
            for family in families:
                if FoundPoint.of_candidate(point.point, family.best).keys == point.keys:
                    shown[point_key(point.point, self._quantities)] = (
                        family.best, self._display_readings(point.point))
        return captured(unit, self._interview.state.images, shown)

    def _display_readings(self, point: str) -> list[DisplayReading]:
        quantity = self._quantities[point]
        return self._interview.state.display_readings(
            self._keys(point), quantity.unit, self._unit(quantity))

    def _how(self, point: str) -> str:
        typed = [(self._interview.state.answers[k], self._interview.state.spans[k][1])
                 for k in self._keys(point) if self._interview.state.answers.get(k)]
        return f"{point}: the display showed " + ", ".join(
            f"{text} at {format_instant(at)[:19]}Z" for text, at in typed)


def _doubt(result: Match) -> str:
    if result.outlook is Outlook.WEAK:
        return "the value moved too little while it was matched; compare it again"
    return "others always held the same" \
        if result.same and result.sure and result.outlook is Outlook.SEVERAL else ""


def _wrong(quantity: Quantity, unit: str, text: str) -> str:
    try:
        shown = parse_shown(text, quantity.unit, unit)
    except NotShown as error:
        return f"{error}."
    wrong = quantity.impossible(shown.value)
    return f"{wrong}. What does the display show?" if wrong else ""
