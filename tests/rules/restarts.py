"""The same story with a restart in the middle of it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from collector.app.monitor import SiteMonitor
from collector.domain.events import AlarmTransition
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from tests.rules.support import Story, settings, story


def with_restart(
    rows: Sequence[Reading], at: int, plant: Plant | None = None,
    **given: Mapping[str, object],
) -> Story:
    """Feed ``rows``; after the first ``at`` of them go on with what a snapshot holds."""
    before = story(plant, **given).feed(rows[:at])
    state = json.loads(json.dumps(before.monitor.dump()))
    told = [e for e in before.events if isinstance(e, AlarmTransition)]
    engine_plant = before.monitor._engine.inputs.plant
    after = SiteMonitor(plant=engine_plant, settings=settings(**given))
    after.load(state, told)
    # Nothing was missed: what follows is fed as if the watch had never paused.
    after._engine._resumed = False
    return Story(after, before.events).feed(rows[at:])
