"""Answers of a survey: pass, fail, or not known with what would tell; the basis as paper has it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from collector.domain.basis import CONFIRM, AdoptedCode, printed_basis
from collector.survey import Deliveries, Delivery, make_survey
from collector.survey.parts import FILL, LARGEST
from tests.survey.test_survey import SCFM, UNIT, plant


def answers(scfm: float) -> list[tuple[str, str]]:
    bare = replace(UNIT, compressor_delivery=None, nitrogen_delivery=None)
    found = make_survey(plant(unit=bare), deliveries=Deliveries(
        air={}, nitrogen={"gen1": Delivery(flow=scfm * SCFM, source="measured on nitrogen")}))
    return [(n.answer, n.evidence) for n in found.risers[0].notes if "fill" in n.text.lower()]


@pytest.mark.parametrize(("scfm", "answer"), [(1.0, "Not known"), (2.0, "Not known"),
                                              (3.6, "Not known"), (6.0, "Pass")])
def test_a_delivery_on_nitrogen_never_fails_the_fill(scfm: float, answer: str) -> None:
    ((said, evidence),) = answers(scfm)
    assert said == answer
    assert ("a fill on air that is timed" in evidence) is (answer == "Not known")


def test_what_is_conditional_is_not_known_and_says_what_would_tell() -> None:
    riser = replace(plant().risers["r1"], volume=600 * 3.785e-3, pipes=())
    found = make_survey(replace(plant(), risers={"r1": riser}))
    note = next(n for n in found.risers[0].notes if "quick-opening" in n.text)
    assert (note.answer, note.evidence) == (
        "Not known", "a trip test that times the water at the test outlet")


def test_paper_names_the_adopted_code_or_asks_the_authority() -> None:
    adopted = AdoptedCode(installation="NFPA 13 (2019), 8.2.6", authority="Fenmoor")
    assert printed_basis(FILL.source, adopted) == "NFPA 13 (2019), 8.2.6, adopted on site"
    assert printed_basis(LARGEST.source, AdoptedCode()).endswith(CONFIRM)
    assert printed_basis("NFPA 25 (2014), read in a quotation", adopted).endswith(
        f"{CONFIRM}, Fenmoor")
    site = replace(plant().site, code=adopted)
    found = make_survey(replace(plant(), site=site))
    assert found.basis(FILL.source) == "NFPA 13 (2019), 8.2.6, adopted on site"
