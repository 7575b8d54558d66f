"""Trends: any range, compared with another point or the period before, CSV, and the pointer."""

from __future__ import annotations

import csv
import io
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from collector.domain.readings import TrendStep
from collector.plots import BarKind
from collector.web.access import HttpError
from collector.web.views.trends import _bars, read_range
from tests.web.fakes import HOUR, MINUTE, NOW, FakeSite
from tests.web.pages.test_browser import VIEWS, Board, board, browser, opened

__all__ = ["board", "browser", "opened"]
LONDON = ZoneInfo("Europe/London")


async def test_the_series_as_csv(client: httpx.AsyncClient) -> None:
    query = {"point": "r1.pressure", "from": str(NOW // 1000 - 7200), "to": str(NOW // 1000),
             "every": "10 min"}
    plain = (await client.get("/api/v1/series", params=query)).json()
    answer = await client.get("/api/v1/series", params=query | {"format": "csv"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert 'filename="r1.pressure.csv"' in answer.headers["content-disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [r["time"] for r in rows] == [s["time"] for s in plain["steps"]]
    assert [float(r["mean"]) if r["mean"] else None for r in rows] == [
        None if s["mean"] is None else pytest.approx(s["mean"], rel=1e-5)
        for s in plain["steps"]]
    assert {(r["point"], r["unit"]) for r in rows} == {("r1.pressure", "psi")}
    assert (await client.get("/api/v1/series", params=query | {"format": "xls"})).status_code == 400


def test_any_range_is_read_by_the_clock_of_the_site() -> None:
    shown = read_range({"from": "2026-07-10T08:00", "to": "2026-07-11T20:00"}, NOW, LONDON)
    assert shown.end - shown.start == 36 * HOUR
    assert (shown.first, shown.last) == ("2026-07-10T08:00", "2026-07-11T20:00")
    assert not any(c.current for c in shown.choices)
    assert shown.earlier == f"?from={shown.start // 1000 - 36 * 3600}&to={shown.start // 1000}"
    assert read_range({"from": str(NOW // 1000 - 3600)}, NOW, LONDON).now
    for wrong in ({"from": "soon"}, {"from": str(NOW // 1000), "to": str(NOW // 1000)}):
        with pytest.raises(HttpError):
            read_range(wrong, NOW, LONDON)


async def test_compared_with_another_point_and_the_period_before(
    client: httpx.AsyncClient, site: FakeSite,
) -> None:
    page = (await client.get("/points/r1.pressure?span=6h&with=r3.pressure&before=1")).text
    assert "Office riser, supervisory pressure" in page
    assert "the period before" in page
    asked = [(p, s) for p, s, _, _ in site.trends]
    assert ("r3.pressure", NOW - 6 * HOUR) in asked
    assert ("r1.pressure", NOW - 12 * HOUR) in asked
    assert "gen1.product_oxygen" not in page  # another unit is no choice
    other = (await client.get("/points/r1.pressure?with=gen1.mode")).text
    assert "the period before" not in other.partition("<form")[0]


def test_no_readings_are_neither_on_nor_off() -> None:
    def step(n: int, high: float | None) -> TrendStep:
        return TrendStep(start=n * MINUTE, end=(n + 1) * MINUTE, count=0 if high is None else 3,
                         low=high, mean=high, high=high)
    steps = [step(n, 1.0 if n < 5 else 0.0 if n < 10 or n >= 20 else None) for n in range(30)]
    found = [(b.kind, b.start // MINUTE, b.end // MINUTE) for b in _bars(steps, 1, "open")]
    assert found == [(BarKind.UNKNOWN, 10, 20), (BarKind.RUN, 0, 5)]


@pytest.fixture
def drawn(board: Board) -> FakeSite:
    return board.anew()


@pytest.mark.browser
def test_a_pointer_reads_it_and_a_drag_opens_that_range(opened: Any, board: Board) -> None:
    page = opened("/points/r1.pressure?span=6h", VIEWS["desk"])
    plot = page.locator(".wide-plot svg").first
    box = plot.bounding_box()
    assert box["width"] > 900  # the width of its own page
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    words = page.locator(".wide-plot .cross-words")
    words.get_by_text("psi").wait_for()
    assert "19 Jul, 06:" in words.inner_text() or "19 Jul, 05:" in words.inner_text()
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + box["height"] / 2, steps=4)
    page.mouse.up()
    page.wait_for_url("**from=*")
    page.get_by_role("heading", name="Data").wait_for()
    assert page.locator(".range a[aria-current]").count() == 0
