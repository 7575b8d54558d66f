"""The paper: its text can be found again, its pages are numbered, its bytes are the same twice."""

import io
import sys
from subprocess import run

import pytest
from pypdf import PdfReader

from collector.pdf import PdfDocument
from collector.plots import Axis, Curve, Level, Plot

MADE = 1_772_323_200_000


def begin(site: str = "Fenmoor Cold Store") -> PdfDocument:
    return PdfDocument(site=site, period="1 to 31 March 2026", title="Review", made=MADE,
                 zone="Europe/London")


def text(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def everything(site: str = "Fenmoor Cold Store") -> bytes:
    paper = begin(site)
    paper.heading("What to do next")
    paper.bullets(["Mend the leak.", "Look at the vent."], numbered=True)
    paper.pairs([("Site", "fenmoor"), ("Note", "long " * 80)])
    paper.table(["Time", "Value"], [[f"{n} March", f"{n}.5 psi"] for n in range(90)], align="LR")
    paper.plot(Plot(title="Tank pressure", start=0, end=86_400_000, zone="UTC",
                    axis=Axis(unit="psi"), levels=(Level(value=60.0, label="cut-in"),),
                    series=(Curve(label="tank", points=[(0, 60.0), (86_400_000, 80.0)]),)))
    paper.box("Cautions", ["It only reads."])
    paper.signatures([("A. Person", "technician", "1 March 2026"), ("", "", "")])
    return paper.bytes()


def test_words_tables_plots_and_the_frame_are_in_the_text() -> None:
    pages = text(everything())
    whole = "\n".join(pages)
    for words in ("Review", "Fenmoor Cold Store", "1 to 31 March 2026", "What to do next",
                  "Mend the leak.", "89.5 psi", "cut-in, 60 psi", "It only reads.", "A. Person",
                  "Made 1 March 2026, 00:00 GMT"):
        assert words in whole
    assert len(pages) > 1
    for number, page in enumerate(pages, 1):
        assert f"page {number} of {len(pages)}" in page
        assert "Fenmoor Cold Store · 1 to 31 March 2026" in page
        if "psi" in page and number < 3:
            assert "Value" in page  # the header of the table stands on each of its pages


def test_the_same_words_and_time_give_the_same_bytes() -> None:
    assert everything() == everything()


@pytest.mark.parametrize("site", ["Größe Łódź Šķēde", "Склад Θήβα", "<script>alert(1)</script>"])
def test_site_names_keep_their_letters(site: str) -> None:
    assert site in text(everything(site))[0]


def test_a_letter_that_no_font_has_becomes_a_box_not_an_error(monkeypatch) -> None:
    monkeypatch.setattr("collector.pdf.machine_font", lambda letter: None)
    paper = begin("Cold 京都")
    assert "Cold ▯▯" in text(paper.bytes())[0]


def test_nothing_of_the_pdf_library_is_loaded_before_a_paper_is_begun() -> None:
    script = ("import sys, collector.pdf, collector.plots; "
              "sys.exit(bool({'fpdf', 'fontTools', 'PIL', 'pymupdf_fonts'} & set(sys.modules)))")
    assert run([sys.executable, "-c", script], check=False).returncode == 0
