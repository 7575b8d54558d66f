"""Site files that no person would write: each is a mistake that is named, and the next is read."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from collector.app.wiring import read_again
from collector.config import load_site
from collector.domain.errors import SiteFileError
from tests.config.conftest import Folder, folder
from tests.integration.support import until
from tests.integration.test_daemon import Works, controller, works

__all__ = ["controller", "folder", "works"]

DEEP = {
    "lists": "x = " + "[" * 5000 + "]" * 5000,
    "tables in lists": "x = " + "[{a = " * 2000 + "1" + "}]" * 2000,
    "a dotted key": ".".join("a" for _ in range(5000)) + " = 1",
    "a dotted table": f"[{'.'.join('a' for _ in range(5000))}]\nb = 1",
    "thirteen levels": "x = " + "[" * 13 + "]" * 13,
}


@pytest.mark.parametrize("name", DEEP)
def test_a_deeply_nested_file_is_a_mistake(folder: Folder, name: str) -> None:  # noqa: F811
    folder.site = DEEP[name] + "\n" + folder.site
    (mistake,) = folder.mistakes()
    assert mistake.problem == "nested too deeply"


@pytest.mark.parametrize("name", DEEP)
def test_a_deeply_nested_profile_is_a_mistake(folder: Folder, name: str) -> None:  # noqa: F811
    (folder.path / "generator-a.toml").write_text(DEEP[name])
    assert "nested too deeply" in [m.problem for m in folder.mistakes()]


def test_whatever_reading_again_raises_keeps_the_old_file(
    folder: Folder, monkeypatch: pytest.MonkeyPatch,  # noqa: F811
) -> None:
    config = folder.load()
    monkeypatch.setattr("collector.app.wiring.load_site", lambda path: 1 / 0)
    said = read_again(folder.path / "site.toml", config)
    assert said == ("The new site file could not be read (ZeroDivisionError); "
                    "the old one stays in force.")


@pytest.mark.slow
def test_a_daemon_that_got_a_deep_file_reads_the_next_one(works: Works) -> None:  # noqa: F811
    works.write()
    daemon = works.start()
    good = works.site.read_text()
    works.site.write_text(DEEP["lists"] + "\n" + good)
    os.kill(daemon.process.pid, signal.SIGHUP)
    until(lambda: "site-file-refused" in works.facts(), within=10, what="the refusal")
    works.site.write_text(good.replace("Generator 1", "Generator 2"))
    os.kill(daemon.process.pid, signal.SIGHUP)
    until(lambda: "site-file-read" in works.facts(), within=10, what="the good file")
    daemon.terminate(20)


# -- numbers --------------------------------------------------------------------------------------

@pytest.mark.parametrize("text", ["1_0 psi", "1_0.0 psi", "1e1_0 psi", "1__0 psi", "_1 psi",
                                  "\u0661\u0662 psi", "1\u00a0_0 psi", "0x10 psi", "infinity psi"])
def test_what_python_takes_for_a_number_and_nobody_else_is_none(
    folder: Folder, text: str,  # noqa: F811
) -> None:
    folder.swap('cut_in = "60 psi"', f'cut_in = "{text}"')
    assert "generators[0].cut_in" in folder.mistakes()[0].place


@pytest.mark.parametrize(("old", "new", "said"), [
    ("scale = 0.1", "scale = 0", "every value would be the offset"),
    ("scale = 0.1", "scale = 0.0", "every value would be the offset"),
    ("scale = 0.1", "scale = -0.0", "every value would be the offset"),
    ("scale = 0.1", "scale = nan", "scale"),
    ("scale = 0.1", "scale = inf", "scale"),
    ("scale = 0.1", "scale = 1e300", "scale"),
    ("scale = 0.1", "scale = 1e-300", "scale"),
    ("offset = 0.0", "offset = 1e308", "offset"),
    ("offset = 0.0", "offset = -1e308", "offset"),
    ("offset = 0.0", "offset = nan", "offset"),
])
def test_a_scale_or_offset_that_cannot_be_meant_is_refused(
    folder: Folder, old: str, new: str, said: str,  # noqa: F811
) -> None:
    folder.profile(old, new)
    (mistake,) = folder.mistakes()
    assert said in f"{mistake.place} {mistake.problem}"


# -- secrets --------------------------------------------------------------------------------------

def test_a_secret_is_bounded_in_size(folder: Folder, tmp_path: Path) -> None:  # noqa: F811
    (tmp_path / "token").write_text("x" * 70_000)
    (mistake,) = folder.add('\n[board]\ntoken = "file:token"\n').mistakes()
    assert "larger than" in mistake.problem


@pytest.mark.timeout(20)
@pytest.mark.parametrize("name", ["/dev/zero", "pipe", "."])
def test_a_secret_is_a_file_and_nothing_that_never_ends(
    folder: Folder, tmp_path: Path, name: str,  # noqa: F811
) -> None:
    os.mkfifo(tmp_path / "pipe")
    folder.add(f'\n[board]\ntoken = "file:{name}"\n')
    with pytest.raises(SiteFileError):
        folder.load()


def test_a_site_file_is_bounded_in_size(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    with path.open("wb") as file:
        file.truncate(200 << 20)
    with pytest.raises(SiteFileError, match="larger than"):
        load_site(path)
