"""Disturbances of a healthy plant: draining, power cuts, lost data, tests, filters, fills."""

from __future__ import annotations

from simulators.family import columns as c
from simulators.family.draft import Draft
from simulators.family.specs import Outage, R, Riser

__all__ = ["disturb"]


def disturb(draft: Draft, *, clock: float, healthy: bool) -> None:
    """Draw the disturbances. ``clock`` is the second of the UTC day at the start.

    A healthy plant (``healthy``) also has filters changed and fills declared; with a fault both
    would hide its effect.
    """
    _draining(draft, clock)
    _power(draft)
    _silence(draft)
    _switch_tests(draft)
    draft.clock_sets += [(at, draft.dice.even(1, 6) * (1 if draft.dice.chance(0.5) else -1))
                         for at in draft.dice.times(1 / 30, draft.days)]
    for at, _ in draft.clock_sets:
        draft.allow("*", at - 60, at + 3600, "clock-jump")
    if healthy:
        for index in range(len(draft.generators)):
            for at in draft.dice.times(1 / 75, draft.days):
                draft.set("generator", index, c.G_FACTOR, draft.dice.even(1.03, 1.12), at)
        _fills(draft)


def _draining(draft: Draft, clock: float) -> None:
    """Drain the low points of every riser once a week, in the morning of one weekday."""
    dice = draft.dice
    weekday, hour = dice.whole(0, 6), dice.even(7, 15) * 3600.0
    for index, riser in enumerate(draft.risers):
        day = float(weekday)
        while (at := day * 86400.0 + hour - clock + index * dice.even(240, 900)) < draft.length:
            day += 7.0 if dice.chance(0.9) else 14.0
            if at < 600.0:
                continue
            lost, length = min(dice.even(0.3, 1.5), 0.12 * riser.setting), dice.whole(20, 60)
            hole = lost * draft.one_psi(riser) / (length * draft.drive(riser))
            draft.set("riser", index, c.V_DRAIN, hole, at, 0.0, at + length)


def _power(draft: Draft) -> None:
    """Cut the power about once a month, mostly for minutes."""
    for at in draft.dice.times(1 / 30, draft.days):
        draft.power_off(at, at + draft.dice.scale(120, 6 * 3600), silent=draft.dice.chance(0.8))


def _silence(draft: Draft) -> None:
    """Lose a device for minutes to hours, now and then."""
    for device in draft.devices:
        for at in draft.dice.times(1.5 / 30, draft.days):
            end = at + draft.dice.scale(300, 8 * 3600)
            how = "absent" if draft.dice.chance(0.5) else "empty"
            draft.outages.append(Outage(device=device.id, start=at, end=end, how=how))
            for asset in (device.id, *device.watches):
                draft.allow(asset, at, end + 1800.0, "device-silent")


def _switch_tests(draft: Draft) -> None:
    """Test each low-air switch once a quarter, at a small chamber the technician bleeds."""
    for riser in draft.risers:
        point = f"{riser.id}.low_air"
        for at in draft.dice.times(4 / 365, draft.days) if point in draft.points else []:
            end = at + draft.dice.even(60, 150)
            draft.force(point, at, end, "value", 1.0)
            draft.allow(riser.id, at, end + 600.0, "low-air-contact", "contact-disagreement")
            if draft.dice.chance(0.4):  # the gauge sits on the same chamber
                deep = riser.setting - riser.low + draft.dice.even(0.5, 2.0)
                draft.force(f"{riser.id}.pressure", at - 20.0, end + 20.0, "ramp", -deep)
                draft.allow(riser.id, at, end + 600.0, "pressure-low", "pressure-falling-fast")


def fill_time(draft: Draft, riser: Riser) -> float:
    """Return how long the plant takes to fill an empty pipe, in s, generously."""
    unit = draft.generators[riser.fed_by]
    whole = riser.setting * draft.one_psi(riser)
    made = unit.delivery * (unit.air_ratio if unit.air_fill_below is not None else 1.0) * 0.7
    return 2.5 * whole / min(riser.capacity * 0.7, made) + 3600.0


def _fills(draft: Draft) -> None:
    """Empty a riser for work and fill it again, declared, a few times a year."""
    for at in draft.dice.times(1 / 90, draft.days):
        index = draft.dice.whole(0, len(draft.risers) - 1)
        riser = draft.risers[index]
        unit = draft.generators[riser.fed_by]
        work = at + draft.dice.even(1.0, 3.0) * 3600.0
        done = work + fill_time(draft, riser)
        kelvin = riser.pipe.mean + 273.15
        draft.set("riser", index, c.V_FEED, 0.0, at, 1.0, work)
        draft.set("riser", index, c.V_HOLE, riser.volume / (R * kelvin) / 300.0, at, 0.0, work)
        for kind in ("declare-impairment", "declare-fill"):
            draft.actions.append({"time": at - 120.0, "kind": kind, "asset": riser.id,
                                  "until": done, "by": "technician",
                                  "why": "heads replaced; riser emptied and filled again"})
        draft.allow(riser.id, at, done + 3600.0, "pressure-low", "pressure-falling-fast",
                    "low-air-contact", "contact-disagreement")
        draft.allow(unit.id, at, done + 86400.0, "compressor-long-run", "compressor-overduty",
                    "air-fill-stuck", "air-fill-frequent", "compressor-short-cycling")
        if riser.vent is not None:
            draft.allow(riser.vent.id, at, draft.length, "oxygen-rising", "oxygen-not-falling",
                        "vent-stuck-closed", "vent-stuck-open", "purge-blocked")
