"""The compose files: their shape, what they come to, and that what they mount is there."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
FILES = ("compose-site.yaml", "compose-fleet.yaml")
OURS = {"collector", "hub-one", "hub-two"}


def program(name: str) -> str:
    """A program that a package of the tests brings, from beside the interpreter or the path."""
    beside = Path(sys.executable).with_name(name)
    found = str(beside) if beside.exists() else shutil.which(name)
    if found is None:
        pytest.skip(f"no {name} on this machine")
    return found


@pytest.mark.parametrize("file", FILES)
def test_a_compose_file_has_the_shape_of_the_specification(file: str) -> None:
    done = subprocess.run(
        [program("check-jsonschema"), "--builtin-schema", "vendor.compose-spec",
         str(DEPLOY / file)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture(params=FILES)
def resolved(request: pytest.FixtureRequest, tmp_path: Path) -> dict:
    """A compose file with every name of the example environment put in."""
    folder = tmp_path / "deploy"
    folder.mkdir()
    for name in FILES:
        shutil.copy(DEPLOY / name, folder)
    shutil.copy(DEPLOY / "example.env", folder / ".env")
    done = subprocess.run(
        [program("docker-compose"), "-f", str(folder / request.param), "config"],
        capture_output=True, text=True, check=False, cwd=folder)
    assert done.returncode == 0, done.stderr
    assert "warn" not in done.stderr.lower(), done.stderr
    return yaml.safe_load(done.stdout)


def test_nothing_can_write_outside_its_volumes_and_nobody_gains_rights(resolved: dict) -> None:
    for name, service in resolved["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert "privileged" not in service
        assert int(service["mem_limit"]) > 0, name
        for volume in service["volumes"]:
            assert volume["type"] == "volume" or volume["read_only"], (name, volume)


def test_people_reach_boards_by_loopback_and_only_machines_from_outside(resolved: dict) -> None:
    outside = {(name, port["target"]) for name, service in resolved["services"].items()
               for port in service.get("ports", ()) if port.get("host_ip") != "127.0.0.1"}
    assert outside <= {("broker", 8883), ("influx", 8086)}


def test_no_secret_stands_in_the_file() -> None:
    for file in FILES:
        for line in (DEPLOY / file).read_text().splitlines():
            if re.search(r"PASSWORD|TOKEN", line) and not line.lstrip().startswith("#"):
                assert "${" in line, line


def test_every_name_a_file_wants_is_in_the_example_and_the_other_way_round() -> None:
    wanted = {n for f in FILES for n in re.findall(r"\$\{(\w+)", (DEPLOY / f).read_text())}
    given = set(re.findall(r"^(\w+)=", (DEPLOY / "example.env").read_text(), re.MULTILINE))
    assert wanted == given


def test_what_is_mounted_from_the_project_is_there() -> None:
    made = {"./tls", "./site", "./fleet"}
    for file in FILES:
        for service in yaml.safe_load((DEPLOY / file).read_text())["services"].values():
            for volume in service["volumes"]:
                source = volume.split(":")[0]
                if source.startswith((".", "/")) and not any(source.startswith(m) for m in made):
                    assert (DEPLOY / source).exists(), source


def test_grafana_s_names_are_those_its_provisioning_asks_for() -> None:
    asked = set(re.findall(r"^[^#\n]*\$(INFLUX_\w+)", (
        DEPLOY.parent / "grafana_provisioning/datasources/quietpipe.yaml").read_text(),
        re.MULTILINE))
    for file in FILES:
        service = yaml.safe_load((DEPLOY / file).read_text())["services"]["grafana"]
        assert asked <= set(service["environment"])
        paths = [v.split(":")[1] for v in service["volumes"]]
        assert "/etc/grafana/provisioning" in paths


def test_the_containers_run_commands_that_there_are() -> None:
    from collector.cli import COMMANDS

    services = yaml.safe_load((DEPLOY / FILES[1]).read_text())["services"]
    assert {services[name]["command"][0] for name in ("hub-one", "hub-two")} <= set(COMMANDS)
    ids = [services[n]["command"][services[n]["command"].index("--id") + 1]
           for n in ("hub-one", "hub-two")]
    assert len(set(ids)) == 2
