"""Conditions of dry contacts and their wiring."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from collector.domain.readings import QUANTITIES
from collector.domain.units import with_capital
from collector.rules.base import Band, Context, RawEvaluation, Rule, State, Values, number


@dataclass(slots=True, kw_only=True)
class _DisagreementState(State):
    since: dict[str, dict[str, int]] = field(default_factory=dict)
    """Contacts in disagreement, with the start under ``began_at``."""
    ended_at: int | None = None
    seen: dict[str, float] = field(default_factory=dict)
    """The last evaluated value of each input."""


class ContactDisagreement(Rule):
    """Both legs of a form C contact alike, or a low-air switch against the measured pressure.

    A contact passes from one leg to the other within milliseconds, and a poll may fall between:
    the on-delay covers it. All contacts of one asset share one alarm; its numbers name them.
    """

    condition = "contact-disagreement"
    state: _DisagreementState

    def __init__(self, context: Context, asset: str) -> None:
        pairs, limit = self._pairs_of(context, asset), self._limit_of(context, asset)
        self._pairs, self._limit = pairs, limit
        legs = [f"{asset}.{q}{leg}" for q in pairs for leg in ("_no", "_nc")]
        self._switch, self._pressure = f"{asset}.low_air", f"{asset}.pressure"
        both = [self._switch, self._pressure] if limit is not None else []
        super().__init__(context, asset, inputs=[*legs, *both], needs=())
        self._deadband = number(self.settings, "deadband") or 0.0
        self.state = _DisagreementState()

    @classmethod
    def applies(cls, context: Context, asset: str) -> bool:
        thing = context.plant.thing(asset)
        return thing is not None and any(q.is_contact for q in QUANTITIES[thing.kind].values())

    @classmethod
    def lacks(cls, context: Context, asset: str) -> str:
        if cls._pairs_of(context, asset) or cls._limit_of(context, asset) is not None:
            return ""
        low_air = (", and no low-air switch beside a pressure with its limit"
                   if asset in context.plant.risers else "")
        return f"no contact with both legs wired at {asset}{low_air}"

    @classmethod
    def _pairs_of(cls, context: Context, asset: str) -> tuple[str, ...]:
        """Return the contacts whose two legs are read."""
        thing = context.plant.thing(asset)
        return () if thing is None else tuple(
            q for q, known in QUANTITIES[thing.kind].items() if known.is_contact
            and context.is_configured(f"{asset}.{q}_no")
            and context.is_configured(f"{asset}.{q}_nc")
            and context.settings.for_(cls.condition, f"{asset}.{q}").get("enabled") is not False
        )

    @staticmethod
    def _limit_of(context: Context, asset: str) -> float | None:
        """Return the pressure (psi) at which the low-air switch should operate."""
        riser = context.plant.risers.get(asset)
        read = all(context.is_configured(f"{asset}.{q}") for q in ("low_air", "pressure"))
        return riser.low_pressure if riser is not None and read else None

    def observe(self, point: str, at: int, value: float, before_at: int | None) -> bool:
        self.state.seen[point] = value
        return True

    def _value(self, point: str, now: int) -> float | None:
        known = self.context.inputs.point(point)
        return known.value if known.fresh(now, self.gap(point)) else None

    def _looks(self, now: int) -> dict[str, bool | None]:
        looks: dict[str, bool | None] = {}
        for quantity in self._pairs:
            no = self._value(f"{self.asset}.{quantity}_no", now)
            nc = self._value(f"{self.asset}.{quantity}_nc", now)
            known = no is not None and nc is not None
            looks[quantity] = (no or 0) // 0.5 == (nc or 0) // 0.5 if known else None
        if self._limit is not None:
            low = self._value(self._switch, now)
            psi = self._value(self._pressure, now)
            looks["low_air against pressure"] = (
                None if low is None or psi is None
                else psi > self._limit + self._deadband if low >= 0.5
                else psi < self._limit - self._deadband
            )
        return looks

    def evaluate(self, now: int) -> RawEvaluation:
        looks = self._looks(now)
        since = self.state.since
        for name, alike in looks.items():
            if alike and name not in since:
                since[name] = {"began_at": self._changed_at(name, now)}
            elif alike is False and since.pop(name, None) is not None:
                self.state.ended_at = self._changed_at(name, now)
        if since:
            # Unknown legs keep what was seen of them, but prove nothing new by themselves.
            if not any(looks.get(name) for name in since):
                return RawEvaluation.unknown("the inputs of the contact are not read")
            return RawEvaluation.active(min(
                row["began_at"] for name, row in since.items() if looks.get(name)
            ))
        if all(alike is None for alike in looks.values()):
            return RawEvaluation.unknown("no usable reading of the contact")
        return RawEvaluation.inactive(self.state.ended_at)

    def doubts(self) -> frozenset[str]:
        names = [n.partition(" ")[0] for n in self.state.since]
        return frozenset(f"{self.asset}.{n}{leg}" for n in names for leg in ("", "_no", "_nc"))

    def _changed_at(self, name: str, now: int) -> int:
        """Return when the later of the two inputs was read; they agreed until then."""
        if " " in name:
            points = [self._switch, self._pressure]
        else:
            points = [f"{self.asset}.{name}_no", f"{self.asset}.{name}_nc"]
        times = [self.context.inputs.point(p).at for p in points]
        return max((t for t in times if t is not None), default=now)

    def no_change_band(self, point: str) -> Band | None:
        value = self.state.seen.get(point)
        if point == self._pressure and self._limit is not None:
            if value is None:
                return None
            low, high = self._limit - self._deadband, self._limit + self._deadband
            edges = Band(-math.inf, low), Band(low, high), Band(high, math.inf)
            return next(e for e in edges if e.low <= value <= e.high)
        return None if value is None else Band(value, value)

    def describe(self, now: int) -> tuple[Values, str]:
        inputs, words = self.context.inputs, self.words
        values: dict[str, float | int | str | None] = {}
        sentences, names = [], []
        for name in self.state.since:
            if " " in name:
                psi, low = inputs.point(self._pressure).value, inputs.point(self._switch).value
                limit = self._limit
                if psi is None or low is None or limit is None:
                    continue
                names.append("low_air")
                values |= {"low_air": int(low >= 0.5), "pressure_psi": round(psi, 2),
                           "limit_psi": round(limit, 2)}
                sentences.append(
                    f"the low-air switch says {'low' if low >= 0.5 else 'not low'} while the "
                    f"pressure reads {words.pressure(psi)} (low is below {words.pressure(limit)})"
                )
                continue
            leg = inputs.point(f"{self.asset}.{name}_no").value
            names.append(name)
            values[f"{name}_legs"] = None if leg is None else int(leg >= 0.5)
            state = "closed" if (leg or 0) >= 0.5 else "open"
            sentences.append(f"{words.label(f'{self.asset}.{name}')}: both legs read {state}, "
                        "one of them must be wrong")
        values["quantity"] = ", ".join(dict.fromkeys(names))
        since = min((row["began_at"] for row in self.state.since.values()), default=now)
        numbers = f"{'; '.join(sentences)}. Do not rely on this contact until it is put right."
        return values, words.message(
            self.about, self.asset, since=since, numbers=with_capital(numbers),
        )
