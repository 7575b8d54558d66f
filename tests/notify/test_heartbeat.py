"""The sign of life: on a real HTTP server, while all is well, and never when it is not."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from collector.clock import ManualClock
from collector.notify.channels import Beat, Heartbeat
from tests.servers import served


class Far:
    """The far end: keeps the method and path of each beat; answers ``status``."""

    def __init__(self) -> None:
        self.got: list[tuple[str, str]] = []
        self.status = 200
        far = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                far.got.append((self.command, self.path))
                self.send_response(far.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_POST = do_GET

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True

    def beat(self, **more: str) -> Beat:
        return Beat(url=f"http://127.0.0.1:{self.server.server_port}/ping/s3cretkey", every=60_000,
                    **more)


@pytest.fixture
def far() -> Iterator[Far]:
    far = Far()
    with served(far.server):
        yield far


class Rig:
    def __init__(self, beat: Beat | None) -> None:
        self.clock, self.beat, self.well = ManualClock(), beat, True
        self.facts: list[tuple[str, str]] = []
        self.heartbeat = Heartbeat(
            beat=lambda: self.beat, clock=self.clock, healthy=lambda: self.well,
            record_event=lambda fact, text: self.facts.append((fact, text)))

    async def __aenter__(self) -> Rig:
        self.task = asyncio.create_task(self.heartbeat.run())
        await self.rest()
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)

    async def rest(self) -> None:
        for _ in range(2000):
            if any(not f.done() for _, f in self.clock._sleepers):
                return
            await asyncio.sleep(0.005)
        raise AssertionError("it does not come to rest")

    async def turns(self, number: int) -> None:
        for _ in range(number):
            self.clock.advance(60_000)
            await self.rest()


@pytest.mark.parametrize("method", ["GET", "POST"])
async def test_it_beats_as_often_as_asked(far: Far, method: str) -> None:
    async with Rig(far.beat(method=method)) as rig:
        await rig.turns(3)
    assert far.got == [(method, "/ping/s3cretkey")] * 4


async def test_it_falls_silent_when_the_watch_is_not_well_and_begins_again(far: Far) -> None:
    async with Rig(far.beat()) as rig:
        rig.well = False
        await rig.turns(5)
        assert len(far.got) == 1
        rig.well = True
        await rig.turns(2)
    assert len(far.got) == 3
    assert rig.facts == []


async def test_unheard_three_times_is_told_once_and_so_is_its_end(
    far: Far, caplog: pytest.LogCaptureFixture,
) -> None:
    async with Rig(far.beat()) as rig:
        far.status = 500
        await rig.turns(5)
        far.status = 200
        await rig.turns(2)
    assert [fact for fact, _ in rig.facts] == ["heartbeat-unheard", "heartbeat-heard"]
    assert "the server answered 500" in rig.facts[0][1]
    assert "s3cretkey" not in rig.facts[0][1] + caplog.text


async def test_no_far_end_at_all_tells_no_secret(caplog: pytest.LogCaptureFixture) -> None:
    for url in ("http://127.0.0.1:9/ping/s3cretkey", "http://"):
        async with Rig(Beat(url=url, every=60_000)) as rig:
            await rig.turns(3)
        assert rig.facts[0][0] == "heartbeat-unheard"
        assert "s3cretkey" not in rig.facts[0][1] + caplog.text + repr(rig.beat)


async def test_asked_for_by_a_new_site_file_it_begins(far: Far) -> None:
    async with Rig(None) as rig:
        await rig.turns(2)
        assert far.got == []
        rig.beat = far.beat()
        await rig.turns(1)
        assert len(far.got) == 1
