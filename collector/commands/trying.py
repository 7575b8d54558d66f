"""A marked test message to everybody who may ever be called, and who is on duty."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.config import SiteConfig
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import DeliveryError
from collector.domain.events import FactNoted, event_to_json
from collector.domain.formatting import time_text
from collector.notify.channels import Channel, channel_for
from collector.notify.message import Message
from collector.notify.recipients import Recipient, next_hand_over, turns

__all__ = ["Tried", "rota_lines", "test_message", "try_everybody"]

_LONGEST = 60.0
"""Seconds of real time that one send may take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What became of one test message; ``why`` is empty when it was taken."""

    recipient: str
    name: str
    why: str = ""


def test_message(config: SiteConfig, recipient: Recipient, now: int) -> Message:
    """Return the message: nobody may take it for an alarm."""
    site = config.plant.site
    fact = FactNoted(
        time=now, site=site.id, fact="test-message",
        text=f"This is a test and no alarm. Messages of {site.name} reach {recipient.called}.",
        values={"recipient": recipient.id},
    )
    if recipient.wants_events:
        return Message(subject="Test", body=event_to_json(fact))
    when = time_text(now, ZoneInfo(site.timezone))
    return Message(
        subject=f"TEST, no alarm – messages reach you · {site.name}",
        body="\n\n".join([fact.text, f"Site: {site.name}\nSent: {when}",
                          "Nothing is to be done.", CAUTIONS["not-a-fire-alarm"]]),
    )


async def try_everybody(
    config: SiteConfig, now: int, channel: Callable[[Recipient], Channel] = channel_for,
) -> list[Tried]:
    """Send one to each recipient with an address and each person; return how each ended."""
    everybody = [r for r in (*config.recipients, *config.people) if r.to]

    async def one(recipient: Recipient) -> Tried:
        tried = Tried(recipient=recipient.id, name=recipient.called)
        try:
            await asyncio.wait_for(
                channel(recipient).send(recipient, test_message(config, recipient, now)), _LONGEST)
        except DeliveryError as error:
            return Tried(recipient=tried.recipient, name=tried.name, why=str(error))
        except TimeoutError:
            return Tried(recipient=tried.recipient, name=tried.name,
                         why=f"no end within {_LONGEST:g} s")
        return tried

    return list(await asyncio.gather(*(one(r) for r in everybody)))


def rota_lines(config: SiteConfig, now: int) -> list[str]:
    """Say of each rota who is on duty, who follows, and until when."""
    names = {p.id: p.called for p in config.people}
    lines = []
    for rota in config.rotas.values():
        order = [names[who] for who in turns(rota, now)]
        change = next_hand_over(rota, now)
        until = "" if change is None else f" until {time_text(change, rota.zone)}"
        then = f"; then {order[1]}" if len(order) > 1 else ""
        lines.append(f"rota {rota.id}: {order[0]} is on duty{until}{then}")
    return lines
