"""The stream of news: a word when something changed, none that tells what, and an end."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import httpx
import pytest

from collector.web import create_app, serve
from collector.web import render as live_module
from collector.web.access import HttpError
from collector.web.render import Live
from tests.web.conftest import client_of, sign_in
from tests.web.fakes import FakeSite, history


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_module, "_PAUSE", 0.02)
    monkeypatch.setattr(live_module, "_PULSE", 0.05)


async def test_alarms_are_told_at_once_and_readings_by_and_by() -> None:
    live = Live()
    words = live.changes(lambda: True)
    assert await anext(words) == "pulse"
    live.wake([])
    assert await anext(words) == "readings"
    live.wake(history()[1:2])
    assert await anext(words) == "alarms"
    assert await anext(words) == "pulse"  # nothing happened, and we are still here
    await words.aclose()
    assert repr(live) == "Live(0 listening)"


async def test_it_ends_when_the_board_does_or_the_session_has() -> None:
    live, allowed = Live(), True
    words = live.changes(lambda: allowed)
    await anext(words)
    allowed = False
    live.wake(history()[1:2])
    assert [w async for w in words] in ([], ["alarms"])
    others = live.changes(lambda: True)
    await anext(others)
    live.close()
    assert [w async for w in others] in ([], ["alarms"])


async def test_only_so_many_may_listen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live_module, "_MOST", 2)
    live = Live()
    listening = [live.changes(lambda: True) for _ in range(3)]
    for one in listening[:2]:
        await anext(one)
    with pytest.raises(HttpError):
        await anext(listening[2])
    for one in listening[:2]:
        await one.aclose()


async def test_strangers_hear_nothing(site: FakeSite) -> None:
    site.reading = "signed-in"
    async with client_of(create_app(site.services())) as client:
        assert (await client.get("/live")).status_code == 401


async def test_over_the_wire_a_session_that_ends_ends_its_stream(site: FakeSite) -> None:
    site.reading = "signed-in"
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(serve(create_app(site.services()), "127.0.0.1", 0,
                                        ready.set_result, site.live.close))
    async with httpx.AsyncClient(base_url=await ready) as client:
        await sign_in(client, "L. Ames")
        async with client.stream("GET", "/live") as stream:
            lines = stream.aiter_lines()
            assert stream.headers["content-type"].startswith("text/event-stream")
            assert [await anext(lines) for _ in range(2)] == ["retry: 5000", "event: pulse"]
            assert site.accounts is not None
            site.accounts.end_sessions("L. Ames")
            async with asyncio.timeout(5):
                async for line in lines:  # until it ends
                    assert "L. Ames" not in line
    running.cancel()
    with suppress(asyncio.CancelledError):
        await running
