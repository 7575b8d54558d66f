"""History to InfluxDB: lines as a site would write them, kept while the server is away."""

from __future__ import annotations

import asyncio
from pathlib import Path

from collector.clock import SystemClock
from collector.domain.errors import DeliveryUnreachable, LinesRefused
from collector.fleet import Group
from collector.fleet.hub_group import HistoryWriter, history_of
from collector.fleet.hub_message_handler import Counts, HandledMessages, MessageHandler
from collector.fleet.hub_store import Batch, GroupStore, group_file
from collector.forward.influx.endpoints import DeadLetterFile
from tests.fleet.support import NOW, FakeSite, alarm, came, received
from tests.forward.support import until


class FakeServer:
    """Takes what it is given, when it is there; one word it does not like."""

    def __init__(self) -> None:
        self.away = True
        self.lines: list[str] = []

    def write(self, body: bytes) -> None:
        if self.away:
            raise DeliveryUnreachable("away")
        lines = body.decode().split("\n")
        if any("poison" in line for line in lines):
            raise LinesRefused("HTTP 400: poison", rest_taken=False, too_old=False)
        self.lines += lines

    def close(self) -> None:
        pass


def taken() -> HandledMessages:
    site = FakeSite("fenmoor")
    handler = MessageHandler(Group(id="north", events_prefix="q"), {}, Counts(), 45_000)
    made = handler.handle(received(*site.births(), site.data(NOW, 62.0)), NOW)
    made.events.append(came(1, alarm("fenmoor")))
    return made


def test_lines_are_those_of_a_site() -> None:
    lines = history_of(taken()).decode().split("\n")
    assert f"generator,asset=gen1,site=fenmoor tank_pressure=62.0 {NOW}" in lines
    assert f"riser,asset=r1,site=fenmoor pressure=25.0 {NOW - 1000}" in lines
    born = next(line for line in lines if line.endswith(str(NOW - 1000)) and "gen1" in line)
    assert "mode=1.0" in born
    assert "compressor_running=0.0" in born
    (told,) = [line for line in lines if line.startswith("alarm,")]
    assert "condition=pressure-low" in told


async def test_nothing_is_lost_while_the_server_is_away_and_a_bad_line_holds_up_nobody(
    tmp_path: Path,
) -> None:
    store, server = GroupStore(group_file(tmp_path, "north"), "north"), FakeServer()
    store.keep(Batch(history=b"a x=1 1"), NOW)
    store.keep(Batch(history=b"poison x=1 1\nb x=1 1"), NOW)
    aside = DeadLetterFile(tmp_path / "aside")
    writer = HistoryWriter(store, lambda: server, aside, SystemClock())
    task = asyncio.create_task(writer.run())
    await until(lambda: writer.why == "away", "trouble")
    server.away = False
    await until(lambda: server.lines == ["a x=1 1", "b x=1 1"], "the lines")
    await until(lambda: store.next_history() is None, "an empty file")
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert "poison" in aside.path.read_text()
    assert writer.written == 2
    store.close()
