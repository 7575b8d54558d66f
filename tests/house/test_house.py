"""The house's own promises: what lies at the top, what is locked, what the daemon loads."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from collector.cli import COMMANDS

ROOT = Path(__file__).resolve().parents[2]


def _tracked() -> list[str]:
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True,
                          check=False)
    if done.returncode:
        pytest.skip("not a git checkout")
    return done.stdout.splitlines()


def test_nothing_lies_beside_the_agreed_top_level():
    top = {name.split("/")[0] for name in _tracked()}
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "collector", "simulators", "deploy",
              "grafana_provisioning", "tests"}
    assert {name for name in top if not name.startswith(".")} <= agreed


def test_the_lock_has_a_hash_for_everything_and_names_no_host():
    lock = (ROOT / "deploy" / "requirements.lock").read_text()
    assert "://" not in lock
    blocks = re.split(r"\n(?=[A-Za-z0-9])", lock)
    pinned = [b for b in blocks if "==" in b.split("\n")[0]]
    assert len(pinned) > 30
    assert all("--hash=sha256:" in block for block in pinned)


def test_the_lock_holds_every_dependency_the_project_names():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"],
              *(d for extra in project["optional-dependencies"].values() for d in extra)]
    names = {re.split(r"[\[<>=~ ;]", d)[0].lower() for d in wanted} - {"quietpipe"}
    locked = {m.lower() for m in re.findall(r"^([A-Za-z0-9_.-]+)==",
                                            (ROOT / "deploy" / "requirements.lock").read_text(),
                                            re.MULTILINE)}
    assert names <= locked


def test_the_readme_has_the_two_commands_and_ci_runs_the_second():
    readme = (ROOT / "README.md").read_text()
    commands = re.findall(r"^python3 -m venv .*$", readme, re.MULTILINE)
    assert len(commands) == 2
    assert commands[0].endswith("quietpipe demo")
    assert commands[1].endswith("-m pytest -n auto")
    assert "README.md" in (ROOT / ".ci" / "run").read_text()


def test_the_daemon_loads_nothing_heavy():
    # It runs for years on a small computer; what only tests, reports and recordings need stays out
    # of it. numpy is in: the gas balance solves with it (some 15 MB).
    code = ("import sys, collector.commands.run, collector.commands.check; "
            "print([m for m in ('scipy', 'pyarrow', 'matplotlib', 'CoolProp', 'simulators')"
            " if m in sys.modules])")
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True,
                          check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("arguments", [["--help"], *([name, "--help"] for name in COMMANDS)])
def test_every_command_has_help_with_an_example(arguments):
    done = subprocess.run([sys.executable, "-m", "collector.cli", *arguments], cwd=ROOT,
                          capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert re.search(r"Example|start here", done.stdout)
    assert "quietpipe" in done.stdout


@pytest.mark.parametrize("arguments", [["frobnicate"], ["run"], ["run", "no-such-file.toml"],
                                       ["check", "no-such-file.toml"], ["export", "--bogus"],
                                       ["replay", "no-such-file.toml", "none.csv"],
                                       ["demo", "--listen", "nowhere"]])
def test_a_wrong_call_exits_2_with_a_sentence_and_no_traceback(arguments):
    done = subprocess.run([sys.executable, "-m", "collector.cli", *arguments], cwd=ROOT,
                          capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.strip()
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
