"""The part of the dialogue that finds a contact: operate the switch, and see which bit moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from collector.commissioning.device_search import DeviceSearch
from collector.commissioning.images import Image, moved
from collector.commissioning.interview import Interview, numbers
from collector.commissioning.profile_text import FoundPoint
from collector.commissioning.states import StateReading, bits_that_follow, form_c
from collector.domain.readings import QUANTITIES

_STEPS = ("Leave it as it normally is", "Operate it", "Put it back to normal",
          "Operate it once more", "Put it back to normal again")
"""Twice each way: what changes by itself seldom keeps step with a hand."""
_SEEN = {"compressor_running", "open"}
_ON_WHEN_NORMAL = {"power"}
"""Contacts whose value is 1 while nothing is wrong."""
_CAUTION = ("CAUTION  Operating a switch of a fire system sends its signal. Follow the impairment "
            "procedure and warn the receiving station first.")


class SwitchTest:
    """Finds the contacts of the assets that one device watches."""

    def __init__(self, interview: Interview, search: DeviceSearch, watches: Sequence[str],
                 kinds: Mapping[str, str]) -> None:
        self._interview, self._search = interview, search
        self._points = {f"{asset}.{name}": f"{asset}: {quantity.label}" for asset in watches
                        for name, quantity in QUANTITIES[kinds[asset]].items()
                        if quantity.is_contact and name not in _SEEN}

    def points(self) -> list[FoundPoint]:
        """Ask which contacts can be operated now; return those that were found."""
        if not self._points:
            return []
        say, known = self._interview.say, list(self._points)
        say(f"\nThe contacts.\n{_CAUTION}")
        for number, label in enumerate(self._points.values(), 1):
            say(f"  {number} = {label}")
        chosen = self._interview.ask(
            f"{self._search.key}.contacts", "Which of them are wired to this controller, and can "
            "you operate now? Such as 1, 3", optional=True, enter="none",
            check=lambda text: "" if all(0 < n <= len(known) for n in numbers(text) or [0])
            else f"Numbers from 1 to {len(known)}, such as 1, 3, please.",
            explain="Each is operated twice by hand, and the bit that follows is found. What you "
            "cannot operate today can be added to the profile later.")
        found = []
        for point in [known[n - 1] for n in numbers(chosen) or ()]:
            key = f"{self._search.key}.contact.{point}"
            say(f"{self._points[point]}:")
            while True:
                one = self._one(point, key)
                if one is not None:
                    found.append(one)
                    break
                if not self._interview.sure(f"{key}.again", "  Try it again"):
                    break
                self._forget(key)
        return found

    def _one(self, point: str, key: str) -> FoundPoint | None:
        normal = point.rpartition(".")[2] in _ON_WHEN_NORMAL
        readings = []
        for n, step in enumerate(_STEPS):
            image = self._step(f"{key}.{n}", f"  {step}, then Enter")
            on = bool(n % 2) != normal
            readings.append(StateReading(state=str(int(on)), images=(image,)))
        followed, restless = bits_that_follow(readings), moved(self._interview.state.images)
        # What also moves by itself, as a compressor's bit, may have kept step by chance.
        places = [p for p in followed if (p.table, p.address) not in restless] or followed
        legs = form_c(places)
        if legs is not None:
            self._interview.say(f"  Form C: {legs[0]} closes, {legs[1].table} "
                                f"{legs[1].address} opens.")
            return self._with_source(FoundPoint.of_legs(point, *legs))
        if len(places) == 1:
            self._interview.say(f"  Found: {places[0]}.")
            return self._with_source(FoundPoint.of_bit(point, places[0]))
        if not places:
            self._interview.say("  No bit followed the switch.")
            return None
        for number, place in enumerate(places, 1):
            self._interview.say(f"  {number} = {place}")
        answer = self._interview.ask(
            f"{key}.which", f"  {len(places)} bits followed it. Which is to be used? 0 leaves the "
            "point out", default="0", check=lambda t: "" if t.isdigit() and int(t) <= len(places)
            else f"0 to {len(places)}, please.")
        if answer == "0":
            return None
        one = self._with_source(FoundPoint.of_bit(point, places[int(answer) - 1]))
        one.doubt = "others followed the switch too: " + "; ".join(
            str(p) for p in places if p is not places[int(answer) - 1])
        return one

    @staticmethod
    def _with_source(one: FoundPoint) -> FoundPoint:
        one.came_from = [f"{one.point}: it followed the switch, operated by hand twice"]
        return one

    def _step(self, key: str, question: str) -> Image:
        """Return the register image taken with the switch as asked for, and keep it."""
        found = self._interview.state.found
        if key not in found:
            self._interview.forget(key)  # answered, but the image was lost
            self._interview.ask(key, question, optional=True, enter="")
            found[key] = self._search.image(self._wanted()).as_json()
            self._interview.save()
        else:
            self._interview.ask(key, question, optional=True, enter="")
        return Image.from_json(found[key])

    def _wanted(self) -> set[tuple[str, int]]:
        """Return the addresses that may be contacts; those that change by themselves are not."""
        restless = moved(self._interview.state.images)
        return {(table, address) for table, addresses in self._search.explored.present.items()
                for address in addresses
                if table in ("coils", "discrete-inputs") or (table, address) not in restless}

    def _forget(self, key: str) -> None:
        self._interview.forget(key)
        for name in [n for n in self._interview.state.found if n.startswith(f"{key}.")]:
            del self._interview.state.found[name]
        self._interview.save()
