"""``quietpipe explain`` as a person calls it."""

from __future__ import annotations

import pytest

from collector.cli import main
from collector.handbook import page_ids


def test_without_an_id_it_lists_every_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain"]) == 0
    shown = capsys.readouterr().out
    for name in page_ids():
        assert f"\n{name} " in shown


def test_a_page_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "pressure-low"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Pressure low\n====")
    assert "\x1b" not in out
    assert err == ""


@pytest.mark.parametrize(("given", "meant"), [
    ("presure-low", "pressure-low"), ("leak", "leak-high"), ("Leak_High", "leak-high"),
    ("site file", "site-file"), ("oxygen-not-faling", "oxygen-not-falling"),
])
def test_a_near_miss_says_what_may_have_been_meant(
    capsys: pytest.CaptureFixture[str], given: str, meant: str,
) -> None:
    assert main(["explain", given]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert f'there is no page "{given}"; did you mean' in err
    assert meant in err


@pytest.mark.parametrize("given", ["", "zzz", "../cli", "__init__"])
def test_nothing_near_still_says_where_to_look(
    capsys: pytest.CaptureFixture[str], given: str,
) -> None:
    assert main(["explain", given]) == 2
    assert "quietpipe explain lists every page" in capsys.readouterr().err


def test_help_has_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["explain", "--help"])
    assert ended.value.code == 0
    assert "quietpipe explain pressure-low" in capsys.readouterr().out
