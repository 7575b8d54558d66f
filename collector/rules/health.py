"""Condition of a device that does not respond."""

from __future__ import annotations

from dataclasses import dataclass

from collector.domain.events import SystemEvent
from collector.rules.base import ALL, Band, Context, RawEvaluation, Rule, State, Values
from collector.rules.inputs import Source


@dataclass(slots=True, kw_only=True)
class _SilentState(State):
    silent: bool = False
    """Whether it was silent at the last check; then its next answer changes the evaluation."""


class DeviceSilent(Rule):
    """A device gives no usable answer.

    Where the site file names no devices, an asset whose rows stopped is silent, by the spacing
    that its rows had. Time in which the collector itself was down does not count.
    """

    condition = "device-silent"
    looks_ahead = True
    answers_only = True

    state: _SilentState

    def __init__(self, context: Context, asset: str) -> None:
        device = context.plant.devices.get(asset)
        super().__init__(context, asset, inputs=() if device is None else device.points, needs=())
        self.state = _SilentState()

    @property
    def _source(self) -> Source | None:
        # Looked up each time: without devices it appears with the asset's first row.
        return self.context.inputs.sources.get(self.asset)

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        return self.state.silent

    def no_change_band(self, point: str) -> Band | None:
        return None if self.state.silent else ALL

    def evaluate(self, now: int) -> RawEvaluation:
        source = self._source
        self.state.silent = source is not None and source.silent(now)
        limit = source.limit() if source is not None else None
        if source is None or limit is None or source.base_at is None:
            return RawEvaluation.inactive()
        if source.silent(now):
            return RawEvaluation.active(
                source.good_at if source.good_at is not None else source.base_at,
                held=source.base_at + limit,
            )
        return RawEvaluation.inactive(source.good_at)

    def next_evaluation_at(self, now: int) -> int | None:
        source = self._source
        limit = source.limit() if source is not None else None
        if source is None or limit is None or source.base_at is None:
            return now + 10_000
        over = source.base_at + limit + 1
        if over <= now and self.inputs:
            return None  # its first answer is heard
        # Where no answer comes, that must be noticed within a tick: nothing else reports it.
        return over if over > now else now + 1

    def still_inactive(self, now: int) -> int | None:
        source = self._source
        due = None if source is not None and source.silent(now) else self.next_evaluation_at(now)
        return None if due is None else max(due, self.context.inputs.known_until)

    def describe(self, now: int) -> tuple[Values, str]:
        source = self._source
        limit = (source.limit() if source is not None else None) or 0
        since = now
        answered = False
        if source is not None and source.base_at is not None:
            answered = source.good_at is not None
            since = source.good_at if source.good_at is not None else source.base_at
        last = "the last usable answer was" if answered else "it has never answered; watched since"
        learned = source is not None and source.every is None and source.set_limit is None
        how = ", six times the usual spacing of its readings" if learned else ""
        numbers = (
            f"No usable answer for {self.words.duration(now - since)}; the limit is "
            f"{self.words.duration(limit)}{how}; {last} {self.words.instant(since)}. "
            "Conditions that depend on it keep their last state."
        )
        values: Values = {
            "silent_seconds": round((now - since) / 1000, 1),
            "limit_seconds": round(limit / 1000, 1),
        }
        return values, self.words.message(
            self.about, self.asset, since=since, numbers=numbers,
        )

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        device = context.plant.devices.get(asset)
        return f"{asset} gives no points" if device is not None and not device.points else ""


@dataclass(slots=True, kw_only=True)
class _ImplausibleState(State):
    began_at: int | None = None
    ended_at: int | None = None
    points: str = ""
    why: str = ""


class ReadingsImplausible(Rule):
    """Readings of a register map that was never seen to be right are impossible or unlikely.

    The daemon judges them and notes what it finds as system events; a replay repeats those.
    """

    condition = "readings-implausible"
    facts = frozenset({"readings-found-implausible", "readings-found-plausible"})
    state: _ImplausibleState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, inputs=(), needs=())
        self.state = _ImplausibleState()

    @classmethod
    def applies(cls, context: Context, asset: str) -> bool:
        return asset in context.plant.devices

    def apply_event(self, event: SystemEvent) -> bool:
        if event.asset != self.asset:
            return False
        s = self.state
        if event.fact == "readings-found-plausible":
            s.began_at, s.ended_at = None, event.time
        else:
            s.began_at = event.time if s.began_at is None else s.began_at
            s.points, s.why = str(event.values.get("points", "")), event.text
        return True

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        return RawEvaluation.inactive(s.ended_at) if s.began_at is None \
            else RawEvaluation.active(s.began_at)

    def describe(self, now: int) -> tuple[Values, str]:
        s = self.state
        numbers = (f"{s.why} What is impossible is not used, so conditions that need it cannot be "
                   "judged; what is only unlikely is used, and its alarms are raised.")
        values: Values = {"points": s.points}
        return values, self.words.message(self.about, self.asset, since=s.began_at,
                                          numbers=numbers)
