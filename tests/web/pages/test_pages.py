"""Each page of the board: what it says, how it is built, and what it refuses."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import httpx
import pytest

from collector.domain.events import INSTANT_UNIT, EstimateMade
from collector.domain.live import AlarmState
from collector.domain.readings import Quality, Reading, TrendStep
from collector.web import create_app
from collector.web.access import HttpError
from collector.web.pages.compressor_page import duty, expected_curve, predicted_tau, runs_of
from collector.web.views.assets import branches
from collector.web.views.trends import occurrences, read_range
from tests.house.words import SCREENS, screen_text
from tests.web.api.test_reading import Page
from tests.web.conftest import Signed, client_of
from tests.web.fakes import HOUR, MINUTE, NOW, FakeSite, history, plant
from tests.web.views.test_views import view

PAGES = (
    "/", "/alarms", "/work", "/health", "/things/gen1", "/things/gen2", "/things/r1",
    "/things/r1-vent", "/things/plant-room", "/things/gen1/compressor", "/things/r2-vent/purge",
    "/points/gen1.tank_pressure", "/explain", "/sign-in",
)
LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize("path", [*PAGES, "/account"])
async def test_every_page_is_well_built(signed: Signed, path: str) -> None:
    client = await signed("R. Okafor")
    answer = await client.get(path)
    assert answer.status_code == 200
    page = Page(answer.text)
    assert SCREENS.findall(screen_text(answer.text)) == []
    assert [len(page.all(tag)) for tag in ("main", "h1", "footer")] == [1, 1, 1]
    assert page.all("nav")
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    labels = {i or "" for _, a in page.tags if "aria-labelledby" in a
              for i in (a["aria-labelledby"] or "").split()}
    assert labels <= set(ids)
    assert not page.all("style")
    assert not any("style" in a or any(n.startswith("on") for n in a) for _, a in page.tags)
    assert all("src" in script for script in page.all("script"))
    addresses = [a[n] or "" for _, a in page.tags for n in ("src", "href", "action") if n in a]
    assert all(a.startswith(("/", "#", "?", "http://schemas")) and not a.startswith("//")
               for a in addresses)
    posts = [a for tag, a in page.tags if tag == "form" and (a.get("method") or "") == "post"]
    marks = [a for a in page.all("input") if a.get("name") in ("csrf", "mark")]
    assert len(marks) == len(posts)


@pytest.mark.parametrize("path", PAGES)
async def test_the_page_one_is_on_is_marked(client: httpx.AsyncClient, path: str) -> None:
    marked = re.findall(r'href="([^"]+)" aria-current="page"', (await client.get(path)).text)
    expected = [path] if path in ("/", "/alarms", "/work", "/health", "/explain") else []
    assert marked == expected


@pytest.mark.parametrize("path", [
    "/things/nowhere", "/things/r1/compressor", "/things/gen1/purge", "/things/gen1-controller",
    "/points/gen1.nothing", "/points/nowhere.pressure", "/points/gen1", "/points/r1.low_air_no",
    "/things/%3Cscript%3E", "/alarms?thing=nowhere", "/alarms?condition=nothing",
])
async def test_what_is_not_there_is_not_found(client: httpx.AsyncClient, path: str) -> None:
    answer = await client.get(path, headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "<script>" not in answer.text


@pytest.mark.parametrize("query", ["?to=yesterday", "?to=1e300", "?from=x", "?from=2026-13-01"])
async def test_times_that_are_none_are_refused(client: httpx.AsyncClient, query: str) -> None:
    path = "/alarms" if "from" in query else "/things/gen1"
    assert (await client.get(path + query)).status_code == 400


# -- overview ------------------------------------------------------------------------------------

def test_the_plant_hangs_together_as_it_is_piped() -> None:
    site = FakeSite()
    piped, others = branches(site.plant, view(site).assets, site.picture.points())
    assert [(b.source.asset.id if b.source else None,
             [(r.asset.id, [v.asset.id for v in r.vents]) for r in b.risers]) for b in piped] == [
        ("gen1", [("r1", ["r1-vent"]), ("r3", [])]), ("gen2", [("r2", ["r2-vent"])]),
    ]
    assert [n.asset.id for n in others] == ["plant-room"]
    assert [p.label for p in piped[0].source.first] == [  # type: ignore[union-attr]
        "tank pressure", "compressor", "mode", "product oxygen"]


def test_nothing_of_the_plant_is_lost_when_its_piping_is_not_said() -> None:
    site = FakeSite()
    risers = {n: replace(r, fed_by=None) for n, r in site.plant.risers.items()}
    bare = replace(site.plant, risers=risers)
    piped, _ = branches(bare, view(plant=bare).assets, site.picture.points())
    assert [(b.source is None, len(b.risers)) for b in piped] == [(False, 0), (False, 0), (True, 3)]


# -- trends --------------------------------------------------------------------------------------

async def test_a_thing_shows_its_trends_with_limits_gaps_and_alarms(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    site.plant = replace(site.plant, risers=site.plant.risers | {
        "r3": replace(site.plant.risers["r3"], low_pressure=18.0, high_pressure=40.0)})
    text = Page((await client.get("/things/r3?span=1w")).text).text
    assert "low, 18 psi" in text
    assert "Pressure low" in text  # of yesterday, marked on the plot
    assert "1 gap without readings." in text
    assert "Lowest" in text


async def test_trends_are_asked_for_the_span_that_is_chosen(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    await client.get("/points/r1.pressure?span=1y")
    point, start, end, step = site.trends[0]
    assert (point, end, start) == ("r1.pressure", NOW, (NOW - 366 * 24 * HOUR) // HOUR * HOUR)
    assert step % HOUR == 0  # whole hours: the journal keeps their aggregates ready


def test_ranges_lead_back_and_forth_and_never_past_now() -> None:
    shown = read_range({"span": "1w", "to": str((NOW - 30 * 24 * HOUR) // 1000)}, NOW, LONDON)
    assert shown.end - shown.start == 7 * 24 * HOUR + shown.end % HOUR
    assert (shown.start % HOUR, shown.step()) == (0, HOUR)
    assert shown.earlier == f"?span=1w&to={shown.start // 1000}"
    assert shown.later.startswith("?span=1w&to=")
    ahead = read_range({"to": str(NOW // 1000 + 10_000)}, NOW, LONDON)
    assert (ahead.end, ahead.now, ahead.later) == (NOW, True, "")
    assert [c.current for c in read_range({"span": "junk"}, NOW, LONDON).choices].index(True) == 1
    with pytest.raises(HttpError):
        read_range({"to": "soon"}, NOW, LONDON)


def test_alarms_become_stretches_and_the_live_ones_stay_open() -> None:
    site = FakeSite()
    found = {(o.condition, o.asset): o for o in
             occurrences([e for e in history() if hasattr(e, "transition")], site.alarms)}
    low = found["pressure-low", "r3"]
    assert low.end is not None
    assert low.start == NOW - 1200 * MINUTE
    assert found["device-silent", "gen2-controller"].end is None


# -- compressor ----------------------------------------------------------------------------------

def steps(means: Sequence[float | None], length: int = MINUTE) -> list[TrendStep]:
    return [TrendStep(start=n * length, end=(n + 1) * length, count=0 if m is None else 12,
                      low=m, mean=m, high=m) for n, m in enumerate(means)]


def test_runs_are_told_from_the_contact_to_a_part_of_a_step() -> None:
    runs = runs_of(steps([0, 0.5, 1, 1, 0.25, 0, 0, 0.5, 0]))
    assert [(r.start, r.end, r.length, r.sure) for r in runs] == [
        (90_000, 255_000, 165_000, True), (420_000, 450_000, 30_000, True)]
    assert runs_of(steps([0, 0, None, 0])) == []
    late = runs_of(steps([0, 1, None, 1, 0]))  # a poll that was late
    assert [(r.start, r.end, r.sure) for r in late] == [(60_000, 240_000, True)]


def test_a_run_that_a_gap_or_the_edge_cuts_says_so() -> None:
    cut = runs_of(steps([1, 0, None, None, 1, 0, 1, None, None, 0, 1]))
    assert [r.sure for r in cut] == [False, False, False, False]


def test_duty_counts_only_what_was_watched() -> None:
    assert duty(steps([1, None, 0, 0.5])) == pytest.approx(0.5)
    assert duty(steps([None, None])) is None


async def test_the_compressor_page(client: httpx.AsyncClient, site: FakeSite) -> None:
    text = Page((await client.get("/things/gen1/compressor")).text).text
    assert re.search(r"Duty \d+ % , \d+ runs", text)
    assert "baseline, 41.2 scfh" in text
    assert "Last runs Start Run time Off time before start" in text
    year = Page((await client.get("/things/gen1/compressor?span=1y")).text).text
    assert "Single runs are listed for ranges up to a week" in year
    assert "Duty by day" in year


# -- purge ---------------------------------------------------------------------------------------

def test_the_expected_curve_is_the_sweep_of_the_textbook() -> None:
    site = plant()
    vent = site.vents["r2-vent"]
    tau = predicted_tau(site, vent)
    assert tau is not None
    # By hand: 0.6 m3 at 25 psig and 15 degC hold n = p V / (R T), swept by 0.0002 mol/s.
    absolute = 25 * 6894.757 + 101_325
    assert tau == pytest.approx(1000 * absolute * 0.6 / (8.314462618 * 288.15) / 0.0002, rel=1e-3)
    measured = [TrendStep(start=0, end=HOUR, count=9, low=20.0, mean=20.0, high=20.0)]
    curve = expected_curve(site, vent, measured, 2.0, round(tau))
    assert curve is not None
    at, value = curve.points[-1]
    assert value == pytest.approx(2.0 + 18.0 * math.exp(-at / tau), rel=1e-9)


def test_without_volume_or_flow_nothing_is_expected() -> None:
    site = plant()
    assert predicted_tau(site, site.vents["r1-vent"]) is None
    measured = [TrendStep(start=0, end=HOUR, count=9, low=1.0, mean=1.0, high=1.0)]
    assert expected_curve(site, site.vents["r2-vent"], measured, 2.0, 2 * HOUR) is None  # done
    assert expected_curve(site, site.vents["r2-vent"], [], 2.0, HOUR) is None


async def test_the_purge_page(client: httpx.AsyncClient, site: FakeSite) -> None:
    site.picture.update([Reading(point="r2-vent.oxygen", asked=NOW, time=NOW, value=6.5,
                                 quality=Quality.GOOD)])
    site.estimates.append(EstimateMade(
        time=NOW, site="fenmoor", quantity="purge-done-at", asset="r2-vent", unit=INSTANT_UNIT,
        value=NOW / 1000 + 86_400, low=NOW / 1000 + 43_200, high=NOW / 1000 + 259_200))
    text = Page((await client.get("/things/r2-vent/purge")).text).text
    assert "6.5 % oxygen now, target 2.0 %" in text
    assert "Done 20 Jul 09:10, in 1 d (nine times in ten from 19 Jul 21:10 to 22 Jul 09:10)." \
        in text.replace("from 21:10", "from 19 Jul 21:10")
    assert "Expected, dotted: a well-mixed pipe" in text
    assert "Caution." in text
    none = Page((await client.get("/things/r1-vent/purge")).text).text
    assert "No forecast: oxygen has not fallen enough to tell." in none
    assert "Expected fall not known" in none


# -- alarms, health ------------------------------------------------------------------------------

async def test_the_history_is_searched_by_what_was_asked(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    page = Page((await client.get(
        "/alarms", params={"q": 'low "x', "thing": "r3", "condition": "pressure-low",
                           "from": "2026-07-18", "to": "2026-07-19", "all": "1"})).text)
    search = site.searches[-1]
    assert search.words == ("low", '\\"x')
    assert (search.asset, search.condition, search.alarms_only) == ("r3", "pressure-low", False)
    # Midnight by the site's clock: 23:00 UTC the day before, in summer.
    assert search.start == 1_784_329_200_000
    assert search.end == 1_784_502_000_000
    assert "Nothing found." in page.text
    kept = {a.get("name"): a.get("value") for a in page.all("input")}
    assert kept["q"] == 'low "x'
    await client.get("/alarms")
    assert site.searches[-1].start is None


async def test_more_than_a_page_of_history_leads_on(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    site.events = [replace(site.events[1], time=NOW - n * MINUTE) for n in range(150, 0, -1)]
    first = Page((await client.get("/alarms")).text)
    link = next(a["href"] for a in first.all("a") if "before=" in (a.get("href") or ""))
    assert link is not None
    await client.get("/alarms" + link.partition("#")[0])
    assert site.searches[-1].end == NOW - 100 * MINUTE + 1


async def test_health_names_what_ails(client: httpx.AsyncClient) -> None:
    text = Page((await client.get("/health")).text).text
    assert "Controller of the freezer generator not responding: no reply within 1 s" in text
    assert text.index("freezer generator not") < text.index("dock generator responding")
    assert "on-call: Compressor running too long given up (no route to host)" in text
    assert "Not monitored 5" in text


@pytest.mark.parametrize(("name", "words"), [
    ("L. Ames", "you need the role “respond”; yours is “look”"),
    ("", "Sign in to acknowledge or shelve"),
])
async def test_who_may_not_act_is_told_and_sees_no_form(
    signed: Signed, client: httpx.AsyncClient, name: str, words: str
) -> None:
    page = (await (await signed(name) if name else client).get("/alarms")).text
    assert words in Page(page).text
    assert "/acknowledge" not in page


async def test_only_managers_see_what_is_theirs(signed: Signed) -> None:
    ours = {n: (await (await signed(n)).get("/alarms")).text
            + (await (await signed(n)).get("/work")).text for n in ("J. Whitlock", "R. Okafor")}
    for path in ("/take-out", "/reset"):
        assert path not in ours["J. Whitlock"]
        assert path in ours["R. Okafor"]


async def test_a_site_with_nothing_in_it_still_has_its_pages(site: FakeSite) -> None:
    site.plant = replace(site.plant, generators={}, risers={}, vents={}, rooms={}, devices={})
    site.picture = type(site.picture)()
    site.alarms, site.events, site.not_monitored, site.estimates = [], [], [], []
    site.baselines = []
    async with client_of(create_app(site.services())) as client:
        for path in ("/", "/alarms", "/work", "/health"):
            assert (await client.get(path)).status_code == 200


@pytest.mark.parametrize("path", ["/alarms", "/things/gen1"])
async def test_only_what_is_held_back_by_design_and_not_there_is_folded(
    client: httpx.AsyncClient, site: FakeSite, path: str,
) -> None:
    held = replace(site.alarms[1], state=AlarmState.SUPPRESSED, why="impairment: acceptance")
    gone = [replace(held, id=f"{c}.gen1.1", condition=c, present=False)
            for c in ("tank-leak", "compressor-overduty")]
    site.alarms = [held, *gone]
    text = (await client.get(path)).text
    seen, _, folded = text.partition('data-part="suppressed"')
    folded = folded.partition("</details>")[0]
    assert "Compressor running too long" in seen  # there, though held back: it stays in sight
    assert "2 alarms suppressed by design, not present" in folded
    assert [t for t in ("Tank leak", "Compressor duty high",
                        "Compressor running too long") if t in folded] == [
        "Tank leak", "Compressor duty high"]
    assert "Tank leak" not in seen
    site.alarms = [held]
    assert "and not present" not in (await client.get(path)).text
    site.alarms = [replace(a, state=AlarmState.OUT_OF_SERVICE) for a in gone]
    assert "and not present" not in (await client.get(path)).text  # people did that: it shows
    site.alarms = gone
    if path == "/alarms":
        assert 'Current alarms <span class="tally">0</span>' in (await client.get(path)).text


async def test_a_thing_names_each_drawing_and_its_strips(client: httpx.AsyncClient) -> None:
    page = Page((await client.get("/things/gen1")).text)
    text = (await client.get("/things/gen1")).text
    drawings = text.count("<figure>")
    assert drawings == text.count("<figcaption><strong>") > 1
    assert all(float(str(a["viewbox"]).split()[2]) <= 400 for a in page.all("svg")
               if a.get("class") == "plot")  # a phone shows it whole
