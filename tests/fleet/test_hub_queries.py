"""The five questions, on small fleets whose answers are known."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from collector.domain.events import Priority, Signal, Transition
from collector.fleet.hub_queries import (
    compressor_tiring,
    in_trouble,
    leaking_more,
    out_of_date,
    purge_late,
)
from collector.fleet.hub_reader import FleetSnapshot, FleetView, Scope
from collector.fleet.hub_state import FleetAlarm, SiteState, merged
from collector.fleet.hub_trends import EstimateDay, Trend, quarter_before, trend_of
from tests.fleet.support import DAY, alarm

NOW = round(datetime(2026, 5, 20, 12, tzinfo=UTC).timestamp() * 1000)


def _trends(rows: list[EstimateDay]) -> list[Trend]:
    found = trend_of(rows, NOW)
    return [found] if found is not None else []


def view(
    alarms: dict[str, list[FleetAlarm]] | None = None,
    estimates: dict[str, list[EstimateDay]] | None = None,
    versions: dict[str, str] | None = None,
) -> FleetView:
    sites = {*(alarms or {}), *(estimates or {}), *(versions or {}), "calm"}
    facts = FleetSnapshot(
        states={f"north/{s}": SiteState(group="north", site=s, version=(versions or {}).get(s, ""))
                for s in sites},
        alarms={f"north/{s}": a for s, a in (alarms or {}).items()},
        trends={f"north/{s}": _trends(e) for s, e in (estimates or {}).items()},
    )
    return FleetView(facts, Scope(allowed=lambda group, site: True, title="all", staff=True))


def standing(*transitions: Transition, condition: str = "pressure-low",
             signal: Signal = Signal.SUPERVISORY, priority: Priority = Priority.HIGH) -> FleetAlarm:
    made = None
    for n, transition in enumerate((Transition.RAISED, *transitions)):
        made = merged(made, alarm("s", transition, condition=condition, signal=signal,
                                  priority=priority), n)
    assert made is not None
    return made


def test_trouble_is_what_stands_and_is_not_mere_service_worst_first() -> None:
    found = in_trouble(view({
        "shelved": [standing(Transition.SHELVED)],
        "visit": [standing(signal=Signal.SERVICE)],
        "medium": [standing(signal=Signal.TROUBLE, priority=Priority.MEDIUM)] * 2,
        "high": [standing(Transition.ACKNOWLEDGED)],
        "back": [standing(Transition.SHELVED, Transition.UNSHELVED)] * 2,
    }))
    assert [f.state.site for f in found] == ["back", "high", "medium"]


@pytest.mark.parametrize(("today", "first"), [
    (date(2026, 1, 1), (2025, 10)), (date(2026, 3, 31), (2025, 10)),
    (date(2026, 4, 1), (2026, 1)), (date(2026, 12, 31), (2026, 7)),
])
def test_quarters(today: date, first: tuple[int, int]) -> None:
    before, this, after = quarter_before(today)
    assert (before.year, before.month) == first
    assert before < this <= today < after


def days(quantity: str, old: float, new: float, *, noise: float = 0.05, count: int = 40,
         asset: str = "r1", unit: str = "scfh") -> list[EstimateDay]:
    """Daily values in the first quarter and the second of 2026, with a steady wobble."""
    made = []
    for start, level in ((date(2026, 1, 10), old), (date(2026, 4, 2), new)):
        first = (start - date(1970, 1, 1)).days
        for n in range(count):
            value = level * (1 + noise * ((n * 7 % 11) - 5) / 5)
            made.append(EstimateDay(quantity=quantity, asset=asset, day=first + n, value=value,
                                    low=None, high=None, unit=unit, time=(first + n) * DAY))
    return made


def test_a_leak_that_grew_beyond_its_noise_and_no_other() -> None:
    found = leaking_more(view(estimates={
        "grew": days("leak-rate", 2.0, 2.6), "more": days("leak-rate", 2.0, 4.0),
        "steady": days("leak-rate", 2.0, 2.0), "mended": days("leak-rate", 4.0, 2.0),
        "noisy": days("leak-rate", 2.0, 2.1, noise=0.9),
        "young": days("leak-rate", 2.0, 4.0, count=5),
        "other": days("nitrogen-demand", 2.0, 4.0),
    }))
    assert [f.state.site for f in found] == ["more", "grew"]
    assert "100 % more than last quarter" in found[0].sentence
    assert found[1].numbers["percent"] == pytest.approx(30, abs=1)


def test_one_wild_day_is_not_a_quarter() -> None:
    rows = days("leak-rate", 2.0, 2.0)
    wild = [*rows[:-1], EstimateDay(quantity="leak-rate", asset="r1", day=rows[-1].day, value=500.0,
                                    low=None, high=None, unit="scfh", time=rows[-1].time)]
    assert leaking_more(view(estimates={"s": wild})) == []


def test_a_tired_compressor_is_called_weak_or_delivers_less() -> None:
    found = compressor_tiring(
        view({"weak": [standing(condition="compressor-weak", signal=Signal.SERVICE)]},
             {"less": days("compressor-delivery", 100, 80, asset="gen1"),
              "same": days("compressor-delivery", 100, 99.9, asset="gen1", noise=0.2),
              "more": days("compressor-delivery", 80, 100, asset="gen1")}))
    assert [f.state.site for f in found] == ["weak", "less"]
    assert "20 % less" in found[1].sentence


def test_a_purge_is_late_by_alarm_or_by_slipping() -> None:
    def ends(*values: int) -> list[EstimateDay]:
        return [EstimateDay(quantity="purge-done-at", asset="r1-vent", day=NOW // DAY - n,
                            value=float(NOW // 1000 + v * 86_400), low=None, high=None,
                            unit="s since 1970", time=NOW - n * DAY)
                for n, v in zip(range(len(values), 0, -1), values, strict=True)]

    found = purge_late(view(
        {"held": [standing(condition="purge-blocked", signal=Signal.TROUBLE)],
         "shelved": [standing(Transition.SHELVED, condition="purge-blocked")]},
        {"slips": ends(5, 8, 20), "steady": ends(5, 6, 5), "sooner": ends(20, 8, 5),
         "done": ends(-40, -30, -20)}), NOW)
    assert [f.state.site for f in found] == ["held", "slips"]
    assert "15 days" in found[1].sentence


def test_old_collectors_against_the_newest_or_the_one_that_is_wanted() -> None:
    fleet = view(versions={"a": "1.2.0", "b": "1.10.0", "c": "1.9.9", "d": "1.10.0"})
    assert [f.state.site for f in out_of_date(fleet, None)] == ["a", "c"]
    assert [f.state.site for f in out_of_date(fleet, "1.9.9")] == ["a"]
    assert out_of_date(view(), None) == []
