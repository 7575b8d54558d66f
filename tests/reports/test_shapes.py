"""The report as page, as paper and as a command: escaped, whole, honest about what is not there."""

import io
import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PdfReader

from collector.cli import main
from collector.domain.conditions import CAUTIONS
from collector.domain.readings import Reading
from collector.journal import Journal
from collector.reports import Report
from collector.reports.report_files import file_name, rendered
from collector.reports.times import last_month, midnight, period_words
from tests.reports.conftest import START, report, section, words
from tests.reports.example import DAY, LONDON, at, site_file

END = START + 14 * DAY
VOID = {"meta", "br", "hr", "img", "link"}


class Checker(HTMLParser):
    """Keeps which tags are open; a tag that does not close is an error."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.ids += [value for name, value in attrs if name == "id" and value]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def checked(text: str) -> Checker:
    checker = Checker()
    checker.feed(text)
    checker.close()
    assert checker.open == []
    return checker


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_page_is_well_formed_and_needs_nothing_else(fortnight: Path) -> None:
    text = rendered(report(fortnight, START, END), "html").decode()
    page = checked(text)
    assert len(page.ids) == len(set(page.ids))
    assert not page.tags & {"script", "img", "link", "iframe", "object"}
    assert not [a for a in page.attributes if a in ("style", "src", "href") or a.startswith("on")]
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text)
    assert text.count("<h1>") == 1
    for caution in CAUTIONS.values():
        assert caution.replace("'", "&#x27;") in text


def test_names_are_escaped(tmp_path: Path) -> None:
    site = site_file(tmp_path, 1)
    bad = "<script>alert('x')</script> & co"
    site.write_text(site.read_text().replace("Fenmoor Cold Store", bad)
                    .replace("Dock riser", bad))
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        journal.commit([Reading(point="r1.pressure", asked=START, time=START, value=20.0)], [])
    found = report(site, START, START + DAY)
    text = rendered(found, "html").decode()
    checked(text)
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    pdf = PdfReader(io.BytesIO(rendered(found, "pdf")))
    assert bad in flat(pdf.pages[0].extract_text())


def test_the_paper_says_the_same(fortnight: Path) -> None:
    found = report(fortnight, START, END)
    pdf = rendered(found, "pdf")
    assert pdf == rendered(found, "pdf")
    reader = PdfReader(io.BytesIO(pdf))
    pages = [flat(page.extract_text()) for page in reader.pages]
    whole = " ".join(pages)
    for text in ("What to do next", "16 Mar 2026, 00:00 to 30 Mar 2026, 01:00", "83.4 GBP",
                 "low limit, 18 psi", "Inspections on site",
                 *(flat(c) for c in CAUTIONS.values())):
        assert text in whole
    assert f"page 1 of {len(pages)}" in pages[0]


def test_what_to_do_next_comes_first(fortnight: Path) -> None:
    first = report(fortnight, START, END).blocks[0]
    assert getattr(first, "text", "") == "What to do next"


def test_an_empty_site_is_told_as_empty(tmp_path: Path, make: Callable[..., Report]) -> None:
    site = tmp_path / "site.toml"
    site.write_text('[site]\nid = "bare"\ntimezone = "UTC"\ndata = "var"\n')
    (tmp_path / "var").mkdir()
    Journal.open(tmp_path / "var/journal.sqlite").close()
    found = make(site, START, START + DAY)
    assert "No readings are in the journal." in words(section(found, "The period in brief"))
    assert "No alarm was raised in this period." in words(section(found, "Events"))
    checked(rendered(found, "html").decode())
    assert rendered(found, "pdf").startswith(b"%PDF")


def test_a_site_with_contacts_only(tmp_path: Path, make: Callable[..., Report]) -> None:
    site = tmp_path / "site.toml"
    site.write_text('[site]\nid = "bare"\ntimezone = "UTC"\ndata = "var"\n'
                    '[[generators]]\nid = "gen1"\n')
    (tmp_path / "var").mkdir()
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        journal.commit([
            Reading(point=p, asked=t, time=t, value=float(t % 2))
            for t in range(START, START + DAY, 600_000)
            for p in ("gen1.compressor_running", "gen1.trouble")], [])
    found = make(site, START, START + DAY)
    assert "No riser's pressure is read here: every gauge needs inspection on site." in words(
        section(found, "Gauge readings"))
    assert "Nitrogen generator" not in " ".join(words(found.blocks))
    seen = words(section(found, "Valid data"))
    assert any(w.startswith("gen1: all 2 points | 100 %") for w in seen), seen
    assert any(w.startswith("Tank leak, gen1: ")
               for w in words(section(found, "Not monitored")))
    assert any("not known: no leak rate" in w for w in words(found.blocks))


def test_what_lies_before_the_journal_is_said(fortnight: Path) -> None:
    found = report(fortnight, START - 7 * DAY, END)
    assert any(w.startswith("The journal begins at 16 Mar 2026, 00:00, after the period's start")
               for w in words(section(found, "Valid data")))


def test_the_command_writes_both_while_the_journal_is_written(
    fortnight: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    with Journal.open(fortnight.parent / "var/journal.sqlite"):
        assert main(["report", str(fortnight), "--from", "2026-03-16", "--to", "2026-03-30",
                     "--out", str(tmp_path / "out")]) == 0
    files = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert [f.name for f in files] == ["fenmoor-2026-03-16-2026-03-29.html",
                                       "fenmoor-2026-03-16-2026-03-29.pdf"]
    assert files[1].read_bytes().startswith(b"%PDF")
    assert sorted(f.name for f in (tmp_path / "out").iterdir()) == sorted(f.name for f in files)


@pytest.mark.parametrize(("options", "said"), [
    (["--from", "2026-03-30", "--to", "2026-03-16"], "ends before it begins"),
    (["--from", "yesterday"], "yesterday"),
    (["--format", "docx"], 'no format "docx"'),
])
def test_a_wrong_call_is_told_in_a_sentence(
    fortnight: Path, capsys: pytest.CaptureFixture[str], options: list[str], said: str,
) -> None:
    assert main(["report", str(fortnight), *options]) == 2
    assert said in capsys.readouterr().err


def test_no_journal_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(site_file(tmp_path))]) == 1
    assert "no journal yet" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_is_told(
    fortnight: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "file").write_text("")
    assert main(["report", str(fortnight), "--from", "2026-03-16", "--to", "2026-03-17",
                 "--out", str(tmp_path / "file/below"), "--format", "html"]) == 1
    assert "cannot be written" in capsys.readouterr().err


def test_days_are_the_sites_own() -> None:
    assert midnight("2026-07-01", LONDON) == at("2026-07-01T00:00")
    assert midnight("2026-07-01T00:00:00Z", LONDON) == at("2026-07-01T01:00")
    # By London's clock it is still June at 23:30 UTC on 30 June less an hour.
    assert last_month(at("2026-07-01T00:30"), LONDON) == (at("2026-06-01"), at("2026-07-01"))
    assert last_month(at("2026-06-30T23:30"), LONDON) == (at("2026-05-01"), at("2026-06-01"))
    assert period_words(at("2026-03-01"), at("2026-04-01"), LONDON) == \
        "1 March 2026 to 31 March 2026"
    assert period_words(at("2026-03-01T06:00"), at("2026-03-02"), LONDON) == \
        "1 Mar 2026, 06:00 to 2 Mar 2026, 00:00"


def test_files_are_named_by_the_days_they_hold() -> None:
    assert file_name("fenmoor", START, START + DAY, LONDON) == \
        "fenmoor-2026-03-16-2026-03-16"
