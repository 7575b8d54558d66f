"""The page behind a link: what it shows, what its button does, and what was tried against it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from dataclasses import replace
from urllib.parse import quote

import httpx
import pytest

from collector.domain.actions import OperatorAction
from collector.domain.events import AlarmTransition, Event, Priority, Signal, Transition
from collector.domain.live import AlarmState, LiveAlarm
from collector.domain.messages import Link, LinkSigner
from collector.web import BoardServices, create_app
from collector.web.pages.message_link_page import AttemptRates
from collector.web.services import LinkServices
from tests.web.fakes import HOUR, MINUTE, NOW, FakeSite

KEY = b"a key that only this site has, 42"
SIGNER = LinkSigner(KEY, "fenmoor")
TEXT = ("Pressure low: Dock riser. Since 08:58:00 on Sunday 19 July 2026 (BST). "
        "16.2 psi; the limit is 18.0 psi. Check in this order: 1) an open head, drain or test "
        "valve; 2) the air maintenance device. Caution: Filling is an impairment. "
        "Caution: <b>Wear</b> a meter.")


class Linked:
    """A site with one riser low, its links, and everything that was done to it."""

    def __init__(self) -> None:
        self.site = FakeSite()
        self.now = NOW
        self.low = self._alarm("pressure-low", "r1")
        self.cold = self._alarm("low-temperature", "r2")
        self.site.alarms = [self.low, self.cold]
        self.history: list[AlarmTransition] = []
        for alarm in self.site.alarms:
            self._write(alarm, Transition.RAISED, alarm.raised)

    @staticmethod
    def _alarm(condition: str, asset: str) -> LiveAlarm:
        raised = NOW - 12 * MINUTE
        return LiveAlarm(
            id=f"{condition}.{asset}.{raised // 1000}", condition=condition, asset=asset,
            state=AlarmState.UNACKNOWLEDGED, signal=Signal.SUPERVISORY, priority=Priority.HIGH,
            present=True, since=raised, raised=raised, text=TEXT)

    def _write(self, alarm: LiveAlarm, transition: Transition, at: int, **who: str) -> None:
        self.history.append(AlarmTransition(
            time=at, site="fenmoor", condition=alarm.condition, asset=alarm.asset, id=alarm.id,
            transition=transition, priority=alarm.priority, signal=alarm.signal, since=alarm.since,
            text=TEXT, **who))

    async def act(self, action: OperatorAction) -> Sequence[Event]:
        await self.site.act(action)
        alarm = next(a for a in self.site.alarms if a.id == action.alarm)
        self._write(alarm, Transition.ACKNOWLEDGED, action.time, by=action.by)
        return []

    async def of(self, occurrence: str) -> Sequence[AlarmTransition]:
        return [e for e in self.history if e.id == occurrence]

    def ends(self, alarm: LiveAlarm, transition: Transition, state: AlarmState | None,
             **who: str) -> None:
        """Let something else become of an alarm."""
        self._write(alarm, transition, NOW - MINUTE, **who)
        left = [a for a in self.site.alarms if a.id != alarm.id]
        self.site.alarms = [*left, replace(alarm, state=state, present=False)] if state else left

    def services(self) -> BoardServices:
        names = {"ann": "Ann Archer"}
        return replace(self.site.services(), act=self.act, links=LinkServices(
            read=SIGNER.read, name=lambda who: names.get(who, who), history=self.of))

    def token(self, *alarms: LiveAlarm, expires: int = NOW + HOUR,
              signer: LinkSigner = SIGNER) -> str:
        ids = tuple(a.id for a in alarms or (self.low,))
        return signer.sign(Link(person="ann", occurrences=ids, expires=expires))


@pytest.fixture
def linked() -> Linked:
    return Linked()


@pytest.fixture
async def phone(linked: Linked) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(app=create_app(linked.services()))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as client:
        yield client


async def test_the_page_has_everything_and_opening_it_changes_nothing(linked, phone):
    for _ in range(3):  # a mail scanner, the mail program, the person
        page = await phone.get(f"/a/{linked.token()}")
        assert page.status_code == 200
    text = page.text
    for said in ("Not acknowledged", "Pressure low", "Dock riser",
                 "High supervisory", "08:58, for 12 min",
                 "16.2 psi; the limit is 18.0 psi", "<li>the air maintenance device</li>",
                 "Filling is an impairment.", "&lt;b&gt;Wear&lt;/b&gt; a meter.",
                 "Sent to Ann Archer", "Acknowledge</button>", "not a listed fire-alarm"):
        assert said in text, said
    assert linked.site.actions == []
    assert page.headers["cache-control"] == "no-store"
    assert page.headers["x-robots-tag"] == "noindex"
    assert "script" not in text


async def test_the_button_acknowledges_once_by_name_and_link(linked, phone):
    link = f"/a/{linked.token()}"
    done = await phone.post(link)
    assert (done.status_code, done.headers["location"]) == (303, link)
    (action,) = linked.site.actions
    assert (action.by, action.alarm, action.kind) == ("Ann Archer by link", linked.low.id,
                                                      "acknowledge")
    page = await phone.get(link)
    assert page.status_code == 200
    assert "You acknowledged it with this link." in page.text
    assert "Acknowledged by Ann Archer by link at 09:10." in page.text
    assert "<button" not in page.text
    # Replayed, as a scanner or somebody with the message might.
    again = await phone.post(link)
    assert again.status_code == 409
    assert "You acknowledged it with this link" in again.text
    assert len(linked.site.actions) == 1


async def test_one_link_of_a_burst_acknowledges_all_that_still_wait(linked, phone):
    link = f"/a/{linked.token(linked.low, linked.cold)}"
    assert "Acknowledge all 2" in (await phone.get(link)).text
    linked.ends(linked.cold, Transition.SHELVED, AlarmState.SHELVED, by="guard", why="door open")
    page = await phone.get(link)
    assert "Acknowledge</button>" in page.text
    assert "Shelved by guard at 09:09 (door open)." in page.text
    assert (await phone.post(link)).status_code == 303
    assert [a.alarm for a in linked.site.actions] == [linked.low.id]


@pytest.mark.parametrize(("transition", "state", "said"), [
    (Transition.RETURNED, AlarmState.RETURNED_UNACKNOWLEDGED, "Returned to normal at 09:09."),
    (Transition.RETURNED, None, "Returned to normal at 09:09."),
    (Transition.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Acknowledged by guard at 09:09."),
    (Transition.SHELVED, AlarmState.SHELVED, "Shelved by guard at 09:09."),
    (Transition.OUT_OF_SERVICE, AlarmState.OUT_OF_SERVICE, "Taken out of service by guard"),
    (Transition.SUPPRESSED, AlarmState.SUPPRESSED, "Suppressed by design by guard"),
])
async def test_after_it_is_over_or_others_dealt_with_it(linked, phone, transition, state, said):
    by = {} if transition is Transition.RETURNED else {"by": "guard"}
    linked.ends(linked.low, transition, state, **by)
    link = f"/a/{linked.token()}"
    page = await phone.get(link)
    assert page.status_code == 200
    assert said in page.text
    assert "<button" not in page.text
    pressed = await phone.post(link)
    assert pressed.status_code == 409
    assert "Nothing left to acknowledge" in pressed.text
    assert linked.site.actions == []


async def test_an_old_link_does_not_acknowledge_the_next_occurrence(linked, phone):
    link = f"/a/{linked.token()}"
    linked.ends(linked.low, Transition.RETURNED, None)
    again = replace(linked.low, id=f"pressure-low.r1.{NOW // 1000}")
    linked.site.alarms.append(again)
    assert (await phone.post(link)).status_code == 409
    assert linked.site.actions == []


ABUSES = {
    "expired": (lambda x: x.token(expires=NOW), 410, "This link has expired"),
    "forged with another key": (
        lambda x: x.token(signer=LinkSigner(b"another key of 16 bytes or more", "fenmoor")),
        403, "This link is not valid"),
    "for another site": (lambda x: x.token(signer=LinkSigner(KEY, "highmoor")), 403,
                         "This link is for another site"),
    "cut off by a mail program": (lambda x: x.token()[:-5], 403, "or is incomplete"),
    "payload of one, signature of another": (
        lambda x: x.token(x.cold).partition(".")[0] + "." + x.token().partition(".")[2],
        403, "This link is not valid"),
    "no signature": (lambda x: x.token().partition(".")[0], 403, "This link is not valid"),
    "a walk up the folders": (lambda x: "..%2F..%2Flinks.key", 404, ""),
    "markup": (lambda x: quote("<script>alert(1)</script>", safe=""), 404, ""),
    "markup without a slash": (lambda x: quote("<img src=x onerror=alert(1)>"), 403,
                               "This link is not valid"),
    "a very long one": (lambda x: "A" * 60_000, 403, "This link is not valid"),
}


@pytest.mark.parametrize("name", ABUSES)
async def test_abuse_shows_a_page_tells_nothing_and_changes_nothing(linked, phone, name):
    make, status, said = ABUSES[name]
    for ask in (phone.get, phone.post):
        answer = await ask(f"/a/{make(linked)}")
        assert answer.status_code == status
        assert said in answer.text
        for secret in ("Dock riser", "Fenmoor", "Ann Archer", "psi", KEY.decode(), "onerror=alert"):
            assert secret not in answer.text
    assert linked.site.actions == []


async def test_another_sites_page_cannot_press_the_button(linked, phone):
    link = f"/a/{linked.token()}"
    for headers in ({"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"},
                    {"origin": "null"}):
        assert (await phone.post(link, headers=headers)).status_code == 403
    assert linked.site.actions == []


async def test_other_methods_do_nothing(linked, phone):
    for method in ("PUT", "DELETE", "PATCH", "HEAD", "OPTIONS"):
        answer = await phone.request(method, f"/a/{linked.token()}")
        assert answer.status_code == 405
    assert linked.site.actions == []


async def test_guessing_is_slowed_down_and_locks_no_good_link_out(linked, phone, caplog):
    statuses = [(await phone.get(f"/a/guess-{n}.x")).status_code for n in range(25)]
    assert statuses == [403] * 20 + [429] * 5
    assert (await phone.get(f"/a/{linked.token()}")).status_code == 200
    assert (await phone.post(f"/a/{linked.token()}")).status_code == 303
    assert "guess-1.x" not in caplog.text
    linked.site.clock.advance(5 * MINUTE)
    assert (await phone.get("/a/guess-1.x")).status_code == 403


async def test_a_good_link_asked_for_ever_again_is_slowed_down(linked, phone):
    link = f"/a/{linked.token()}"
    statuses = [(await phone.get(link)).status_code for _ in range(32)]
    assert statuses == [200] * 30 + [429] * 2
    assert (await phone.get(f"/a/{linked.token(linked.cold)}")).status_code == 200


async def test_a_link_opens_nothing_else(linked, phone):
    token = linked.token()
    answer = await phone.post(f"/api/v1/alarms/{linked.low.id}/shelve",
                              headers={"authorization": f"Bearer {token}"},
                              json={"by": "x", "why": "y", "for": "1 h"})
    assert answer.status_code == 401
    assert linked.site.actions == []


async def test_its_sheet_and_its_mark_come_from_here(phone):
    sheet = await phone.get("/a/link.css")
    assert sheet.headers["content-type"].startswith("text/css")
    assert "url(" not in sheet.text
    assert "@import" not in sheet.text
    mark = await phone.get("/a/mark.svg")
    assert mark.headers["content-type"] == "image/svg+xml"
    assert "script" not in mark.text


async def test_without_links_there_is_no_page(linked):
    transport = httpx.ASGITransport(app=create_app(linked.site.services()))
    async with httpx.AsyncClient(transport=transport, base_url="http://board.test") as client:
        assert (await client.get(f"/a/{linked.token()}")).status_code == 404


def test_a_limiter_forgets_whom_it_heard_of_longest_ago():
    limiter = AttemptRates(most=1, window=1000, kept=2)
    for key in ("a", "b", "c"):
        limiter.count(key, 0)
    assert limiter.allows("a", 0)
    assert not limiter.allows("c", 0)
    assert limiter.allows("c", 1000)
