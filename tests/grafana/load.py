"""The bundled plant's stories, through the rules and the forwarder, into a real InfluxDB.

The readings end at the machine's present: dashboards look back from now.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

from collector.app.monitor import SiteMonitor
from collector.clock import SystemClock
from collector.config import SiteConfig, load_site
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.events import SystemEvent
from collector.domain.readings import Quality, Reading, mode_code
from collector.forward import InfluxSettings, RetryPolicy
from collector.forward.influx.endpoints import DeadLetterFile
from collector.forward.influx.forwarder import InfluxForwarder
from collector.journal import Journal
from simulators.record import polls
from simulators.scenario import Scenario, load_scenario
from simulators.sensors import Value
from simulators.serving import write_site
from simulators.stage import Stage

MINUTE, HOUR = 60_000, 3_600_000
LOW = 20 * MINUTE
_LOW_AT = {"r1.pressure": 12.0, "r1.low_air": 1.0, "r1.low_air_no": 1.0, "r1.low_air_nc": 0.0}
_COMMIT = 10 * 60_000

# What a site file may say beyond the demo's, so that every estimate has what it needs.
MORE = """
compressor_power = "2.2 kW"
energy_price = "0.16 USD/kWh"
service_every = "2000 h"
last_service_hours = "100 h"
"""


def site_of(scenario: Scenario, folder: Path, more: str = "") -> SiteConfig:
    """Write the scenario's site file, with more said of its first generator; read it."""
    folder.mkdir(parents=True, exist_ok=True)
    addresses = {f"{kind}-{n}": f"tcp://127.0.0.1:{n}" for kind in ("tcp", "rtu")
                 for n in range(1, 9)}
    path = write_site(scenario, addresses, folder)
    text = path.read_text().replace('product_oxygen_limit = "3 %"\n',
                                    'product_oxygen_limit = "3 %"\n' + more.lstrip(), 1)
    path.write_text(text)
    return load_site(path)


def fill(folder: Path, name: str, hours: int, more: str = "") -> tuple[Journal, SiteConfig]:
    """Play a story up to now into a journal, as the daemon would have kept it."""
    scenario = load_scenario(name)
    end = SystemClock().now() // HOUR * HOUR
    start = end - hours * HOUR
    scenario = replace(scenario, plant=replace(scenario.plant, start=start))
    config = site_of(scenario, folder, more)
    journal = Journal.open(folder / "journal.sqlite")
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    site = config.plant.site.id
    events: list = [SystemEvent(time=start, site=site, fact="collector-started",
                              text=f"quietpipe 0.1.0 watches {site}.")]
    readings: list[Reading] = []
    due = start + _COMMIT
    paces = {device.id: MINUTE for device in config.devices}  # a third of the work
    for now, told in polls(Stage(scenario), hours * HOUR, paces):
        some = [_reading(point, now, value) for _, values in told
                for point, value in values.items()]
        if now >= end - LOW:  # how it stands when people look: one riser lies low
            some = [replace(r, value=_LOW_AT.get(r.point, r.value)) for r in some]
        readings += some
        events += monitor.feed(some)
        if now >= due:
            journal.commit(readings, events)
            readings, events, due = [], [], due + _COMMIT
    events += monitor.advance(end)
    alarm = next(a for a in monitor.alarms() if a.condition == "pressure-low")
    for deed, until in ((ActionKind.ACKNOWLEDGE, None), (ActionKind.SHELVE, end + HOUR)):
        events += monitor.act(OperatorAction(kind=deed, alarm=alarm.id, by="Ada", time=end,
                                             until=until,
                                   why="the valve is being mended"))
    # A contact that the bundled plant does not have, as a site that has it would tell it.
    readings += [_reading("r1.bypass_open", end - n * MINUTE, 0.0) for n in range(3)]
    journal.commit(readings, events)
    journal.pack(end)
    return journal, config


def _reading(point: str, now: int, value: Value) -> Reading:
    number = mode_code(value) if isinstance(value, str) else value
    quality = Quality.STALE if number is None else Quality.GOOD
    return Reading(point=point, asked=now - 20, time=now, value=number, quality=quality,
                   why="no answer in time" if number is None else "")


async def forward(journal: Journal, config: SiteConfig, settings: InfluxSettings,
                  folder: Path) -> InfluxForwarder:
    """Forward all of a journal; return the forwarder once it has caught up."""
    clock = SystemClock()
    worker = InfluxForwarder(
        settings=replace(settings, backfill=1_000_000), store=journal, plant=config.plant,
        clock=clock, pace=clock, record_event=lambda fact: None,
        dead_letters=DeadLetterFile(folder / "aside.jsonl"), retry=RetryPolicy(flush=50),
    )
    task = asyncio.create_task(worker.run())
    async with asyncio.timeout(120):
        while worker.statistics().missing or worker.statistics().last_sent is None \
                or worker.statistics().behind:  # noqa: ASYNC110 - it is not told to anybody
            await asyncio.sleep(0.05)
    worker.stop()
    await task
    return worker
