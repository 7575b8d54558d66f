"""The worker that publishes a site over MQTT, session after session."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import secrets
from collections.abc import Callable
from dataclasses import asdict, dataclass

from collector.clock import Clock
from collector.domain.errors import DeliveryError, DeliveryRefused, JournalError
from collector.domain.events import SystemEvent
from collector.domain.live import LivePicture
from collector.domain.plant import Plant
from collector.forward import (
    CommitStore,
    MqttSettings,
    PublishCheckpoint,
    Reachability,
)
from collector.forward.sparkplug.session import (
    CHECKPOINT,
    CONSUMER,
    PublishCounts,
    Session,
    SessionParts,
)

__all__ = ["CONSUMER", "SparkplugPublisher", "SparkplugStatistics"]

_log = logging.getLogger(__name__)

_BD_SEQ, _JOURNAL = "mqtt_bd_seq", "journal_id"
_FIRST_WAIT, _REFUSED_WAIT, _LONGEST_WAIT = 1.0, 10.0, 60.0


@dataclass(slots=True, kw_only=True)
class SparkplugStatistics(PublishCounts):
    """Counts of publishing. ``behind`` is in commits; ``why`` is empty while it works."""

    on: bool = False
    born: bool = False
    behind: int = 0
    why: str = ""

    def numbers(self) -> dict[str, float]:
        """Return the counts under their names in ``/metrics``; none when it is off."""
        if not self.on:
            return {}
        return {
            "mqtt_up": float(self.born), "mqtt_commits_behind": self.behind,
            "mqtt_readings_sent": self.readings, "mqtt_history_sent": self.history,
            "mqtt_events_sent": self.events, "mqtt_sessions": self.sessions,
            "mqtt_readings_lost": self.lost,
        }


class SparkplugPublisher:
    """Publishes commits. Without ``settings`` it waits for a site file that has them.

    ``timeout`` is how long (s, real time) the broker may take to answer.
    """

    def __init__(
        self, *, settings: MqttSettings | None, plant: Plant, picture: LivePicture,
        store: CommitStore, clock: Clock, record_event: Callable[[SystemEvent], object],
        version: str, rng: random.Random | None = None, timeout: float = 20.0,
    ) -> None:
        self._settings, self._plant, self._picture = settings, plant, picture
        self._store, self._clock, self._version = store, clock, version
        self._rng, self._timeout = rng or random.Random(), timeout
        self._reach = Reachability(site=plant.site.id, name="the MQTT broker",
                                  record_event=record_event)
        self._counts = PublishCounts()
        self._woken = asyncio.Event()
        self._stopping = False
        self._changed = False
        self._session: Session | None = None
        self._failures = 0
        self._checkpoint: PublishCheckpoint | None = None

    def __repr__(self) -> str:
        where = self._settings.broker if self._settings is not None else "nowhere"
        return f"SparkplugPublisher({where}, {self._reach.why or 'well'})"

    def wake(self) -> None:
        """Wake the worker after a commit. To be called in the event loop."""
        self._woken.set()

    def use(self, settings: MqttSettings | None, plant: Plant) -> None:
        """Continue with another plant or broker, after the site file was read again."""
        if settings == self._settings and plant == self._plant:
            return
        self._settings, self._plant = settings, plant
        self._changed = True
        self._end_session()

    def stop(self) -> None:
        """Make :meth:`run` return, after the last commits and the death are published."""
        self._stopping = True
        self._end_session()

    def statistics(self) -> SparkplugStatistics:
        """Return the counts since the start."""
        checkpoint = self._checkpoint
        behind = self._store.last_commit - checkpoint.watermark if checkpoint is not None else 0
        return SparkplugStatistics(
            **asdict(self._counts), on=self._settings is not None, behind=behind,
            born=self._session is not None and self._session.born, why=self._reach.why)

    async def run(self) -> None:
        """Publish until stopped. Errors are reported and retried."""
        while not self._stopping:
            self._changed = False
            settings = self._settings
            if settings is None:
                await asyncio.to_thread(self._store.forget, CONSUMER)
                while not self._stopping and not self._changed:
                    await self._woken.wait()
                    self._woken.clear()
                continue
            wait = await self._one_session(settings)
            if wait and not self._stopping and not self._changed:
                await self._pause(wait)

    def _end_session(self) -> None:
        if self._session is not None:
            self._session.end()
        self._woken.set()

    async def _one_session(self, settings: MqttSettings) -> float:
        """Run one session with the broker; return the seconds to wait before the next."""
        sessions = self._counts.sessions
        try:
            self._session = await self._new_session(settings)
            if self._stopping or self._changed:  # while the journal was asked
                return 0.0
            await self._session.run()
        except (DeliveryError, JournalError) as exc:
            if self._stopping or self._changed:
                return 0.0
            if self._counts.sessions > sessions:
                self._failures = 0
            return self._failed(exc)
        except Exception:
            # A fault of ours: the daemon must go on, and the next session may work.
            _log.exception("publishing broke")
            return self._failed(JournalError("publishing broke, see the log"))
        finally:
            self._session = None
        self._failures = 0
        return _FIRST_WAIT

    def _failed(self, error: DeliveryError | JournalError) -> float:
        if str(error) != self._reach.why:
            _log.warning("mqtt: %s", error)
        self._reach.failed(self._clock.now(), str(error))
        first = _REFUSED_WAIT if isinstance(error, DeliveryRefused) else _FIRST_WAIT
        wait = min(first * 2.0 ** min(self._failures, 10), _LONGEST_WAIT)
        self._failures += 1
        # Shortened by up to half at random: many sites must not reconnect to a broker at once.
        return wait * (1 - self._rng.random() / 2)

    async def _pause(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while not self._stopping and not self._changed:
                    await self._woken.wait()
                    self._woken.clear()

    async def _new_session(self, settings: MqttSettings) -> Session:
        store = self._store

        def prepare() -> tuple[PublishCheckpoint, int, str]:
            position = store.register(CONSUMER)
            last = store.meta(_BD_SEQ)
            # One more with each connection, and kept before it: a death must find its own birth.
            number = 0 if last is None or not last.isdecimal() else (int(last) + 1) % 256
            journal = store.meta(_JOURNAL) or secrets.token_hex(8)
            store.commit([], [], meta={_BD_SEQ: str(number), _JOURNAL: journal})
            return PublishCheckpoint.load(store.meta(CHECKPOINT), position), number, journal

        checkpoint, bd_seq, journal = await asyncio.to_thread(prepare)
        self._checkpoint = checkpoint
        parts = SessionParts(
            settings=settings, plant=self._plant, picture=self._picture, store=store,
            clock=self._clock, version=self._version, journal=journal, counts=self._counts,
            reach=self._reach, timeout=self._timeout,
        )
        return Session(parts, checkpoint, bd_seq, self._woken)
