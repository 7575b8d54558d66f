"""Names and texts that would be markup or formulas elsewhere: they stay words.

They come from a site file, a device, a person at the board or another site on the broker, and end
in pages, mails, PDF documents, Grafana, CSV and log lines.
"""

from __future__ import annotations

import html.parser
import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi import FastAPI

from collector.domain.events import SystemEvent, event_from_json, event_to_json
from collector.domain.plant import Generator, Plant, Riser, Site
from collector.logs import JsonLines, TerminalLines, hide_secret
from collector.notify import Message, alarm_message, fact_message
from collector.notify.channels import AppriseChannel
from collector.notify.recipients import Recipient
from collector.pdf import PdfDocument
from collector.web import create_app
from tests.config.conftest import Folder, folder
from tests.notify.conftest import T0, alarm
from tests.notify.mailserver import MailServer
from tests.web.conftest import client_of, sign_in
from tests.web.fakes import FakeSite, accounts

__all__ = ["folder"]

WORDS = {
    "script": "<script>alert(1)</script>",
    "closing tag": "</title></style></script><img src=x onerror=alert(1)>",
    "attribute": "\" onmouseover=\"alert(1)\" x=\"",
    "quote": "' onclick='alert(1)",
    "template": "{{7*7}}${7*7}#{7*7}{% raw %}",
    "address": "javascript:alert(1)",
    "markdown": "[x](javascript:alert(1)) ![y](http://evil.example/z)",
    "percent": "%s%n%d %(name)s {0.__class__}",
    "direction": "\u202egnp.exe\u2066\u2069",
    "query": "'; DROP TABLE events; --",
    "grafana": "${__all_variables} $__interval [[site]]",
}


