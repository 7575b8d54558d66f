"""The counts of all parts of the daemon, as the board and ``/metrics`` show them."""

from __future__ import annotations

import logging
from collections.abc import Iterator

from collector.app.connections import Connections
from collector.app.pipeline import Pipeline
from collector.clock import Clock
from collector.domain.errors import JournalError
from collector.domain.statistics import ForwardStatistics
from collector.journal import Journal, JournalStatistics
from collector.web.services import CollectorStatistics, DeviceStatistics

__all__ = ["StatisticsReader"]

_log = logging.getLogger(__name__)

_JOURNAL_EVERY = 1000
"""ms between two counts of the journal's rows: each takes a moment, and every page asks."""


class StatisticsReader:
    """Collects the counts of the daemon's parts. ``clock`` is the machine's own."""

    def __init__(
        self, *, started: int, clock: Clock, pipeline: Pipeline, journal: Journal,
        connections: Connections,
    ) -> None:
        self._started, self._clock, self._pipeline = started, clock, pipeline
        self._journal, self._connections = journal, connections
        self._counted: JournalStatistics | None = None
        self._counted_at = -_JOURNAL_EVERY

    def read(self) -> CollectorStatistics:
        """Return the counts of now; those of the journal may be a second old."""
        pipeline = self._pipeline.statistics()
        store = self._journal_statistics()
        waiting = store.deliveries if store is not None else {}
        return CollectorStatistics(
            started=self._started, last_turn=pipeline.last_turn,
            last_commit=pipeline.last_commit, journal_trouble=pipeline.trouble,
            readings=pipeline.readings, events=pipeline.events, commits=pipeline.commits,
            commit_failures=pipeline.commit_failures, waiting=pipeline.waiting,
            dropped=pipeline.dropped,
            deliveries_given_up=self._connections.outbox.statistics().given_up,
            deliveries_waiting=sum(waiting.get(state, 0) for state in ("waiting", "begun")),
            devices=tuple(self._devices()), forwards=tuple(self._forwards()),
            numbers={**({"journal_bytes": store.bytes} if store is not None else {}),
                     **self._connections.mqtt.statistics().numbers()},
        )

    def _journal_statistics(self) -> JournalStatistics | None:
        now = self._clock.monotonic()
        if now - self._counted_at >= _JOURNAL_EVERY:
            self._counted_at = now
            try:
                self._counted = self._journal.statistics()
            except JournalError as error:
                _log.warning("the journal gives no statistics: %s", error)
                self._counted = None
        return self._counted

    def _forwards(self) -> Iterator[ForwardStatistics]:
        one = self._connections.influx.statistics()
        if one.on:
            yield one

    def _devices(self) -> Iterator[DeviceStatistics]:
        for one in self._connections.poller.statistics():
            yield DeviceStatistics(
                device=one.device, answering=one.answering, last_answer=one.last_answer,
                polls=one.polls, failures=one.silent + one.link_down + one.refused + one.invalid,
                lateness=one.lateness_middle, why=one.why,
            )
