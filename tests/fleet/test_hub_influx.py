"""The fleet's history in a real InfluxDB 1.x, written by a hub from a real broker."""

from __future__ import annotations

import asyncio
import json
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from urllib.request import Request, urlopen

import pytest

from collector.forward import InfluxSettings
from tests.fleet.support import running, settings
from tests.forward.conftest import authority, broker  # noqa: F401
from tests.forward.sparkplug.broker import Mosquitto, free_port, wait_for_port
from tests.forward.support import SmallSite, until

INFLUXD = shutil.which("influxd")


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[str]:
    if INFLUXD is None:
        pytest.skip("no influxd on this machine")
    port, rpc, folder = free_port(), free_port(), tmp_path / "influx"
    folder.mkdir()
    (folder / "conf").write_text(f"""
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[http]
bind-address = "127.0.0.1:{port}"
log-enabled = false
""")
    process = subprocess.Popen([INFLUXD, "-config", str(folder / "conf")],
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wait_for_port(port, process)
    ask(f"http://127.0.0.1:{port}", "CREATE DATABASE fleet", post=True)
    yield f"http://127.0.0.1:{port}"
    process.terminate()
    process.wait(20)


def ask(url: str, query: str, *, post: bool = False) -> Any:
    body = urlencode({"q": query, "db": "fleet", "epoch": "ms"})
    request = Request(f"{url}/query", data=body.encode(), method="POST") if post \
        else Request(f"{url}/query?{body}")
    with urlopen(request, timeout=10) as answer:
        return json.load(answer)


@pytest.mark.slow
async def test_what_a_site_tells_is_in_influxdb_as_the_site_would_write_it(
    tmp_path: Path, broker: Mosquitto, influx: str,  # noqa: F811
) -> None:
    made = replace(settings(tmp_path, broker.settings("observer")),
                   influx=InfluxSettings(api="v1", url=influx, database="fleet"))
    (tmp_path / "s").mkdir()
    site = SmallSite(tmp_path / "s", broker.settings("fenmoor"), primary_host="hub-north")

    def counted() -> int:
        answer = ask(influx, 'SELECT count("tank_pressure") FROM generator '
                             "WHERE site = 'fenmoor' AND asset = 'gen1'")
        series = answer["results"][0].get("series")
        return int(series[0]["values"][0][1]) if series else 0

    async with running(made), site.published():
        for n in range(10):
            site.read(value=60.0 + n)
            await asyncio.sleep(0.01)
        await until(lambda: counted() == 10, "ten readings", 30)
    answer = ask(influx, "SELECT tank_pressure, mode, compressor_running FROM generator")
    wanted = [[r.time, r.value, 1, 1] for r in site.sent if r.point == "gen1.tank_pressure"]
    assert answer["results"][0]["series"][0]["values"] == wanted
    site.close()
