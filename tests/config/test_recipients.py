"""People, rotas and escalations of a site file: read whole, and every mistake with its place."""

from __future__ import annotations

from datetime import date, datetime, time

import pytest

from collector.notify.recipients import Step

PEOPLE = """
[[people]]
id = "ann"
name = "Ann Archer"
to = "mailto://mail.example/?to=ann@works.example"

[[people]]
id = "ben"
to = "mailto://mail.example/?to=ben@works.example"

[[rotas]]
id = "weeks"
people = ["ann", "ben"]
begins = 2026-01-05
hand_over = "17:30"
weeks = 2
timezone = "America/Chicago"
holidays = [2026-04-06, "2026-12-25"]
overrides = [{ starts = 2026-07-01T08:00:00, ends = "2026-07-04T08:00", person = "ben" }]

[[recipients]]
id = "duty"
rota = "weeks"
quiet = ["19:00-24:00", "00:00-07:00"]
escalate = [
  { after = "15 min", call = "weeks", turn = 2 },
  { after = "20 min", call = "ben" },
]
repeat = "30 min"
"""


def test_everything_is_read(folder):
    config = folder.add(PEOPLE).load()
    rota = config.rotas["weeks"]
    assert (rota.people, rota.begins, rota.hand_over) == (("ann", "ben"), date(2026, 1, 5),
                                                          time(17, 30))
    assert (rota.weeks, str(rota.zone)) == (2, "America/Chicago")
    assert rota.holidays == {date(2026, 4, 6), date(2026, 12, 25)}
    assert rota.overrides[0].end == datetime(2026, 7, 4, 8)  # noqa: DTZ001 - a wall clock
    duty = config.recipients[-1]
    assert (duty.rota, duty.to, duty.repeat, duty.repeats) == ("weeks", "", 1_800_000, 3)
    assert duty.escalate == (Step(after=900_000, call="weeks", turn=2),
                             Step(after=1_200_000, call="ben"))
    assert [str(h) for h in duty.quiet] == ["19:00-24:00", "00:00-07:00"]
    assert [(p.id, p.called, p.routes) for p in config.people] == [("ann", "Ann Archer", ()),
                                                                   ("ben", "ben", ())]


def test_without_a_zone_a_rota_keeps_the_sites(folder):
    config = folder.add(PEOPLE.replace('timezone = "America/Chicago"\n', "")).load()
    assert str(config.rotas["weeks"].zone) == config.plant.site.timezone


@pytest.mark.parametrize(("old", "new", "place", "problem"), [
    ('people = ["ann", "ben"]', 'people = ["ann", "bne"]', "rotas[0].people",
     'there is no person "bne"; did you mean "ben"?'),
    ('people = ["ann", "ben"]', "people = []", "rotas[0].people", "this rota has no one on it"),
    ('"America/Chicago"', '"America/Chicag"', "rotas[0].timezone",
     'no time zone is called "America/Chicag"'),
    ('hand_over = "17:30"', 'hand_over = "5 pm"', "rotas[0].hand_over",
     "not usable as hand_over: '5 pm'"),
    ('ends = "2026-07-04T08:00"', "ends = 2026-07-01T07:00:00", "rotas[0].overrides[0].ends",
     "it ends before it starts"),
    ("starts = 2026-07-01T08:00:00", 'starts = "2026-07-01T08:00Z"',
     "rotas[0].overrides[0].starts", "not a time by the wall clock of the rota"),
    ('person = "ben" }', 'person = "cat" }', "rotas[0].overrides[0].person",
     'there is no person "cat"'),
    ('rota = "weeks"', 'rota = "week"', "recipients[0].rota",
     'there is no rota "week"; did you mean "weeks"?'),
    ('rota = "weeks"', "", "recipients[0]", '"to" is missing'),
    ('rota = "weeks"', 'rota = "weeks"\nto = "mailto://mail.example"', "recipients[0].rota",
     '"rota" stands beside to'),
    ('call = "ben"', 'call = "chief"', "recipients[0].escalate[1].call",
     'there is no person, rota or recipient "chief"'),
    ('after = "20 min", ', "", "recipients[0].escalate[1]", '"after" is missing'),
    ('quiet = ["19:00-24:00", "00:00-07:00"]', 'quiet = "at night"', "recipients[0].quiet",
     "not hours: 'at night'"),
    ('id = "duty"', 'id = "ann"', "recipients[0].id", '"ann" is there already'),
])
def test_each_mistake_has_its_place(folder, old, new, place, problem):
    assert old in PEOPLE
    (only,) = folder.add(PEOPLE.replace(old, new, 1)).mistakes()
    assert only.place.endswith(f": {place}")
    assert only.problem == problem


def test_a_short_link_key_is_refused(folder, monkeypatch):
    monkeypatch.setenv("LINK_KEY", "too short")
    (only,) = folder.add('[board]\nlink_key = "env:LINK_KEY"\n').mistakes()
    assert only.problem == "too short to keep links safe"
    assert "too short" not in only.expected


def test_a_heartbeat(folder, monkeypatch):
    monkeypatch.setenv("BEAT", "https://beat.example/ping/abcd")
    config = folder.add('[heartbeat]\nurl = "env:BEAT"\nevery = "1 min"\nmethod = "POST"\n').load()
    assert config.heartbeat is not None
    assert (config.heartbeat.every, config.heartbeat.method) == (60_000, "POST")
    assert "abcd" not in repr(config.heartbeat)
    monkeypatch.setenv("BEAT", "ftp://beat.example")
    (only,) = folder.mistakes()
    assert only.problem == "not a web address"
