"""Finds which further readings of a display would help, while its device is being read."""

from __future__ import annotations

from collections.abc import Mapping

from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.images import Image
from collector.commissioning.interview import Frame
from collector.commissioning.matching import Candidate, DisplayReading, Match, way_to_go

TankSeen = tuple[Candidate, tuple[Image, ...]]
"""The register of a tank's pressure, and the images around the last look at its compressor."""
_LONGEST_WAIT = 60_000
"""ms after which what a reading would tell is read, though other values still go too little
(setting)."""


class Waiting:
    """Tells which points a reading would help now, by what their registers hold now.

    Those numbers are not shown: a technician would type them instead of what the display shows.
    """

    def __init__(
        self, thread: DeviceThread, since: int, *, matches: Mapping[str, Match],
        last: Mapping[str, DisplayReading], left: Mapping[str, int],
        states: Mapping[str, TankSeen | None], words: Mapping[str, str],
    ) -> None:
        """``left`` readings of each point in ``matches`` are to come; ``states`` are contacts."""
        self._thread, self._since = thread, since
        self._matches, self._last, self._left = matches, last, left
        self._states, self._words = states, words

    def helpful(self) -> list[str]:
        """Return the points of which a reading would tell something new now."""
        return [p for p in self._matches if self._helps(p)] + [
            p for p in self._states if self._has_turned(p)]

    def worth_reading(self) -> list[str]:
        """Return what to read where the technician waits no longer: what moved at all, or all."""
        moved = [p for p, found in self._matches.items() if found.families and abs(
            self._now(p)[-1] - self._last[p].shown.value) >= 2 * self._last[p].shown.step]
        return self.helpful() or moved or [*self._matches, *self._states]

    def frame(self) -> Frame:
        """Return a row for each point, and whether it is a good moment."""
        helpful, rows = self.helpful(), []
        for point, found in self._matches.items():
            shown = self._last[point].shown
            way = self._way(point) / shown.step * shown.resolution
            rows.append((self._words[point], str(shown), "now" if point in helpful
                         else "at any time" if not found.families
                         else f"when it has moved by {way:.2g} {shown.unit}"))
        rows += [(self._words[p], "", "now" if p in helpful else "when it has changed")
                 for p in self._states]
        waited = self._thread.clock.now() - self._since
        ready = len(helpful) == len(rows) or (bool(helpful) and waited > _LONGEST_WAIT)
        note = "Now is a good moment." if ready else \
            "Wait until the values have moved; a compressor's start or stop is best."
        if not self._thread.is_reading:
            note = "The device answers no more: press Enter."
        return Frame(title="Values that are not sure yet", rows=tuple(rows), notes=(note,),
                     head=("value", "last shown", "a reading tells more"), ready=ready)

    def _way(self, point: str) -> float:
        found = self._matches[point]
        return way_to_go(found, self._last[point], self._left[point]) if found.families else 0.0

    def _helps(self, point: str) -> bool:
        """Whether the registers that fit lie apart now, the likeliest far from the last reading.

        As far as it goes is far enough: a value that turns comes back.
        """
        found, last = self._matches[point], self._last[point]
        now = [v for f in found.families for v in f.best.values(self._thread.images[-1:])]
        if not now or len(now) < len(found.families):
            return False
        apart = last.shown.step + max(f.best.decoding.step for f in found.families)
        ordered = sorted(now)
        if not found.same and any(
                b - a < apart for a, b in zip(ordered, ordered[1:], strict=False)):
            return False
        values = self._now(point)
        gone, furthest = (abs(values[-1] - last.shown.value),
                          max(abs(v - last.shown.value) for v in values))
        return gone >= self._way(point) or (
            furthest >= 3 * apart and furthest - apart / 2 > gone >= 0.8 * furthest)

    def _now(self, point: str) -> list[float]:
        """Return what the likeliest register held since the wait began, or what was last shown."""
        since = [i for i in self._thread.images if i.began >= self._since]
        return self._matches[point].families[0].best.values(since) or [
            self._last[point].shown.value]

    def _has_turned(self, point: str) -> bool:
        """Whether the tank's pressure goes the other way than at the last look at this state."""
        tank = self._states[point]
        if tank is None:
            return False
        register, images = tank
        was, now = register.values(images), register.values(self._thread.images[-3:])
        return bool(was and now) and (was[-1] - was[0]) * (now[-1] - now[0]) < 0
