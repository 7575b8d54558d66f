"""Notification, links in messages and acceptance, set up from the site file and the journal."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from collector.acceptance import AcceptanceService, RecordStore
from collector.acceptance.record import render_record
from collector.config import SiteConfig, load_site
from collector.config.field_types import kept_key
from collector.domain.errors import SiteFileError
from collector.domain.events import AlarmTransition, Event, SystemEvent, Transition
from collector.domain.messages import Link, LinkFault, LinkRefused, LinkSigner
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.domain.units import MINUTE
from collector.journal import Journal
from collector.logs import hide_secret
from collector.notify.channels import Beat, prefers_brief
from collector.notify.policy import LinkMaker, Policy
from collector.notify.recipients import Recipient
from collector.web.services import LinkServices

_log = logging.getLogger(__name__)

_NO_ADDRESS = frozenset({"127.0.0.1", "::1", "localhost", "0.0.0.0", "::"})
"""Loopback, and "every address there is": useless on a phone."""
_SLACK = MINUTE
"""ms by which an occurrence's number may lie after its raising, where two share a second."""


def signer_of(config: SiteConfig) -> tuple[LinkSigner, str]:
    """Return the signer of this site's links, and what is wrong with its key, if anything.

    The key is the site file's, or one kept in the data folder.
    """
    given = config.board.link_key
    key, said = (given.encode(), "") if given is not None else kept_key(config.data / "links.key")
    hide_secret(key.decode())
    return LinkSigner(key, config.plant.site.id), said


def read_again(site_file: Path, current: SiteConfig) -> SiteConfig | str:
    """Return the changed site file, or the reason to keep the old one."""
    try:
        config = load_site(site_file)
    except SiteFileError as error:
        for mistake in error.mistakes:
            _log.error("site file: %s", mistake)
        return (f"The new site file has {len(error.mistakes)} mistake(s); "
                f"the old one stays in force. First: {error.mistakes[0]}")
    except Exception as error:  # whatever a file holds, the next one must still be read
        _log.exception("the site file could not be read")
        return (f"The new site file could not be read ({type(error).__name__}); the old one stays "
                "in force.")
    if (config.plant.site.id, config.data, config.step) != \
            (current.plant.site.id, current.data, current.step):
        return ("Another site id, data folder or evaluation step needs a restart; the old site "
                "file stays in force.")
    return config


def hide_secrets(config: SiteConfig) -> None:
    """Keep every secret of the site file out of the log."""
    board, influx, mqtt = config.board, config.influx, config.mqtt
    for secret in (
        *(r.to for r in (*config.recipients, *config.people)),
        board.token, board.link_key,
        *((influx.token, influx.password) if influx is not None else ()),
        *((mqtt.password,) if mqtt is not None else ()),
        *((config.heartbeat.url,) if config.heartbeat is not None else ()),
    ):
        if secret:
            hide_secret(secret)


def beat_of(config: SiteConfig) -> Beat | None:
    """Return the address and interval of the heartbeat, or ``None`` without one."""
    given = config.heartbeat
    return None if given is None else Beat(url=given.url, every=given.every, method=given.method)


def policy_of(config: SiteConfig, signer: LinkSigner, *, listen: str, served: str) -> Policy:
    """Return the current notification policy.

    Links in messages lead to the site file's public address, or to ``served``, where the board is
    served, if it listens on an address (``listen``) that other machines can open.
    """
    board = config.board.public_address or ("" if listen in _NO_ADDRESS else served)
    return Policy(
        recipients=_with_forms(config.recipients), people=_with_forms(config.people),
        rotas=config.rotas, plant=config.plant,
        board=board, link=_maker(signer, board, config.board.link_lasts) if board else None,
    )


def _with_forms(recipients: Sequence[Recipient]) -> tuple[Recipient, ...]:
    """Choose the short form where the site file leaves it to the address."""
    return tuple(r if r.brief is not None else replace(r, brief=prefers_brief(r.to))
                 for r in recipients)


def _maker(signer: LinkSigner, board: str, lasts: int) -> LinkMaker:
    def make(person: str, occurrences: Sequence[str], now: int) -> tuple[str, int]:
        link = Link(person=person, occurrences=tuple(occurrences), expires=now + lasts)
        return f"{board.rstrip('/')}/a/{signer.sign(link)}", link.expires
    return make


def link_services(
    config: Callable[[], SiteConfig], signer: Callable[[], LinkSigner],
    journal: Callable[[], Journal],
) -> LinkServices:
    """Return the services of the link pages; each argument is called for every request."""
    def known(who: str) -> str | None:
        return next((r.called for r in (*config().recipients, *config().people) if r.id == who),
                    None)

    def read(token: str, now: int) -> Link:
        link = signer().read(token, now)
        if known(link.person) is None:
            raise LinkRefused(LinkFault.PERSON_REMOVED)
        return link

    async def history(occurrence: str) -> Sequence[AlarmTransition]:
        return await asyncio.to_thread(_history, journal(), occurrence)

    return LinkServices(read=read, name=lambda who: known(who) or who, history=history)


def _history(journal: Journal, occurrence: str) -> list[AlarmTransition]:
    raised = occurrence.rpartition(".")[2]
    start = int(raised) * 1000 - _SLACK if raised.isdigit() else None
    return [s.event for s in journal.events(start=start, kind="alarm")
            if isinstance(s.event, AlarmTransition) and s.event.id == occurrence]


_FOLDER = "acceptance"
_KINDS = ("acceptance-opened", "acceptance-step-begun", "acceptance-step-settled",
          "acceptance-signed", "baseline-accepted")


class JournalHistory:
    """The journal as an acceptance reads it. Never writes."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def numbers(self, point: str, start: int, end: int) -> Sequence[tuple[int, float | None]]:
        return self._journal.numbers(point, start, end)

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterable[Reading]:
        return self._journal.readings(points, start, end)

    def clock_sets(self, after: int) -> Sequence[int]:
        return [s.event.time for s in self._journal.events(kind="alarm", after=after)
                if isinstance(s.event, AlarmTransition) and s.event.condition == "clock-jump"
                and s.event.transition is Transition.RAISED]

    def last_event(self) -> int:
        return self._journal.last_event()


def record_store(data: Path) -> RecordStore:
    """Return the acceptance records in a data folder."""
    return RecordStore(data / _FOLDER)


def open_acceptance(plant: Callable[[], Plant], data: Path, journal: Journal) -> AcceptanceService:
    """Return the acceptance service of a site."""
    return AcceptanceService(
        plant, record_store(data), JournalHistory(journal), render=render_record)


def acceptance_events(journal: Journal) -> Iterator[Event]:
    for kind in _KINDS:
        for stored in journal.events(kind=kind):
            if isinstance(stored.event, SystemEvent):
                yield stored.event
