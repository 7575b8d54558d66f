"""What the interface answers to those who only read."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from collector.domain.conditions import CAUTIONS
from collector.domain.errors import JournalError
from collector.domain.events import EstimateMade, Event
from collector.domain.plant import Generator
from collector.domain.readings import Quality, Reading
from collector.web import create_app
from tests.web.conftest import Signed
from tests.web.fakes import HOUR, NOW, TOKEN, FakeSite, declared, plant

READ_PATHS = ("/", "/alarms", "/work", "/health", "/things/r1", "/api/v1/status",
              "/api/v1/alarms", "/api/v1/estimates",
              "/api/v1/series?point=r1.pressure", "/api/v1/fills", "/api/v1/baselines",
              "/healthz", "/metrics", "/openapi.json")


class Page(HTMLParser):
    """Tags, addresses and text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.mark.parametrize("path", READ_PATHS)
async def test_every_answer_carries_the_protective_headers(
    client: httpx.AsyncClient, path: str
) -> None:
    answer = await client.get(path)
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert TOKEN not in answer.text


async def test_errors_carry_them_too(client: httpx.AsyncClient) -> None:
    answer = await client.get("/nothing-here")
    assert answer.status_code == 404
    assert answer.json() == {"error": "There is nothing at this address."}
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize("path", ["/docs", "/redoc", "/static/../app.py", "/static/app.py",
                                  "/static/%2e%2e%2fapp.py"])
async def test_nothing_else_is_served(client: httpx.AsyncClient, path: str) -> None:
    assert (await client.get(path)).status_code == 404


async def test_the_board_says_what_is_not_normal_where_and_since_when(
    client: httpx.AsyncClient,
) -> None:
    page = Page((await client.get("/")).text)
    assert "Compressor running too long and 1 more" in page.text
    assert ("Generator, dock end, since 08:53. 2 not acknowledged."
            in page.text)
    assert "Sunday 19 July 2026, 09:10 BST" in page.text  # the site's zone, not UTC
    quiet = Page((await client.get("/alarms")).text).text
    assert "shelved until 16:10, by R. Okafor: terminal to be remade on Tuesday" in quiet
    assert CAUTIONS["not-a-fire-alarm"] in page.text
    entrance = Page((await client.get("/sign-in")).text).text
    for caution in CAUTIONS.values():
        assert caution in entrance


async def test_the_most_pressing_alarm_comes_first(client: httpx.AsyncClient) -> None:
    alarms = (await client.get("/api/v1/alarms")).json()["alarms"]
    assert [a["state"] for a in alarms] == [
        "unacknowledged", "acknowledged", "returned-unacknowledged", "shelved",
    ]
    assert alarms[0]["since"] == "2026-07-19T07:53:05Z"
    assert alarms[0]["values"] == {"run_minutes": 17.2, "limit_minutes": 12.0}
    assert alarms[0]["title"] == "Compressor running too long"


async def test_the_board_needs_no_other_host_and_nothing_inline(client: httpx.AsyncClient) -> None:
    html = (await client.get("/")).text
    page = Page(html)
    addresses = [attrs[name] or "" for _, attrs in page.tags
                 for name in ("src", "href", "action") if name in attrs]
    assert addresses
    assert all(a.startswith(("/", "#")) and not a.startswith("//") for a in addresses)
    assert all("src" in script for script in page.all("script"))
    assert not page.all("style")
    assert not any("style" in attrs or any(n.startswith("on") for n in attrs)
                   for _, attrs in page.tags)
    for address in {a for a in addresses if a.startswith("/static/")}:
        answer = await client.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
        # Names of schemes appear only as the XML name space of a drawing.
        assert not re.findall(r"(?:https?:)?//[a-z0-9-]+\.[a-z]", answer.text.replace(
            "http://www.w3.org/2000/svg", ""))


async def test_landmarks_headings_and_labels(signed: Signed) -> None:
    client = await signed("R. Okafor")
    page = Page((await client.get("/")).text)
    assert [len(page.all(tag)) for tag in ("main", "h1", "footer")] == [1, 1, 1]
    assert page.all("html")[0]["lang"] == "en"
    status = [a for _, a in page.tags if a.get("role") == "status"]
    assert len(status) == 1
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    labels = [a["aria-labelledby"] for _, a in page.tags if "aria-labelledby" in a]
    assert set(labels) <= set(ids)
    # Every field sits in a label: as many labels as fields that a person fills in.
    fields = [a for a in page.all("input") + page.all("select") if a.get("type") != "hidden"]
    assert len(page.all("label")) == len(fields) > 0


