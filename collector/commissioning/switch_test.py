"""The part of the dialogue that finds a contact: operate the switch, and see which bit moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from collector.commissioning.device_search import DeviceSearch
from collector.commissioning.images import Image, moved
from collector.commissioning.interview import Interview
from collector.commissioning.profile_text import FoundPoint
from collector.commissioning.states import StateReading, bits_that_follow, form_c
from collector.domain.readings import QUANTITIES

_STEPS = ("as it normally is", "operated", "back to normal", "operated once more",
          "back to normal again")
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
        self._interview.say(f"\nThe contacts.\n{_CAUTION}")
        found = []
        for point, label in self._points.items():
            key = f"{self._search.key}.contact.{point}"
            while self._interview.sure(f"{key}.wired", f"{label}: is it wired to this controller, "
                                       "and can you operate it now"):
                one = self._one(point, key)
                if one is not None:
                    found.append(one)
                    break
                if not self._interview.sure(f"{key}.again", "Try it again"):
                    break
                self._forget(key)
        return found

    def _one(self, point: str, key: str) -> FoundPoint | None:
        normal = point.rpartition(".")[2] in _ON_WHEN_NORMAL
        readings = []
        for n, step in enumerate(_STEPS):
            image = self._step(f"{key}.{n}", f"  Leave it {step}, then Enter" if not n
                               else f"  Now {step}, then Enter")
            on = bool(n % 2) != normal
            readings.append(StateReading(state=str(int(on)), images=(image,)))
        places = bits_that_follow(readings)
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
            self._interview.ask(key, question, optional=True)
            found[key] = self._search.image(self._wanted()).as_json()
            self._interview.save()
        else:
            self._interview.ask(key, question, optional=True)
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
        self._interview.state.answers[f"{key}.wired"] = "y"
        self._interview.save()
