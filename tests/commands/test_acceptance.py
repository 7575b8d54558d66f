"""``quietpipe acceptance`` as a technician calls it: what is asked, said, refused and kept."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.app.wiring import open_acceptance, record_store
from collector.cli import main
from collector.config import load_site
from collector.journal import Journal
from tests.acceptance.step_readings import T0, series

SITE = """
[site]
id = "works"
name = "The works"
timezone = "Europe/London"
data = "data"
[[generators]]
id = "gen1"
name = "Generator 1"
[[risers]]
id = "r1"
name = "Dock riser"
fed_by = "gen1"
supervisory_pressure = "40 psi"
[[devices]]
id = "box"
address = "tcp://127.0.0.1:9"
profile = "box.toml"
watches = ["gen1", "r1"]
"""
PROFILE = """
[profile]
name = "Box"
word_order = "high-first"
byte_order = "high-first"
[[points]]
quantity = "product_oxygen"
table = "input-registers"
address = 0
type = "int16"
unit = "%"
[[points]]
quantity = "compressor_running"
table = "discrete-inputs"
address = 0
[[points]]
quantity = "trouble"
normally_open = { table = "discrete-inputs", address = 1 }
normally_closed = { table = "discrete-inputs", address = 2 }
"""
Call = Callable[..., int]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "box.toml").write_text(PROFILE)
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    return path


@pytest.fixture
def call(site: Path, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Call the command with answers typed in; the watch has read 200 s of both legs."""
    seconds = [n * 5 for n in range(41)]
    rows = [*series("gen1.trouble_no", lambda s: float(s > 50), seconds),
            *series("gen1.trouble_nc", lambda s: float(s <= 50), seconds)]
    (site.parent / "data").mkdir()
    with Journal.open(site.parent / "data" / "journal.sqlite") as journal:
        journal.commit(rows, [], meta={"tick": str(T0)})

    def run(*options: str, answers: tuple[str, ...] = (), now: float = 0) -> int:
        with Journal.open(site.parent / "data" / "journal.sqlite") as journal:
            journal.commit([], [], meta={"tick": str(T0 + round(now * 1000))})
        monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{a}\n" for a in answers)))
        return main(["acceptance", str(site), *options])
    return run


def test_without_a_journal_it_says_what_to_start(
    site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["acceptance", str(site), "--list"]) == 1
    assert "start quietpipe run" in capsys.readouterr().err


def test_the_list_before_anything_was_opened(
    call: Call, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call("--list") == 0
    out, err = capsys.readouterr()
    assert "contact.gen1.trouble" in out
    assert "cannot be timed" in out
    assert "No acceptance was opened yet" in err


def test_the_walk_shows_cautions_instructions_and_limits_before_it_asks(
    call: Call, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call("--by", "Ines Okoro", answers=("q",)) == 0
    out, err = capsys.readouterr()
    assert out == ""
    first = err.index("Tank pump-up on air")
    assert err.index("not a listed fire-alarm") < first
    assert err.index("CAUTION  Compressors start by themselves", first) \
        < err.index("1. Shut the tank's outlet") < err.index("Limit: common practice") \
        < err.index("It cannot be timed here: not wired: gen1.tank_pressure") \
        < err.index("Enter leaves it out")
    assert "Enter begins" not in err
    assert "Enter leaves it out for that reason" in err
    assert "Call quietpipe acceptance again to go on" in err


def test_the_whole_walk_typed_in_and_signed(
    call: Call, site: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.commands.walk._PAUSE", 1)
    first = (
        "Ines Okoro",  # her name
        "", "",  # both pump-ups cannot be timed: left out for that reason
        "t", "much", "t", "0.8 %", "Oxygen meter", "4711",
        "s", "no mode yet",
        "", "", "", "", "n",
    )
    assert call(answers=first) == 0
    out, err = capsys.readouterr()
    assert "'much' is not a number" in err
    assert "not done\ttank-air.gen1\tnot wired: gen1.tank_pressure" in out
    assert "pass\tpurity.gen1\tThe product holds 0.80 % oxygen" in out
    assert "1 of the steps have no result yet: contact.gen1.trouble" in err
    config = load_site(site, secrets=False)
    with Journal.open(config.data / "journal.sqlite", read_only=True) as journal:
        service = open_acceptance(lambda: config.plant, config.data, journal)
        record = service.current()
        assert record is not None
        service.begin(record.id, "contact.gen1.trouble", by="Ines Okoro", now=T0)
    last = ("", "Ines Okoro", "technician", "B. Lee", "owner", "")
    assert call("--resume", "--by", "Ines Okoro", answers=last, now=200) == 0
    out, err = capsys.readouterr()
    assert "Enter waits for it" in err
    assert "pass\tcontact.gen1.trouble\tBoth legs changed over" in out
    assert "Now those present sign" in err
    assert "as soon as the daemon runs" in err
    sealed = record_store(config.data).load_all()[0]
    assert [(s.name, s.role) for s in sealed.signatures] == [
        ("Ines Okoro", "technician"), ("B. Lee", "owner")]
    assert call("--list") == 0
    assert "signed" in capsys.readouterr().err


def test_signing_wants_names_with_roles_and_results(
    call: Call, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call("--sign", "Ines Okoro") == 2
    assert "a name and a role" in capsys.readouterr().err
    assert call("--sign", "Ines Okoro, technician") == 2
    assert "nothing to sign" in capsys.readouterr().err
    assert call("--by", "A", answers=("q",)) == 0
    assert call("--sign", "Ines Okoro, technician") == 1
    assert "no result and no reason" in capsys.readouterr().err


@pytest.mark.parametrize(("options", "words"), [
    (("--resume",), "no acceptance is under way"),
    (("--leave-out", "rain"), "wants --step"),
    (("--typed", "0.8 %", "--by", "A", "--step", "purity.gen1"), "--instrument and --serial"),
    (("--typed", "2 psi", "--by", "A", "--step", "purity.gen1", "--instrument", "a",
      "--serial", "b"), "--typed"),
    (("--verify", "/nowhere.pdf"), "cannot be read"),
])
def test_what_cannot_be_meant_is_said(
    call: Call, options: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call(*options) == 2
    assert words in capsys.readouterr().err


def test_a_step_there_is_not_and_an_unknown_file(
    call: Call, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call("--by", "A", "--step", "fill.r9") == 1
    assert "no step fill.r9" in capsys.readouterr().err
    strange = tmp_path / "strange.pdf"
    strange.write_bytes(b"%PDF-1.7")
    assert call("--verify", str(strange)) == 1
    out = capsys.readouterr().out
    assert "NOT GENUINE" in out
    assert len(out.split()[1]) == 64


def test_left_out_alone_and_the_record_as_json(
    call: Call, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call("--by", "A", "--step", "fill.r1", "--leave-out", "no gauge yet") == 0
    assert capsys.readouterr().out == "not done\tfill.r1\tno gauge yet\n"
    assert call("--list", "--json") == 0
    record = json.loads(capsys.readouterr().out)
    assert record["entries"]["fill.r1"]["reason"] == "no gauge yet"


def test_nobody_answering_is_no_traceback(
    call: Call, capsys: pytest.CaptureFixture[str],
) -> None:
    assert call() == 2
    assert "standard input has ended" in capsys.readouterr().err
