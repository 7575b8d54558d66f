"""The part of the dialogue that compares each point of a finished profile with the display."""

from __future__ import annotations

import functools
from collections.abc import Mapping

from collector.commissioning.decodings import UNITS, NotShown, parse_shown
from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.interview import Interview, choice
from collector.commissioning.profile_text import FoundPoint
from collector.commissioning.questions import PacedClient, Vanished
from collector.commissioning.record import Row
from collector.domain.readings import MODES, QUANTITIES, Quality, Quantity, split_point
from collector.domain.units import scale_of, value_text
from collector.sources import DeviceSettings, PointSettings
from collector.sources.read_plan import PointDecoder, Raw


class Proof:
    """Reads the points of one device by its profile, and asks what the display shows."""

    def __init__(self, interview: Interview, thread: DeviceThread, device: DeviceSettings,
                 found: Mapping[str, FoundPoint], kinds: Mapping[str, str], units: str, by: str,
                 ) -> None:
        self._interview, self._thread, self._device = interview, thread, device
        self._found, self._kinds, self._units, self._by = found, kinds, units, by

    def rows(self) -> list[Row]:
        """Return a row for each point that this commissioning found."""
        return [self._row(point) for point in self._device.points if point.point in self._found]

    def _row(self, point: PointSettings) -> Row:
        state, key = self._interview.state, f"prove.{point.point}"
        if f"{key}.row" in state.found:
            self._interview.ask(key, "", optional=True)
            return Row(**state.found[f"{key}.row"])
        self._interview.forget(key)
        asset, name = split_point(point.point)
        quantity = QUANTITIES[self._kinds[asset]][name]
        before, _ = self._read(point)
        shown = self._interview.ask(
            key, f"{point.point}: what does the display or the analyser show", optional=True,
            check=functools.partial(_wrong, quantity, self._unit(quantity)))
        value, raw = self._read(point)
        agrees, difference = self._compare(quantity, shown, before, value)
        row = Row(
            point=point.point, register=self._found[point.point].where, raw=raw,
            value="no value" if value is None else self._words(quantity, value), shown=shown,
            difference=difference, by=self._by, at=state.spans[key][1], agrees=agrees,
            doubt=self._found[point.point].doubt)
        state.found[f"{key}.row"] = {name: getattr(row, name) for name in Row.__slots__}
        self._interview.save()
        self._interview.say(f"  read {row.value} from {row.raw}: {row.result}")
        return row

    def _unit(self, quantity: Quantity) -> str:
        unit = {"psi": "psi" if self._units == "us" else "bar",
                "degC": "degF" if self._units == "us" else "degC"}.get(quantity.unit, quantity.unit)
        return unit if unit in UNITS.get(quantity.unit, {}) else ""

    def _words(self, quantity: Quantity, value: float) -> str:
        if quantity.unit == "mode":
            return MODES[int(value)]
        if quantity.is_contact:
            return "on" if value else "off"
        digits = 0 if quantity.unit == "count" else 2
        return value_text(value, scale_of(quantity.unit, self._units), digits=digits)

    def _compare(
        self, quantity: Quantity, shown: str, before: float | None, value: float | None,
    ) -> tuple[bool | None, str]:
        """Return whether both agree, and the difference in words."""
        if not shown:
            return None, ""
        if before is None or value is None:
            return False, "no value"
        if quantity.is_contact or quantity.unit == "mode":
            stated = {"y": 1.0, "on": 1.0, "n": 0.0, "off": 0.0}.get(shown.lower()) \
                if quantity.is_contact else float(MODES.index(shown))
            return stated in (before, value), "" if stated in (before, value) else "opposite"
        typed = parse_shown(shown, quantity.unit, self._unit(quantity))
        low, high = min(before, value), max(before, value)
        nearest = min(max(typed.value, low), high)
        scale = scale_of(quantity.unit, self._units)
        # The register may have been rounded to one digit less than the display shows.
        return typed.fits(low, high, typed.step), f"{(nearest - typed.value) * scale.factor:+.2f}"

    def _read(self, point: PointSettings) -> tuple[float | None, str]:
        """Return the value and the raw words, however often the device vanishes."""
        while True:
            client = self._thread.client
            if client is None or client.address != self._device.address:
                client = self._thread.connect(self._device.address)
            try:
                return self._thread.call(_read_point(client, self._device.unit, point))
            except Vanished as error:
                self._interview.person.ask("vanished", f"{error}. Enter tries again: ")


async def _read_point(
    client: PacedClient, unit: int, point: PointSettings,
) -> tuple[float | None, str]:
    decoder, raws, words = PointDecoder(point), {}, []
    now = client.clock.now()
    for span in decoder.spans:
        outcome = await client.ask(unit, span.table, span.start, span.end - span.start)
        if not outcome.answered:
            raise Vanished(f"unit {unit} at {client.address} answers no more")
        raws[span] = Raw(asked=now, values=outcome.values) if outcome.values else Raw(
            asked=now, quality=Quality.BAD, why=outcome.why)
        words += [f"{v:04X}" if span.table.endswith("registers") else str(v)
                  for v in outcome.values]
    return decoder.readings(raws, client.clock.now())[0].value, " ".join(words)


def _wrong(quantity: Quantity, unit: str, text: str) -> str:
    if quantity.unit == "mode":
        return choice(*MODES)(text)
    if quantity.is_contact:
        return choice("y", "n", "on", "off")(text)
    try:
        parse_shown(text, quantity.unit, unit)
    except NotShown as error:
        return f"{error}."
    return ""
