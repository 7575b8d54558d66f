"""An incident from its raising to its close: values, notes, a photo without what a camera adds."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from PIL import Image

from collector.domain.events import AlarmTransition, Priority, Signal, SystemEvent, Transition
from collector.web import create_app
from tests.web.conftest import Signed, mark_in
from tests.web.fakes import MINUTE, NOW, FakeSite
from tests.web.pages.states import LONG_RUN

LONG = f"compressor-long-run.gen1.{(NOW - 17 * MINUTE) // 1000}"


def moved(transition: Transition, minutes: int, **more: object) -> AlarmTransition:
    since = NOW - 17 * MINUTE
    return AlarmTransition(
        time=NOW - minutes * MINUTE, site="fenmoor", condition="compressor-long-run",
        asset="gen1", transition=transition, priority=Priority.HIGH, signal=Signal.TROUBLE,
        since=since, id=LONG, **({"text": LONG_RUN, "values": {
            "run_minutes": 17.2, "limit_minutes": 12.0}} | more))  # type: ignore[arg-type]


@pytest.fixture
def app(site: FakeSite, tmp_path: Path) -> FastAPI:
    def record(fact: str, text: str, values: dict[str, str]) -> None:
        site.events.append(SystemEvent(time=NOW, site="fenmoor", fact=fact, text=text,
                                       values=values))
    site.events[:] = [moved(Transition.RAISED, 17),
                      moved(Transition.ACKNOWLEDGED, 12, by="J. Whitlock", why="on site in 40 min")]
    return create_app(replace(site.services(), record_event=record, incidents=tmp_path / "photos"))


def photo(size: tuple[int, int] = (3000, 2000)) -> bytes:
    """A picture with what a camera adds: where it was taken, by whom."""
    made = Image.new("RGB", size, (200, 40, 40))
    extra = Image.Exif()
    extra[0x013B] = "J. Whitlock's camera"
    out = io.BytesIO()
    made.save(out, "JPEG", exif=extra)
    return out.getvalue()


async def send(client: httpx.AsyncClient, content: bytes) -> httpx.Response:
    mark = mark_in((await client.get(f"/incidents/{LONG}")).text)
    return await client.post(f"/incidents/{LONG}/photo", data={"csrf": mark},
                             files={"photo": ("a.jpg", content, "image/jpeg")})


async def test_from_raised_to_returned_with_notes_and_a_photo(
    signed: Signed, site: FakeSite, tmp_path: Path,
) -> None:
    client = await signed("J. Whitlock")
    page = (await client.get(f"/incidents/{LONG}")).text
    for words in ("Compressor running too long, Generator, dock end", "so far",
                  "run 17 min 12 s, limit 12 min", "by J. Whitlock; on site in 40 min",
                  "A leak in the pipe" if "A leak in the pipe" in page else "a leak in the pipe"):
        assert words in page, words
    form = {"csrf": mark_in(page), "text": "head at bay 4  leaks <b>"}
    assert (await client.post(f"/incidents/{LONG}/note", data=form)).status_code == 303
    assert (await send(client, photo())).status_code == 303
    site.events.append(moved(Transition.RETURNED, 0, text="It ended."))
    page = (await client.get(f"/incidents/{LONG}")).text
    assert "J. Whitlock: head at bay 4 leaks &lt;b&gt;" in page
    assert "Returned to normal" in page
    assert "17 min</span>" in page
    assert page.index("Raised") < page.index("Acknowledged") < page.index("Note")
    shown = await client.get(f"/incidents/{LONG}/photos/1")
    assert shown.headers["content-type"] == "image/jpeg"
    kept = Image.open(io.BytesIO(shown.content))
    assert kept.size == (1600, 1067)
    assert not dict(kept.getexif())
    assert b"camera" not in shown.content


@pytest.mark.parametrize("content", [b"", b"<svg onload=x>", b"%PDF-1.7", photo((64, 64))[:400]])
async def test_what_is_no_photo_is_refused(
    signed: Signed, content: bytes, tmp_path: Path,
) -> None:
    answer = await send(await signed("J. Whitlock"), content)
    assert answer.status_code == 400
    assert not (tmp_path / "photos").exists()


async def test_limits_roles_and_ids(
    signed: Signed, client: httpx.AsyncClient, site: FakeSite,
) -> None:
    assert (await client.get("/incidents/nothing.r1.1")).status_code == 404
    assert (await client.get("/incidents/..%2Fpeople.sqlite")).status_code == 404
    assert (await client.get(f"/incidents/{LONG}/photos/0")).status_code == 404
    looking = await signed("L. Ames")
    mark = mark_in((await looking.get("/alarms")).text)
    refused = await looking.post(f"/incidents/{LONG}/note", data={"csrf": mark, "text": "x"})
    assert refused.status_code == 403
    responding = await signed("J. Whitlock")
    assert (await send(responding, b"\xff" * (13 << 20))).status_code == 413
    no_mark = await responding.post(f"/incidents/{LONG}/photo",
                                    files={"photo": ("a.jpg", photo(), "image/jpeg")})
    assert no_mark.status_code == 403
    assert not [e for e in site.events if getattr(e, "fact", "").startswith("incident")]