async def test_first_load_is_small(client: httpx.AsyncClient) -> None:
    page = (await client.get("/")).content
    css, js = [(await client.get(f"/static/board.{k}")).content for k in ("css", "js")]
    assert len(page) + len(css) + len(js) < 200_000


async def test_status_gives_points_in_units_of_record(client: httpx.AsyncClient) -> None:
    status = (await client.get("/api/v1/status")).json()
    points = {p["point"]: p for p in status["points"]}
    assert points["gen1.tank_pressure"] == {
        "point": "gen1.tank_pressure", "value": 63.4, "unit": "psi", "quality": "good", "why": "",
        "time": "2026-07-19T08:10:04Z", "age": 1.0, "last_good": "2026-07-19T08:10:04Z",
    }
    assert points["gen2.mode"]["quality"] == "stale"
    assert points["gen2.mode"]["last_good"] == "2026-07-19T07:56:05Z"
    assert (status["alive"], status["live_alarms"], status["unacknowledged"]) == (True, 4, 2)
    assert status["cautions"] == list(CAUTIONS.values())
    assert {"condition": "pressure-low", "asset": "r2", "reason": "no low_pressure for r2"} \
        in status["not_watched"]


async def test_series_asks_for_the_last_day_unless_told(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    answer = (await client.get("/api/v1/series", params={"point": "r1.pressure"})).json()
    assert site.trends == [("r1.pressure", NOW - 24 * HOUR, NOW, 172_800)]
    assert answer["unit"] == "psi"
    assert answer["from"] == "2026-07-18T08:10:05Z"
    assert answer["steps"][1]["time"] == "2026-07-18T08:12:57.800Z"
    gap = next(s for s in answer["steps"] if not s["count"])
    assert (gap["low"], gap["mean"], gap["high"]) == (None, None, None)


@pytest.mark.parametrize(("every", "step"), [("60", 60_000), ("5 min", 300_000), ("500ms", 500),
                                             ("1.5 h", 5_400_000)])
async def test_series_reads_offsets_seconds_and_spans(
    client: httpx.AsyncClient, site: FakeSite, every: str, step: int
) -> None:
    asked = {"point": "gen1.trouble_no", "from": "2026-07-19T08:00:00+01:00", "to": "1784448000",
             "every": every}
    answer = await client.get("/api/v1/series", params=asked)
    if step == 500:
        assert (answer.status_code, site.trends) == (400, [])  # an hour of them is too many
        return
    assert answer.status_code == 200
    assert site.trends == [("gen1.trouble_no", 1_784_444_400_000, 1_784_448_000_000, step)]


@pytest.mark.parametrize(("params", "status", "words"), [
    ({}, 422, "'point'"),
    ({"point": ""}, 422, "'point'"),
    ({"point": "x" * 10_000}, 422, "'point'"),
    ({"point": "gen1.nonsense"}, 404, "no such point"),
    ({"point": "nowhere.pressure"}, 404, "no such point"),
    ({"point": "nodot"}, 404, "no such point"),
    ({"point": "r1.pressure", "from": "yesterday"}, 400, "'from' is not a time: 'yesterday'"),
    ({"point": "r1.pressure", "from": "2026-07-19T08:00:00"}, 400, "offset"),
    ({"point": "r1.pressure", "to": "nan"}, 400, "'to' is not a time"),
    ({"point": "r1.pressure", "to": "inf"}, 400, "'to' is not a time"),
    ({"point": "r1.pressure", "to": "1e300"}, 400, "'to' is not a time"),
    ({"point": "r1.pressure", "to": "-5"}, 400, "'to' is not a time"),
    ({"point": "r1.pressure", "from": "9" * 5000}, 422, "'from'"),
    ({"point": "r1.pressure", "from": "1784448600", "to": "1784448600"}, 400, "before"),
    ({"point": "r1.pressure", "every": "0"}, 400, "'every'"),
    ({"point": "r1.pressure", "every": "-1 s"}, 400, "'every'"),
    ({"point": "r1.pressure", "every": "5 parsec"}, 400, "'every'"),
    ({"point": "r1.pressure", "every": "1 s"}, 400, "more than 5000 steps"),
    ({"point": "r1.pressure", "from": "0", "every": "1 ms"}, 400, "more than 5000 steps"),
])
async def test_series_refuses_in_plain_words(
    client: httpx.AsyncClient, site: FakeSite, params: dict[str, str], status: int, words: str
) -> None:
    answer = await client.get("/api/v1/series", params=params)
    assert answer.status_code == status
    assert list(answer.json()) == ["error"]
    assert words in answer.json()["error"]
    assert len(answer.text) < 400
    assert site.trends == []


async def test_estimates_have_a_value_or_a_reason(client: httpx.AsyncClient) -> None:
    demand, purge = (await client.get("/api/v1/estimates")).json()["estimates"]
    assert (demand["value"], demand["low"], demand["high"]) == (2.31, 2.10, 2.52)
    assert demand["window"] == ["2026-07-18T07:10:05Z", "2026-07-19T07:10:05Z"]
    assert (purge["value"], purge["reason"]) == (None, "oxygen has not fallen enough to tell")


async def test_healthz_is_well_only_while_the_rules_run_and_the_journal_writes(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    well = await client.get("/healthz")
    assert (well.status_code, well.json()["alive"]) == (200, True)
    whole = site.statistics
    for broken, words in (
        (dataclasses.replace(whole, last_turn=NOW - 16_000), "the rules last ran 16 s ago"),
        (dataclasses.replace(whole, last_turn=None), "the rules have not run"),
        (dataclasses.replace(whole, journal_trouble="disk full"), "cannot write: disk full"),
    ):
        site.statistics = broken
        ill = await client.get("/healthz")
        assert ill.status_code == 503
        assert words in ill.json()["reasons"][0]
        page = Page((await client.get("/")).text)
        assert "This page cannot be trusted now" in page.text
        assert words in page.text


async def test_metrics_are_open_metrics(client: httpx.AsyncClient) -> None:
    answer = await client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    # The parser of the reference client library, strict about the format.
    families = {f.name: f for f in text_string_to_metric_families(answer.text)}
    assert all(name.startswith("quietpipe") for name in families)
    samples = {(s.name, *sorted(s.labels.items())): s.value
               for f in families.values() for s in f.samples}
    assert samples[("quietpipe_alive",)] == 1
    assert samples[("quietpipe_readings_total",)] == 81_300
    assert samples[("quietpipe_reading", ("quantity", "tank_pressure"), ("thing", "gen1"),
                    ("unit", "psi"))] == 63.4
    assert samples[("quietpipe_reading_good", ("quantity", "mode"), ("thing", "gen2"),
                    ("unit", "mode"))] == 0
    assert samples[("quietpipe_device_answering", ("device", "gen2-controller"))] == 0
    assert samples[("quietpipe_polls_per_second",)] == 1.5
    assert len(families["quietpipe_alarms"].samples) == 4
    assert "cpython" not in answer.text  # a registry of its own, without the library's extras


async def test_openapi_describes_every_public_route(client: httpx.AsyncClient) -> None:
    api = (await client.get("/openapi.json")).json()
    assert api["openapi"].startswith("3.")
    assert set(api["paths"]) == {
        "/api/v1/status", "/api/v1/alarms", "/api/v1/series", "/api/v1/estimates", "/healthz",
        "/metrics", "/api/v1/alarms/{alarm_id}/acknowledge", "/api/v1/alarms/{alarm_id}/shelve",
        "/api/v1/alarms/{alarm_id}/unshelve", "/api/v1/alarms/{alarm_id}/take-out",
        "/api/v1/alarms/{alarm_id}/put-back", "/api/v1/fills", "/api/v1/fills/{asset}/declare",
        "/api/v1/fills/{asset}/end", "/api/v1/baselines",
        "/api/v1/baselines/{baseline_id}/reset", "/api/v1/windows",
        "/api/v1/impairments/{asset}/declare", "/api/v1/impairments/{asset}/end",
        "/api/v1/visits/{asset}/begin", "/api/v1/visits/{asset}/end",
    }
    for path, operations in api["paths"].items():
        for operation in operations.values():
            in_path = {p["name"] for p in operation.get("parameters", ()) if p["in"] == "path"}
            assert in_path == set(re.findall(r"{(\w+)}", path))
    names = [p["name"] for p in api["paths"]["/api/v1/series"]["get"]["parameters"]]
    assert names == ["point", "from", "to", "every", "format"]
    body = api["paths"]["/api/v1/alarms/{alarm_id}/shelve"]["post"]["requestBody"]["content"]
    assert set(body) == {"application/json"}  # the forms of the board have routes of their own
    assert set(body["application/json"]["schema"]["properties"]) == {"by", "why", "for", "until"}
    schemas = api["components"]["schemas"]
    text = (await client.get("/openapi.json")).text
    for name in re.findall(r'"#/components/schemas/([^"]+)"', text):
        assert name in schemas
    act = api["paths"]["/api/v1/alarms/{alarm_id}/acknowledge"]["post"]
    assert act["security"] == [{"HTTPBearer": []}]
    operations = [op["operationId"] for path in api["paths"].values() for op in path.values()]
    assert len(operations) == len(set(operations))


async def test_what_a_site_file_or_device_says_is_never_markup(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    evil = '<script>alert(1)</script>"\'><img src=x onerror=alert(1)>'
    site.plant = dataclasses.replace(
        plant(name=evil), generators={"gen1": Generator(id="gen1", name=evil)})
    site.alarms = [dataclasses.replace(a, id=f'{evil}"{i}', text=evil, by=evil, why=evil)
                   for i, a in enumerate(site.alarms)]
    site.not_monitored = [dataclasses.replace(g, reason=evil, asset=evil)
                          for g in site.not_monitored]
    site.estimates = [EstimateMade(time=NOW, site=evil, quantity=evil, asset=evil, value=None,
                                   reason=evil)]
    site.fills = [declared(evil, by=evil, why=evil, held=(evil,))]
    site.baselines = [dataclasses.replace(b, quantity=evil, asset=evil, unit=evil, conditions=evil)
                      for b in site.baselines]
    site.picture.update([Reading(point="gen1.mode", asked=NOW, time=NOW, value=7.0, why=evil)])
    html = (await client.get("/")).text
    page = Page(html)
    assert evil in page.text.replace("  ", " ")
    assert [s.get("src", "").split("?")[0] for s in page.all("script")] == ["/static/board.js"]
    assert not page.all("img")
    assert "unknown mode 7" in page.text
    for form in page.all("form"):
        assert re.fullmatch(
            r"/api/v1/(alarms/[^/<>\"']+/(acknowledge|shelve|unshelve)"
            r"|fills/[^/<>\"']+/(declare|end)|baselines/[^/<>\"']+/reset)", form["action"] or "")


async def test_a_page_that_is_missing_is_a_page_for_a_browser(client: httpx.AsyncClient) -> None:
    answer = await client.get("/nothing", headers={"accept": "text/html"})
    assert answer.status_code == 404
    assert "Back to the board" in answer.text
    assert (await client.delete("/")).status_code == 405


async def test_a_journal_that_cannot_be_read_hides_no_alarm(
    client: httpx.AsyncClient, site: FakeSite
) -> None:
    async def broken(*_: object) -> list[Event]:
        raise JournalError("the disk does not answer")

    services = dataclasses.replace(site.services(), events=broken, trend=broken)
    transport = httpx.ASGITransport(app=create_app(services))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as troubled:
        board = await troubled.get("/")
        series = await troubled.get("/api/v1/series", params={"point": "r1.pressure"})
        site.alarms = []
        for state in site.picture.points().values():  # nothing else to complain of
            site.picture.update([dataclasses.replace(
                state.last, time=NOW, value=1.0, quality=Quality.GOOD, why="")])
        quiet = Page((await troubled.get("/")).text).text
    assert "Compressor running too long and 1 more" in board.text
    assert "The journal cannot be read the disk does not answer" in Page(board.text).text
    assert "Since when is not known" in quiet
    assert (series.status_code, series.json()["error"]) \
        == (503, "Not available at the moment: the disk does not answer")
