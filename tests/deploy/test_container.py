"""The container file's steps, one by one, in a folder that stands for the image.

No engine is at hand where this runs. What only an engine can do is named in ``LEFT_OUT``: taking
the base image, making the user, the read-only root. Everything else of the file is carried out as
it is written, with its paths moved under one folder.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import sysconfig
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.forward.influx.peers import free_port

ROOT = Path(__file__).resolve().parents[2]
FILE = ROOT / "deploy" / "Containerfile"
MOVED = ("/opt/quietpipe", "/wheels", "/src", "/var/lib/quietpipe")
LEFT_OUT = {"FROM", "LABEL", "USER", "VOLUME", "EXPOSE", "STOPSIGNAL"}


@dataclass(frozen=True)
class Step:
    word: str
    rest: str


def steps() -> list[Step]:
    text = re.sub(r"^#.*\n", "", FILE.read_text(), flags=re.MULTILINE).replace("\\\n", " ")
    return [Step(*line.split(None, 1)) for line in text.splitlines() if line.strip()]


def test_only_what_belongs_there_is_sent_to_the_builder() -> None:
    ignore = (FILE.with_name(FILE.name + ".dockerignore")).read_text().split()
    copied = [p for s in steps() if s.word == "COPY" and "--from" not in s.rest
              for p in s.rest.split()[:-1]]
    assert copied
    for path in copied:
        assert (ROOT / path).exists(), path
        assert f"!{path}" in ignore, path


def test_nobody_is_root_and_health_is_asked() -> None:
    words = {s.word: s.rest for s in steps()}
    assert words["USER"] == "10001:10001"
    assert "healthz" in next(s.rest for s in steps() if s.word == "ENV")
    assert json.loads(words["ENTRYPOINT"]) == ["quietpipe"]
    assert json.loads(words["CMD"])[0] == "run"


def test_the_core_lock_is_part_of_the_whole_one() -> None:
    def pins(name: str) -> dict[str, str]:
        text = (ROOT / "deploy" / name).read_text()
        return dict(re.findall(r"^([A-Za-z0-9_.-]+)==([^\s;\\]+)", text, re.MULTILINE))

    core, whole = pins("core.lock"), pins("requirements.lock")
    assert core.items() <= whole.items()
    assert not {"pytest", "playwright", "pyarrow", "matplotlib"} & set(core)


def _moved(text: str, image: Path) -> str:
    for path in MOVED:
        text = re.sub(rf"(?<![\w.]){re.escape(path)}\b", f"{image}{path}", text)
    return text


@pytest.mark.long
@pytest.mark.timeout(900)  # every package of the image is installed
def test_the_steps_one_by_one(tmp_path: Path) -> None:
    image, work = tmp_path / "image", ROOT
    env = {"PATH": f"{_bin(tmp_path)}:{os.environ['PATH']}", "HOME": str(tmp_path),
           **{k: v for k, v in os.environ.items()
              if k.startswith(("PIP_", "SSL_", "HTTP", "http"))}}
    for step in steps():
        rest = _moved(step.rest, image)
        if step.word == "WORKDIR":
            work = Path(rest)
            work.mkdir(parents=True, exist_ok=True)
        elif step.word == "COPY":
            _copy(rest, work)
        elif step.word == "ENV":
            env |= dict(pair.split("=", 1) for pair in rest.split())
            env["PATH"] = env["PATH"].replace("$PATH", os.environ["PATH"])
        elif step.word == "RUN":
            _run(rest, work, env)
        elif step.word in ("HEALTHCHECK", "ENTRYPOINT", "CMD"):
            env[step.word] = rest
        else:
            assert step.word in LEFT_OUT, step
    _started(image, work, env, tmp_path)


def _bin(folder: Path) -> Path:
    """A folder in which ``python`` is what the base image has: a Python with pip, and no more."""
    made = folder / "base"
    subprocess.run([sys.executable, "-m", "venv", str(made)], check=True)
    return made / "bin"


def _copy(rest: str, work: Path) -> None:
    words = rest.split()
    if words[0].startswith("--from"):
        return  # both stages stand in one folder here
    *sources, target = words
    for source in sources:
        path, to = ROOT / source, work / target
        if path.is_dir():
            shutil.copytree(path, to, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            into = to / path.name if target.endswith("/") else to
            into.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, into)


def _run(command: str, work: Path, env: dict[str, str]) -> None:
    if command.startswith("groupadd"):
        return  # the user of the image; making one needs root, and an image
    done = subprocess.run(["sh", "-c", command], cwd=work, env=env, capture_output=True, text=True,
                          check=False)
    offline = ("Temporary failure in name resolution", "Could not find a version",
               "NewConnectionError")
    if done.returncode and any(word in done.stderr for word in offline):
        pytest.skip(f"no package index can be reached: {done.stderr.splitlines()[-1]}")
    assert done.returncode == 0, f"{command}\n{done.stderr}"


def _started(image: Path, work: Path, env: dict[str, str], folder: Path) -> None:
    """Start what the image would start, ask its health as the engine would, and stop it."""
    work.mkdir(parents=True, exist_ok=True)
    port = free_port()
    for name, value in list(env.items()):
        env[name] = value.replace("0.0.0.0:8600", f"127.0.0.1:{port}") \
            .replace(":8600/", f":{port}/")
    site = folder / "site.toml"
    site.write_text('[site]\nid = "fenmoor"\ntimezone = "Europe/London"\n')
    before = _files(image / "opt")
    command = [*json.loads(env["ENTRYPOINT"]), "run", str(site)]
    found = shutil.which(command[0], path=env["PATH"])
    assert found is not None
    assert Path(found).is_relative_to(image)
    process = subprocess.Popen([found, *command[1:]], cwd=work, env=env)
    try:
        _until_up(port)
        health = json.loads(env["HEALTHCHECK"].split("CMD ", 1)[1])
        python = shutil.which(health[0], path=env["PATH"])
        subprocess.run([python, *health[1:]], env=env, check=True, cwd=work)
    finally:
        process.terminate()
        assert process.wait(10) == 0
    assert (image / "var/lib/quietpipe/journal.sqlite").exists()
    assert _files(image / "opt") == before, "something was written outside the data folder"
    size = sum(p.stat().st_size for p in (image / "opt").rglob("*") if p.is_file())
    print(f"\n/opt/quietpipe: {size / 1e6:.0f} MB, {sysconfig.get_platform()}")
    assert not list((image / "opt").rglob("pip"))


def _files(folder: Path) -> dict[str, float]:
    return {str(p): p.stat().st_mtime for p in folder.rglob("*")}


def _until_up(port: int) -> None:
    end = time.monotonic() + 60
    while True:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=2).close()
        except OSError:
            assert time.monotonic() < end, "the board did not come up"
            time.sleep(0.2)
        else:
            return


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_every_package_of_the_core_has_a_wheel_for_64_bit_arm(tmp_path: Path) -> None:
    pins = re.findall(r"^[A-Za-z0-9_.-]+==[^\\\n]+", (ROOT / "deploy/core.lock").read_text(),
                      re.MULTILINE)
    (tmp_path / "pins").write_text("\n".join(pins))
    done = subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--dry-run", "--no-deps",
         "--ignore-installed", "--only-binary", ":all:", "--target", str(tmp_path / "x"),
         "--python-version", "3.11", "--implementation", "cp",
         "--platform", "manylinux2014_aarch64", "--platform", "manylinux_2_28_aarch64",
         "-r", str(tmp_path / "pins")], capture_output=True, text=True, check=False)
    if "Temporary failure in name resolution" in done.stderr or "NewConnection" in done.stderr:
        pytest.skip("no package index can be reached")
    assert done.returncode == 0, done.stderr[-2000:]
