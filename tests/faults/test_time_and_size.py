"""Clocks that change, seconds that leap, and sites larger than any."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from collector.app.monitor import SiteMonitor
from collector.clock import ManualClock, format_instant, parse_instant
from collector.config import load_site
from collector.domain.events import AlarmTransition, Event
from collector.domain.plant import Generator, Plant, Riser, Site
from collector.domain.readings import QUANTITIES, Reading
from collector.domain.units import local_time, time_text
from collector.journal import Journal
from collector.notify.recipients import Rota, parse_hours, turns
from collector.people import Accounts, AccountsError, Passwords, Role
from collector.people.sessions import SessionManager
from collector.recorded import read_recordings
from tests.people.test_accounts import GOOD
from tests.rules.support import HOUR, MINUTE, SECOND, settings

LONDON, LORD_HOWE = ZoneInfo("Europe/London"), ZoneInfo("Australia/Lord_Howe")


# -- daylight saving ------------------------------------------------------------------------------

def readings(start: int, end: int, value: float = 25.0) -> list[Reading]:
    return [Reading(point="r1.pressure", asked=at, time=at, value=value)
            for at in range(start, end, 5 * SECOND)]


def a_plant(zone: str) -> Plant:
    return Plant(site=Site(id="fenmoor", name="Fenmoor", timezone=zone),
                 generators={"gen1": Generator(id="gen1", name="Generator")},
                 risers={"r1": Riser(id="r1", name="Riser", fed_by="gen1", low_pressure=18.0)})


@pytest.mark.parametrize(("zone", "change"), [
    ("Europe/London", "2026-03-29T01:00:00Z"), ("Europe/London", "2026-10-25T01:00:00Z"),
    ("America/New_York", "2026-11-01T06:00:00Z"),
    ("Australia/Lord_Howe", "2026-04-04T15:00:00Z"),  # by half an hour
    ("Pacific/Apia", "2011-12-30T10:00:00Z"),  # a day that there was not
    ("Africa/Casablanca", "2026-02-15T02:00:00Z"),  # for a month of fasting
])
def test_an_on_delay_is_as_long_as_ever_when_the_clocks_change(zone: str, change: str) -> None:
    at = parse_instant(change)
    monitor = SiteMonitor(plant=a_plant(zone),
                          settings=settings(pressure_low={"on_delay": 10 * MINUTE}))
    monitor.feed(readings(at - 30 * MINUTE, at - 5 * MINUTE))
    assert alarms(monitor.feed(readings(at - 5 * MINUTE, at + 4 * MINUTE, 15.0))) == []
    events = monitor.feed(readings(at + 4 * MINUTE, at + 6 * MINUTE, 15.0))
    assert alarms(events) == [("pressure-low", at + 5 * MINUTE)]


def alarms(events: Sequence[Event]) -> list[tuple[str, int]]:
    return [(e.condition, e.time) for e in events if isinstance(e, AlarmTransition)]


def test_every_instant_of_a_day_with_25_hours_has_its_own_text() -> None:
    start = parse_instant("2026-10-24T23:00:00Z")
    texts = [time_text(start + n * 30 * MINUTE, LONDON) for n in range(50)]
    assert len(set(texts)) == 50, "the repeated hour is told from the first"


@pytest.mark.parametrize("zone", [LONDON, LORD_HOWE, ZoneInfo("America/St_Johns")])
def test_a_shift_is_on_duty_at_every_instant_of_the_year(zone: ZoneInfo) -> None:
    start = parse_instant("2026-01-01T00:00:00Z")
    night, day = parse_hours("19:00-07:00"), parse_hours("07:00-19:00")
    for n in range(365 * 48):
        local = local_time(start + n * 30 * MINUTE, zone)
        assert (night.day_of(local) is None) != (day.day_of(local) is None)


def test_a_rota_changes_hands_once_a_week_through_both_changes() -> None:
    rota = Rota(id="duty", zone=LONDON, people=("ann", "bob"), begins=date(2026, 1, 5))
    start, hands = parse_instant("2026-01-05T00:00:00Z"), []
    for n in range(365 * 24):
        first = turns(rota, start + n * HOUR)[0]
        if not hands or hands[-1] != first:
            hands.append(first)
    assert 51 <= len(hands) <= 54
    assert hands[:4] == ["bob", "ann", "bob", "ann"]  # bob until the first hand-over at 08:00


# -- leap seconds ---------------------------------------------------------------------------------

@pytest.mark.parametrize("text", ["2016-12-31T23:59:60Z", "2016-12-31T23:59:60.500Z"])
def test_a_leap_second_in_a_recording_is_named_and_not_guessed(tmp_path: Path, text: str) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"time,point,value\n2016-12-31T23:59:59Z,r1.pressure,25\n"
                    f"{text},r1.pressure,25\n2017-01-01T00:00:00Z,r1.pressure,25\n")
    with pytest.raises(Exception, match="line 3"):
        list(read_recordings([path]))


def test_a_second_that_comes_twice_loses_no_reading(tmp_path: Path) -> None:
    """A machine whose clock is set back by the leap second reads two values in one second."""
    at = parse_instant("2016-12-31T23:59:59Z")
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        for value in (25.0, 26.0, 26.0, 27.0):
            journal.commit([Reading(point="r1.pressure", asked=at, time=at, value=value)], [])
        found = [(r.time - at, r.value) for r in journal.readings(None, None, None)]
    assert found == [(0, 25.0), (1, 26.0), (2, 27.0)]


@pytest.mark.parametrize("step", [-1000, -999, 1000, 500])
def test_a_smeared_or_stepped_second_raises_nothing(step: int) -> None:
    at = parse_instant("2016-12-31T23:00:00Z")
    monitor = SiteMonitor(plant=a_plant("UTC"), settings=settings())
    events = monitor.feed(readings(at, at + HOUR))
    events += monitor.feed(readings(at + HOUR + step, at + 2 * HOUR))
    assert alarms(events) == []


@pytest.mark.parametrize("text", [
    "1969-12-31T23:59:59Z", "9999-12-31T23:59:59Z", "2038-01-19T03:14:08Z",
    "2100-02-28T23:59:59Z", "2000-02-29T12:00:00Z"])
def test_an_instant_is_written_as_it_was_read(text: str) -> None:
    assert format_instant(parse_instant(text)) == text


# -- no network time at boot ----------------------------------------------------------------------

def test_a_device_that_starts_in_1970_and_gets_the_time_later_raises_nothing() -> None:
    now = parse_instant("2026-03-01T00:00:00Z")
    monitor = SiteMonitor(plant=a_plant("UTC"), settings=settings())
    events = monitor.feed(readings(5 * SECOND, 10 * MINUTE))
    began = time.monotonic()
    events += monitor.feed(readings(now, now + 10 * MINUTE))
    assert time.monotonic() - began < 20
    assert alarms(events) == []


# -- large ----------------------------------------------------------------------------------------

def large_site(points: int) -> str:
    """A site with so many points: three at each riser, two at its vent, ten risers a generator."""
    risers = points // 5
    parts = ['[site]\nid = "large"\nname = "Large"\ntimezone = "UTC"\n']
    for n in range(risers):
        if n % 10 == 0:
            parts.append(f'[[generators]]\nid = "gen{n // 10}"\n')
        parts.append(f'[[risers]]\nid = "r{n}"\nfed_by = "gen{n // 10}"\n'
                     'low_pressure = "18 psi"\n'
                     f'[[vents]]\nid = "v{n}"\nriser = "r{n}"\n')
    return "\n".join(parts)


@pytest.mark.slow
def test_a_site_of_ten_thousand_points_is_read_fed_and_stored(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(large_site(10_000))
    began = time.process_time()
    config = load_site(path)
    assert time.process_time() - began < 30
    plant = config.plant
    names = [f"{r}.{q}" for r in plant.risers for q in ("pressure", "pipe_temperature", "low_air")]
    names += [f"{v}.{q}" for v in plant.vents for q in ("oxygen", "open")]
    assert len(names) == 10_000
    values = {"pressure": 25.0, "pipe_temperature": 15.0, "low_air": 0.0, "oxygen": 1.5,
              "open": 0.0}
    assert set(values) <= set(QUANTITIES["riser"]) | set(QUANTITIES["vent"])
    monitor = SiteMonitor(plant=plant, settings=config.settings)
    start = parse_instant("2026-03-01T00:00:00Z")
    began, polls = time.process_time(), 4
    with Journal.open(tmp_path / "journal.sqlite") as journal:
        for n in range(polls):
            at = start + n * 10 * SECOND
            batch = [Reading(point=name, asked=at, time=at, value=values[name.split(".")[1]])
                     for name in names]
            journal.commit(batch, monitor.feed(batch))
        assert len(journal.points()) == 10_000
        assert len(journal.last_readings()) == 10_000
    # Ten seconds between two polls: the processor must need less for one.
    assert (time.process_time() - began) / polls < 10


def test_one_thing_more_or_less_of_a_large_site_is_one_mistake(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(large_site(2_000) + '\n[[vents]]\nid = "v7"\nriser = "r999999"\n')
    with pytest.raises(Exception, match="v7") as caught:
        load_site(path)
    assert len(caught.value.mistakes) <= 3  # type: ignore[attr-defined]


# -- sign-in under load ---------------------------------------------------------------------------

_CROWD = """
import asyncio, resource, sys
from pathlib import Path
from collector.clock import SystemClock
from collector.people import Accounts, Role
from collector.people.sessions import SessionManager
people = Accounts(Path(sys.argv[1]))
people.add("Ann", Role.MANAGE, "nine lives of a cat", 0)
keeper = SessionManager(people, SystemClock())
async def one(n):
    try:
        await keeper.sign_in("Ann", "guess", f"192.0.{n // 250}.{n % 250}")
    except Exception as error:
        return type(error).__name__
