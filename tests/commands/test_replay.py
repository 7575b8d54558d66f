"""``quietpipe replay``: the same rules with the recorded clock."""

import json
from pathlib import Path

import pytest

from collector.cli import main

T0 = 1_772_323_805


def recording(folder: Path, *lines: str, name: str = "r.csv") -> Path:
    path = folder / name
    path.write_text("time,point,value\n" + "".join(f"{line}\n" for line in lines))
    return path


def low_pressure(start: int, seconds: int, psi: float, every: int = 5) -> list[str]:
    return [f"{start + n},r1.pressure,{psi}" for n in range(0, seconds, every)]


def story(folder: Path) -> Path:
    return recording(folder, *low_pressure(T0, 60, 25.0), *low_pressure(T0 + 60, 60, 15.0),
                     *low_pressure(T0 + 120, 60, 25.0))


def test_events_as_json_lines(bare_site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(bare_site), str(story(bare_site.parent))]) == 0
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    moves = [(e["condition"], e["asset"], e["transition"]) for e in events
             if e["kind"] == "alarm" and e["condition"] == "pressure-low"]
    assert moves == [("pressure-low", "r1", "raised"), ("pressure-low", "r1", "returned")]
    raised = next(e for e in events if e.get("condition") == "pressure-low")
    assert raised["since"] == "2026-03-01T00:11:05Z"
    assert raised["site"] == "fenmoor"


def test_the_same_input_gives_the_same_bytes(
    bare_site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    path = story(bare_site.parent)
    outputs = []
    for _ in range(2):
        assert main(["replay", str(bare_site), str(path)]) == 0
        outputs.append(capsys.readouterr().out)
    assert outputs[0] == outputs[1] != ""


def test_files_split_by_hand_give_the_same_bytes(
    bare_site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    path = story(bare_site.parent)
    lines = path.read_text().splitlines()[1:]
    a = recording(bare_site.parent, *lines[::2], name="a.csv")
    b = recording(bare_site.parent, *lines[1::2], name="b.csv")
    main(["replay", str(bare_site), str(path)])
    whole = capsys.readouterr().out
    main(["replay", str(bare_site), str(a), str(b)])
    assert capsys.readouterr().out == whole
    back = recording(bare_site.parent, *lines[::-1], name="back.csv")
    main(["replay", "--unsorted", str(bare_site), str(back)])
    assert capsys.readouterr().out == whole


def test_it_ends_with_the_last_reading(
    bare_site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    # Below the limit for less than the on-delay of 15 s: nothing beyond the recording is known.
    path = recording(bare_site.parent, *low_pressure(T0, 60, 25.0), *low_pressure(T0 + 60, 11, 15))
    assert main(["replay", str(bare_site), str(path)]) == 0
    assert "pressure-low" not in capsys.readouterr().out


def test_from_and_to(bare_site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(story(bare_site.parent))
    assert main(["replay", str(bare_site), path, "--to", "2026-03-01T00:11:05Z"]) == 0
    assert "pressure-low" not in capsys.readouterr().out
    assert main(["replay", str(bare_site), path, "--from", str(T0 + 60), "--to",
                 str(T0 + 120)]) == 0
    assert '"transition":"raised"' in capsys.readouterr().out


def test_bad_rows_end_it_with_status_2(
    bare_site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    path = recording(bare_site.parent, "x,r1.pressure,1", "1,r1.pressure,one")
    assert main(["replay", str(bare_site), str(path)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "r.csv line 2" in said.err
    assert "r.csv line 3" in said.err


def test_points_of_no_thing_are_named(
    bare_site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    path = recording(bare_site.parent, f"{T0},r9.pressure,20", f"{T0 + 1},r1.pressure,25")
    assert main(["replay", str(bare_site), str(path)]) == 0
    assert "r9.pressure" in capsys.readouterr().err


def test_no_journal_and_no_secret_is_touched(bare_site: Path) -> None:
    bare_site.write_text(bare_site.read_text() + '[[recipients]]\nid = "x"\nto = "env:NO_SUCH"\n')
    before = set(bare_site.parent.rglob("*")) | {bare_site.parent / "r.csv"}
    assert main(["replay", str(bare_site), str(story(bare_site.parent))]) == 0
    assert set(bare_site.parent.rglob("*")) == before


def test_a_wrong_site_file_ends_it_with_status_2(
    bare_site: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    bare_site.write_text(bare_site.read_text().replace('"60 psi"', '"60 gal"'))
    assert main(["replay", str(bare_site), str(story(bare_site.parent))]) == 2
    assert "cut_in" in capsys.readouterr().err