class Tags(html.parser.HTMLParser):
    """Finds what a browser would run or load from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            address = value or "" if name in ("href", "src", "action", "formaction") else ""
            if name.startswith("on") or address.lower().startswith("javascript:") \
                    or "evil.example" in address:
                self.found.append(f"{tag} {name}={value}")
        if tag == "script" and not dict(attrs).get("src"):
            self.found.append(tag)


def tags(text: str) -> list[str]:
    parser = Tags()
    parser.feed(text)
    return parser.found


def named(word: str) -> Plant:
    return Plant(
        site=Site(id="fenmoor", name=word, timezone="Europe/London"),
        generators={"gen1": Generator(id="gen1", name=word)},
        risers={"r1": Riser(id="r1", name=word, fed_by="gen1")})


@pytest.fixture
def site(tmp_path: Path) -> Iterator[FakeSite]:
    people = accounts(tmp_path)
    yield FakeSite(accounts=people)
    people.close()


PAGES = ["/", "/alarms", "/things/gen1", "/things/r1", "/health", "/windows", "/work", "/survey",
         "/things/gen1/compressor", "/things/r1/purge", "/points/gen1.tank_pressure", "/account"]


@pytest.mark.parametrize("name", WORDS)
async def test_a_name_is_no_markup_on_any_page(site: FakeSite, name: str) -> None:
    from dataclasses import replace
    word, plant = WORDS[name], site.plant
    site.plant = replace(
        plant, site=replace(plant.site, name=word),
        generators={i: replace(g, name=word) for i, g in plant.generators.items()},
        risers={i: replace(r, name=word) for i, r in plant.risers.items()},
        vents={i: replace(v, name=word) for i, v in plant.vents.items()})
    seen = 0
    async with client_of(create_app(site.services())) as client:
        await sign_in(client, "R. Okafor")
        for path in PAGES:
            answer = await client.get(path, headers={"accept": "text/html"})
            if answer.status_code == 200:
                assert tags(answer.text) == [], path
                if name == "template":
                    assert "{{7*7}}" in answer.text, path
                seen += answer.headers["content-type"].startswith("text/html")
    assert seen >= 5


@pytest.mark.parametrize("name", WORDS)
async def test_what_a_visitor_sends_is_no_markup_in_the_answer(
    site: FakeSite, name: str,
) -> None:
    word = WORDS[name]
    async with client_of(create_app(site.services())) as client:
        await sign_in(client, "R. Okafor")
        for path, ask in (("/alarms", {"search": word, "before": word}),
                          ("/sign-in", {"next": word}),
                          (f"/things/{word[:30]}", {}), ("/api/v1/series", {"point": word})):
            answer = await client.get(path, params=ask, headers={"accept": "text/html"})
            assert answer.status_code < 500
            assert tags(answer.text) == [], path
        answer = await sign_in(client, word, "x")
        assert tags(answer.text) == []
        answer = await client.get(f"/a/{word[:40]}.x")
        assert tags(answer.text) == []


@pytest.mark.parametrize("name", WORDS)
async def test_a_name_adds_no_header_and_no_markup_to_a_mail(name: str) -> None:
    plant = named(WORDS[name])
    for end in ("", "\r\nBcc: thief@evil.example\r\n\r\nbody", "\nX-Evil: 1"):
        message = alarm_message(alarm(text=f"Pressure is low{end}."), plant)
        message = Message(subject=message.subject + end, body=message.body)
        with MailServer().serving() as server:
            await AppriseChannel(timeout=3).send(Recipient(id="a", to=server.address()), message)
            (mail,) = server.mails
        assert mail.get_content_type() == "text/plain"
        assert mail["Bcc"] is None
        assert mail["X-Evil"] is None
        assert [h for h in mail if h.lower() == "subject"] == ["Subject"]


@pytest.mark.parametrize("name", WORDS)
def test_a_name_is_text_in_a_pdf_and_nothing_that_acts(tmp_path: Path, name: str) -> None:
    from pypdf import PdfReader
    word = WORDS[name]
    made = PdfDocument(site=word, period="March", title=word, made=T0, zone="Europe/London")
    made.heading(word)
    made.paragraph(word)
    path = tmp_path / "x.pdf"
    path.write_bytes(made.bytes())
    reader = PdfReader(path)
    assert reader.metadata is not None
    catalogue = reader.trailer["/Root"]
    assert not {"/AA", "/AcroForm", "/Names"} & set(catalogue)
    assert isinstance(catalogue["/OpenAction"], list)  # a place in the document, no action
    assert all("/Annots" not in page or not page["/Annots"] for page in reader.pages)


@pytest.mark.parametrize("name", WORDS)
def test_a_name_does_not_change_what_a_dashboard_asks(
    folder: Folder, tmp_path: Path, name: str,  # noqa: F811
) -> None:
    import argparse

    from collector.commands.dashboards import dashboards_arguments, run_dashboards
    word = WORDS[name]
    folder.swap('name = "Fenmoor Cold Store"', f"name = {json.dumps(word)}").swap(
        'name = "Dock riser"', f"name = {json.dumps(word)}")
    folder.load()
    parser = argparse.ArgumentParser()
    dashboards_arguments(parser)
    out = tmp_path / "out"
    options = parser.parse_args([str(folder.path / "site.toml"), "--to", str(out)])
    assert run_dashboards(options) == 0
    for path in out.rglob("*.json"):
        board = json.loads(path.read_text())
        for query in _queries(board):
            assert word not in query


def _queries(data: object) -> Iterator[str]:
    if isinstance(data, dict):
        for key, value in data.items():
            if key in ("query", "rawSql", "expr") and isinstance(value, str):
                yield value
            yield from _queries(value)
    elif isinstance(data, list):
        for value in data:
            yield from _queries(value)


@pytest.mark.parametrize("word", [*WORDS.values(), "=1+1", "a\nb", "a\r\nb", '"', "a,b", "\x00"])
def test_a_text_of_an_event_survives_as_one_line_of_json(word: str) -> None:
    event = SystemEvent(time=T0, site="fenmoor", fact="well", text=word, values={"by": word})
    line = event_to_json(event)
    assert "\n" not in line
    assert "\r" not in line
    assert event_from_json(line) == event
    assert fact_message(event, named("x")).subject.count("\n") == 0


@pytest.mark.parametrize("formatter", [JsonLines(), TerminalLines()])
def test_a_log_line_stays_one_line_whatever_it_says(formatter: logging.Formatter) -> None:
    hide_secret("hunter2-hunter2")
    for said in ("x\r\n2026-03-01T00:00:00Z INFO all is well", "\x1b[2J\x1b]0;evil\x07",
                 "\u2028x", "hunter2-hunter2", "\x00"):
        record = logging.LogRecord("a", logging.ERROR, "f.py", 1, "%s", (said,), None)
        record.path = said
        line = formatter.format(record)
        assert len(line.splitlines()) == 1
        assert all(c.isprintable() for c in line), line
        assert "hunter2" not in line


async def test_a_host_name_of_another_does_not_get_into_links(
    site: FakeSite, tmp_path: Path,
) -> None:
    app: FastAPI = create_app(site.services())
    async with client_of(app) as client:
        for host in ("evil.example", "board.test@evil.example", "board.test:80@evil"):
            answer = await client.get("/alarms", headers={"host": host, "accept": "text/html"})
            assert "evil" not in answer.text
            assert "evil" not in answer.headers.get("location", "")