async def main():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    said = await asyncio.gather(*(one(n) for n in range(400)))
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, said.count("WrongPassword"))
    assert await keeper.sign_in("Ann", "nine lives of a cat", "x", keeper.device_mark("Ann"))
asyncio.run(main())
"""


def test_four_hundred_sign_ins_at_once_cost_the_memory_of_two(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", _CROWD, str(tmp_path / "people.sqlite")], capture_output=True,
        text=True, check=True, env={"PYTHONPATH": str(Path(__file__).resolve().parents[2])})
    grew, looked_at = map(int, done.stdout.split())
    assert looked_at <= 5
    assert grew < 2 * 65_536 + 20_000  # kB: two hashes of 64 MiB


async def test_a_sign_in_without_memory_for_it_is_no_wrong_password(tmp_path: Path) -> None:
    from argon2 import PasswordHasher
    from argon2.exceptions import VerificationError

    class Short(PasswordHasher):
        full = True

        def verify(self, hash: str | bytes, password: str | bytes) -> bool:  # type: ignore[override]
            if self.full:
                raise VerificationError("Memory allocation error")
            return super().verify(hash, password)

    hasher = Short(time_cost=1, memory_cost=8, parallelism=1)
    people = Accounts(tmp_path / "people.sqlite", Passwords(hasher))
    people.add("Ann", Role.MANAGE, GOOD, 0)
    keeper = SessionManager(people, ManualClock(1_784_448_605_000))
    for _ in range(12):
        with pytest.raises(AccountsError, match="could not be checked: Memory"):
            await keeper.sign_in("Ann", GOOD, "192.0.2.1")
    hasher.full = False
    assert await keeper.sign_in("Ann", GOOD, "192.0.2.1"), "none of these counts as a wrong one"
    people.close()
