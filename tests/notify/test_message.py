"""What people read: whole messages, held to the letter, and what must never be in one."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from collector.clock import parse_instant
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.events import Signal, SystemEvent, Transition
from collector.domain.plant import Plant
from collector.domain.units import duration_text
from collector.notify import alarm_message, fact_message
from tests.notify.conftest import T0, alarm

LOW = "Pressure low: Dock riser · Fenmoor Cold Store"
AT_NIGHT = parse_instant("2026-07-12T02:04:20Z")


def test_an_alarm_at_three_in_the_morning(plant: Plant) -> None:
    text = ("Pressure low at Dock riser: 16.2 psi, the limit is 18.0 psi.\n"
            "Check first: an open head, drain or test valve.")
    message = alarm_message(alarm(time=AT_NIGHT, text=text), plant, board="https://board.example/")
    assert message.subject == f"HIGH supervisory – {LOW}"
    assert message.body == f"""{text}

Site: Fenmoor Cold Store
Since: Sunday 12 July 2026, 03:04:05 BST
Reported: Sunday 12 July 2026, 03:04:20 BST

To acknowledge it, open https://board.example/
More: https://board.example/explain/pressure-low

{CAUTIONS["not-a-fire-alarm"]}"""


def test_its_return(plant: Plant) -> None:
    event = alarm(time=AT_NIGHT + 7_500_000, raised=AT_NIGHT, transition=Transition.RETURNED,
                  text="It ended: 24.8 psi.")
    message = alarm_message(event, plant)
    assert message.subject == f"Back to normal – {LOW}"
    assert message.body == f"""It ended: 24.8 psi.

Site: Fenmoor Cold Store
Since: Sunday 12 July 2026, 03:04:05 BST
Back to normal: Sunday 12 July 2026, 05:09:20 BST, after 2 h 5 min

If it is not acknowledged yet, acknowledge it: go to the site's board.

{CAUTIONS["not-a-fire-alarm"]}"""


def test_where_to_read_on_without_a_board(plant: Plant) -> None:
    assert "\nMore: quietpipe explain pressure-low\n" in alarm_message(alarm(), plant).body
    later = replace(alarm(), condition="pipe-haunted")
    assert "More:" not in alarm_message(later, plant).body


def test_the_caution_stands_once(plant: Plant) -> None:
    caution = CAUTIONS["not-a-fire-alarm"]
    body = alarm_message(alarm(text=f"Low. {caution}"), plant).body
    assert body.count(caution) == 1


@pytest.mark.parametrize("condition", sorted(CATALOGUE))
def test_every_condition_has_a_subject_for_a_locked_phone(plant: Plant, condition: str) -> None:
    """No longer than 78 characters, the line length that RFC 5322 2.1.1 asks of mail."""
    event = alarm(condition, "gen1", signal=Signal.SUPERVISORY)
    subject = alarm_message(event, plant).subject
    assert len(subject) <= 78
    assert "Nitrogen generator" in subject
    assert condition not in subject
    assert "\n" not in subject


def test_no_jargon_of_ours(plant: Plant) -> None:
    for transition in (Transition.RAISED, Transition.RETURNED):
        message = alarm_message(alarm(transition=transition), plant)
        # What one types to read on is an id; nothing else may be.
        more = "\nMore: quietpipe explain pressure-low"
        said = message.subject + message.body.replace(more, "")
        for ours in ("pressure-low", "r1", "occurrence", "register", "None", "unix", "[", "{"):
            assert not re.search(rf"\b{re.escape(ours)}\b" if ours.isalnum() else re.escape(ours),
                                 said), ours


def test_a_contact_is_named_after_its_thing(plant: Plant) -> None:
    message = alarm_message(alarm("contact-disagreement", "gen1.trouble"), plant)
    assert message.subject.endswith(": Nitrogen generator, trouble")


def test_an_unnamed_asset_and_an_empty_text_still_say_something(plant: Plant) -> None:
    message = alarm_message(alarm("device-silent", "box-7", text=""), plant)
    assert message.subject.endswith("Device not responding: box-7 · Fenmoor Cold Store")
    assert message.body.startswith("Device not responding: box-7\n")


def test_a_condition_from_a_later_version_is_still_readable(plant: Plant) -> None:
    event = replace(alarm(), condition="pipe-haunted")
    subject = alarm_message(event, plant).subject
    assert subject == "HIGH supervisory – Pipe haunted: Dock riser · Fenmoor Cold Store"


def test_what_the_collector_noticed(plant: Plant) -> None:
    fact = SystemEvent(time=T0, site="fenmoor", fact="journal-moved-aside", text="A new one began.")
    message = fact_message(fact, plant)
    assert message.subject == "Notice – Journal moved aside: Fenmoor Cold Store"
    assert "When: Sunday 1 March 2026, 00:10:00 GMT" in message.body


def test_a_repeat_says_so_first(plant: Plant) -> None:
    message = alarm_message(alarm(), plant)
    again = message.as_repeat()
    assert again.subject == message.subject
    assert again.body.startswith("You may have had this message already")
    assert again.body.endswith(message.body)


@pytest.mark.parametrize(("duration", "text"), [
    (0, "0 s"), (999, "0 s"), (59_000, "59 s"), (60_000, "1 min"), (61_000, "1 min 1 s"),
    (3_600_000, "1 h"), (3_630_000, "1 h"), (7_845_000, "2 h 10 min"), (90_000_000, "1 d 1 h"),
    (86_460_000, "1 d"),
])
def test_durations_as_people_say_them(duration: int, text: str) -> None:
    assert duration_text(duration) == text
