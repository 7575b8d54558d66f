"""The part of the dialogue that finds a device and its registers, and shows them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from functools import partial
from typing import Any

from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.images import Image, moved, read_image, texts, word_views
from collector.commissioning.interview import Frame, Interview, choice, numbers
from collector.commissioning.questions import Stopped, Vanished
from collector.commissioning.unit_search import (
    UNITS,
    Explored,
    explore,
    find_units,
    line_settings,
)
from collector.config.field_types import parse_address
from collector.config.units import QuantityError
from collector.domain.errors import QuietpipeError
from collector.sources import Address

_PAGE = 16
"""Rows by which a long list of registers goes on: less than the smallest terminal shows."""


class Left(QuietpipeError):
    """Raised when the technician leaves; the same command continues the dialogue."""


class DeviceSearch:
    """Finds the ``n``-th device: its address, unit, and which registers exist."""

    def __init__(
        self, interview: Interview, thread: DeviceThread, n: int,
        polled: frozenset[Address] = frozenset(),
    ) -> None:
        self._interview, self._thread, self._polled = interview, thread, polled
        self.key = f"device.{n}"
        self.address = ""
        self.unit = 1
        self.explored = Explored()

    @property
    def _found(self) -> dict[str, Any]:
        return self._interview.state.found

    def find(self) -> None:
        """Ask where the device is until one answers; keep its address and unit."""
        ask, key = self._interview.ask, self.key
        while True:
            where = ask(f"{key}.where", "How is it connected: network, serial or converter",
                        default="network", check=choice("network", "serial", "converter"),
                        explain="network: Modbus TCP on its own network plug. serial: RTU on a "
                        "pair of wires (RS-485) to this computer. converter: RTU on wires to a "
                        "box on the network.")
            example = {"network": "Its address, HOST or HOST:PORT; several with commas",
                       "serial": "The serial port, such as /dev/ttyUSB0",
                       "converter": "The converter's address, HOST:PORT"}[where]
            text = ask(f"{key}.address", example,
                       check=partial(self._wrong_address, where),
                       explain="Only what you give here is asked; no network is searched. Port "
                       "502 is meant where none is given.")
            units = ask(f"{key}.units", "Unit numbers (Modbus addresses) to try",
                        default="1-20, 247, 255" if where == "network" else "1-10",
                        check=lambda t: "" if _units(t) else "Such as 1-10, 17; 1 to 255, please.",
                        explain="The number that is set on the controller, often under "
                        "Communication. One number makes the search short.")
            if f"{key}.answering" not in self._found:
                self._search(list(_addresses(where, text)), _units(units) or UNITS)
            answering = self._found[f"{key}.answering"]
            if answering:
                break
            again = ask(f"{key}.nothing", "Nothing answered. Check power, wiring (A and B swapped?)"
                        " and the unit set on the controller. Enter tries the same again, "
                        "c changes the address, q leaves", optional=True)
            for part in ("answering", "nothing"):
                self._found.pop(f"{key}.{part}", None)
            self._interview.forget(f"{key}.nothing")
            if again.lower().startswith("q"):
                raise Left("left; nothing is lost")
            if again.lower().startswith("c"):
                self._interview.forget(f"{key}.")
        names = [f"{address}, unit {unit}" for address, unit in answering]
        self._interview.say("Answering: " + "; ".join(names) + ".")
        which = "1"
        if len(answering) > 1:
            which = ask(f"{key}.which", "Which one now? " + ", ".join(
                f"{i} = {name}" for i, name in enumerate(names, 1)), default="1",
                check=lambda t: "" if t.isdigit() and 0 < int(t) <= len(names)
                else f"1 to {len(names)}, please.")
        self.address, self.unit = answering[int(which) - 1]

    def _wrong_address(self, where: str, text: str) -> str:
        try:
            wanted = {(a.path, a.host, a.port) for a in _addresses(where, text)}
        except QuantityError as error:
            return f"{error}."
        if wanted & {(a.path, a.host, a.port) for a in self._polled}:
            return "The monitor polls that line. Stop it, and use quietpipe commission."
        return ""

    def _search(self, addresses: Sequence[Address], units: Sequence[int]) -> None:
        """Ask every unit at every address; a serial line only until a setting is right."""
        self._interview.say("Asking each unit slowly, at most three questions a second; it only "
                            "reads.")
        self._interview.show()
        answering: list[tuple[str, int]] = []
        try:
            for address in addresses:
                client = self._thread.connect(address)
                self._interview.person.say(f"  {address}")
                found = self._thread.call(find_units(client, units, self._progress))
                answering += [(str(address), unit) for unit in found]
                if answering and address.kind == "rtu":
                    break
        except Stopped:
            self._interview.person.say("  Stopped.")
        self._found[f"{self.key}.answering"] = answering
        self._interview.save()

    def _progress(self, line: str) -> None:
        if "no answer" not in line:
            self._interview.person.say(f"    {line}")

    @property
    def is_silent_at_times(self) -> bool:
        """Whether the device left questions without an answer, and answered when asked again."""
        client = self._thread.client
        return client is not None and client.is_silent_at_times

    def connect(self) -> None:
        """Open the connection to the device, if it is not open."""
        address = parse_address(self.address)
        if self._thread.client is None or self._thread.client.address != address:
            self._thread.connect(address)

    def explore(self) -> None:
        """Find which registers exist, from where an earlier search stopped."""
        key = f"{self.key}.explored"
        text = self._interview.ask(
            f"{self.key}.ranges", "Register addresses, if you have a list, such as 0-40, 100-120",
            optional=True, enter="search, some minutes",
            check=lambda t: "" if _ranges(t) else "Such as 0-40, 100-120, please.",
            explain="As they go on the wire: a list that begins at 30001 or 40001 counts one "
            "more, so 40001 is 0. Without a list it looks where registers usually are.")
        self.explored = Explored(**self._found.get(key, {}))
        if self._found.get(f"{key}.ended"):
            return
        self._interview.show()
        while not self._found.get(f"{key}.ended"):
            self.connect()
            client = self._thread.client
            assert client is not None

            def keep() -> None:
                self._found[key] = asdict(self.explored)
            try:
                self._thread.call(explore(client, self.unit, self.explored,
                                          ranges=_ranges(text) or (), keep=keep,
                                          progress=lambda line: self._interview.person.say(
                                              f"  {line}")))
                self._found[f"{key}.ended"] = True
            except Stopped:
                keep()
                self._interview.save()
                self._found[f"{key}.ended"] = self._interview.sure(
                    f"{self.key}.enough", "Stopped. Go on with what was found?", default=True)
                if not self._found[f"{key}.ended"]:
                    self._interview.forget(f"{self.key}.enough")
            except Vanished as error:
                keep()
                self._interview.save()
                self.vanished(error)
            keep()
            self._interview.save()

    def vanished(self, error: Vanished) -> None:
        """Wait until the technician has looked after the device."""
        self._thread.disconnect()
        answer = self._interview.person.ask(
            "vanished", f"{error}. What was found is kept. Enter tries again, q leaves: ")
        if answer.strip().lower().startswith("q"):
            raise Left("left; nothing is lost")
        self.connect()

    def begin_reading(self, wanted: set[tuple[str, int]] | None = None) -> None:
        """Take images of all addresses, or those ``wanted``, from now on.

        However often the device vanishes at first.
        """
        self._interview.show()
        self._interview.person.say("  Reading the device …")
        while True:
            self.connect()
            try:
                self._thread.begin_reading(self.unit, self.explored, wanted)
            except Vanished as error:
                self.vanished(error)
            else:
                images = self._interview.state.images
                known = {i.began for i in images}
                images += [i for i in self._thread.images if i.began not in known]
                return

    def look(
        self, key: str, with_compressor: Callable[[], set[tuple[str, int]]] = set,
    ) -> None:
        """Show the registers, and what moves, until the technician has seen enough."""
        if key not in self._interview.state.answers and not self._thread.is_reading:
            self.begin_reading()
        first = 0
        while self._interview.ask(
                key, "Enter ends the look, + goes on in a long list", optional=True, enter="",
                check=lambda text: "" if text == "+" else "Enter, or +, please.",
                frame=partial(self._registers, with_compressor, first)):
            self._interview.forget(key)
            first += _PAGE

    def _registers(
        self, with_compressor: Callable[[], set[tuple[str, int]]], first: int,
    ) -> Frame:
        changed = self._thread.moved | moved(self._interview.state.images)
        frame = register_frame(self._thread.images[-1], changed, with_compressor())
        turned = first % max(len(frame.rows), 1)
        lost = () if self._thread.is_reading else ("The device answers no more: press Enter.",)
        return replace(frame, rows=frame.rows[turned:] + frame.rows[:turned],
                       notes=(*lost, *frame.notes))

    def image(self, wanted: set[tuple[str, int]] | None = None) -> Image:
        """Read the registers once, however often the device vanishes meanwhile."""
        while True:
            self.connect()
            client = self._thread.client
            assert client is not None
            try:
                return self._thread.call(read_image(client, self.unit, self.explored, wanted))
            except Vanished as error:
                self.vanished(error)


_HEAD = ("", "register", "hex", "uint16", "int16", "x 0.1", "x 0.01", "float HL", "float LH",
         "int32 HL", "int32 LH", "bits")
_SHORT = {"input-registers": "input", "holding-registers": "holding", "coils": "coil",
          "discrete-inputs": "discrete"}


def register_frame(
    last: Image, changed: set[tuple[str, int]], with_compressor: set[tuple[str, int]],
) -> Frame:
    """Return every register as it is now: what it can mean, and whether it moved since the start.

    A number of 32 bits takes the next register too; one that no plant has is left out.
    """
    rows = []
    for table, cells in last.tables.items():
        for address in cells:
            place, view = (table, address), word_views(last, table, address)
            mark = "c" if place in with_compressor else "*" if place in changed else ""
            if "bit" in view:
                values: list[str] = ["", view["bit"], *[""] * (len(_HEAD) - 4)]
            else:
                values = [view[n] for n in ("hex", "uint16", "int16", "x 0.1", "x 0.01")] + [
                    _plain(view.get(f"{kind} {order} first", ""))
                    for kind in ("float32", "int32") for order in ("high", "low")] + [view["bits"]]
            rows.append((mark, f"{_SHORT[table]} {address}", *values))
    return Frame(title="Registers now", head=_HEAD, rows=tuple(rows), notes=(
        *(f'text from {_SHORT[table]} {start} on: "{text}"' for table, start, text in texts(last)),
        "* moved since the start; c rises and falls with the compressor",
        "HL and LH: with the next register, high or low word first"))


def _plain(number: str) -> str:
    """Return a number that a plant can have; empty for what the bytes of a wrong type give."""
    return number if number and (float(number) == 0 or 1e-4 <= abs(float(number)) < 1e8) else ""


def _addresses(where: str, text: str) -> Iterator[Address]:
    """Yield the addresses to try. Raises ``QuantityError``."""
    if where == "serial":
        parse_address(f"rtu:{text.strip()}")
        yield from line_settings(text.strip())
        return
    scheme = "tcp" if where == "network" else "rtu+tcp"
    for part in text.split(","):
        yield parse_address(f"{scheme}://{part.strip().removeprefix(scheme + '://')}")


def _units(text: str) -> list[int]:
    found = numbers(text) or []
    return list(found) if all(1 <= n <= 255 for n in found) else []


def _ranges(text: str) -> list[tuple[int, int]]:
    found = []
    for part in text.replace(" ", "").split(","):
        first, _, last = part.partition("-")
        if not first.isdigit() or not (last or first).isdigit() or int(last or first) > 65535:
            return []
        found.append((int(first), int(last or first)))
    return found
