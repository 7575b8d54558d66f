"""Low oxygen in a room with a generator, where people work."""

from __future__ import annotations

from dataclasses import replace

from collector.domain.conditions import CAUTIONS, limit_of
from collector.rules.base import Band, Context, Level, RawEvaluation, Rule, Values, number

_DEAD_CELL = 10.0  # %; no ventilated room with a working generator gets there unseen


class RoomOxygenLow(Rule):
    """Room oxygen below the limit, whatever the reason.

    A failed cell reads low as well. The two cannot be distinguished by readings, so it is raised,
    and the message says both and leads with the caution.
    """

    condition = "room-oxygen-low"
    requires = {"oxygen": "room oxygen"}
    state: Level

    def __init__(self, context: Context, asset: str) -> None:
        self._oxygen = f"{asset}.oxygen"
        super().__init__(context, asset, inputs=[self._oxygen], needs=[self._oxygen])
        self._limit = limit_of(self.condition, asset, context.plant, context.settings) or 0.0
        self._deadband = number(self.settings, "deadband") or 0.0
        self.state = Level()

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        return self.state.compare(at, value, self._limit, self._deadband, above=False)

    def evaluate(self, now: int) -> RawEvaluation:
        return self.state.evaluation()

    def no_change_band(self, point: str) -> Band | None:
        return self.state.band(self._limit, self._deadband, above=False)

    def describe(self, now: int) -> tuple[Values, str]:
        value = self.context.inputs.point(self._oxygen).value
        known = self._limit if value is None else value
        words = self.words
        numbers = (
            f"Oxygen in the room is {words.percent(known)}; the limit is "
            f"{words.percent(self._limit)}, air has 20.9 %. A failed cell reads low too, and from "
            "here the two cannot be told apart: take the reading for true until a second, portable "
            "instrument says otherwise."
        )
        if known < _DEAD_CELL:
            numbers += " So low a reading is either deadly or a dead cell."
        # The caution leads, so the composed message must not repeat it at its end.
        text = words.message(
            replace(self.about, cautions=()), self.asset, since=self.state.since_at,
            numbers=numbers,
        )
        values = {"oxygen_percent": round(known, 2), "limit_percent": round(self._limit, 2)}
        return values, f"Caution: {CAUTIONS['oxygen']} {text}"
