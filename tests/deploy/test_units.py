"""What is handed to whoever installs it: the unit, and the example that must be valid."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from collector.config.field_types import holds_password
from collector.config.profiles import BUNDLED
from collector.domain.conditions import CATALOGUE
from collector.domain.readings import QUANTITIES
from collector.notify.recipients import parse_days, parse_hours

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNIT = DEPLOY / "quietpipe@.service"


@pytest.fixture(params=["quietpipe@fenmoor.service", "quietpipe-hub.service"])
def unit(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """A unit (of the site's, one instance), with a program that exists on this machine."""
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("no systemd-analyze on this machine (Debian package systemd)")
    source = DEPLOY / request.param.replace("fenmoor", "")
    text = source.read_text().replace("/opt/quietpipe/bin/quietpipe", sys.executable)
    path = tmp_path / request.param
    path.write_text(text)
    return path


def test_the_unit_is_understood_without_a_complaint(unit: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],  # noqa: S607
        capture_output=True, text=True, check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_the_unit_exposes_little(unit: Path) -> None:
    """``systemd-analyze security``: 0 is best and 10 is worst."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(unit)],  # noqa: S607
        capture_output=True, text=True, check=False,
    )
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stderr
    assert float(found[1]) <= 2.0
    assert done.returncode == 0


def test_the_unit_speaks_as_the_service_does() -> None:
    lines = UNIT.read_text().splitlines()
    for line in ("Type=notify", "ExecReload=/bin/kill -HUP $MAINPID", "DynamicUser=yes",
                 "SupplementaryGroups=dialout", "StateDirectory=quietpipe/%i",
                 "RestartPreventExitStatus=2"):
        assert line in lines
    families = next(x for x in lines if x.startswith("RestrictAddressFamilies="))
    # The notify socket is of the local family; without it the service would never be ready.
    assert "AF_UNIX" in families
    assert any(x.startswith("WatchdogSec=") for x in lines)


def test_the_example_says_only_what_exists() -> None:
    site = tomllib.loads((DEPLOY / "example-site.toml").read_text())
    for condition, settings in site["conditions"].items():
        known = {s.name for s in CATALOGUE[condition].all_settings()}
        own = {k for k, v in settings.items() if not isinstance(v, dict)}
        assert own <= known
    for recipient in (*site["recipients"], *site["people"]):
        assert "rota" in recipient or not holds_password(recipient["to"])
        parse_days(recipient.get("days", []))
        if "hours" in recipient:
            parse_hours(recipient["hours"])
    quantities = {q for kind in QUANTITIES.values() for q in kind}
    for device in site["devices"]:
        profile = tomllib.loads((BUNDLED / device["profile"]).read_text())
        assert {p["quantity"] for p in profile["points"]} <= quantities


def test_the_example_is_a_valid_site_file_by_itself(tmp_path: Path) -> None:
    """Copied alone into an empty folder: no profile beside it, no secret anywhere."""
    from collector.config import load_site

    shutil.copy(DEPLOY / "example-site.toml", tmp_path)
    config = load_site(tmp_path / "example-site.toml")
    by_id = {r.id: r for r in config.recipients}
    assert set(by_id) == {"on-call", "day-shift", "keeper"}
    assert by_id["keeper"].facts
    assert str(by_id["day-shift"].routes[0].hours[0]) == "07:00-19:00"
    assert by_id["day-shift"].routes[0].days == {0, 1, 2, 3, 4}
    assert {d.id for d in config.devices} == {"gen1-controller", "dock-panel"}


def test_what_the_example_leaves_out_is_right_too(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path,
) -> None:
    """The lines that lead out of the house, without their mark."""
    from collector.config import load_site

    text = (DEPLOY / "example-site.toml").read_text()
    out = re.sub(r"^# ?", "", text[text.index("# [influx]"):], flags=re.MULTILINE)
    for name in ("ca", "certificate", "key"):
        (tmp_path / f"{name}.pem").write_text("x")
    monkeypatch.setenv("INFLUX_PASSWORD", "a-word")
    (tmp_path / "site.toml").write_text(
        '[site]\nid = "fenmoor"\ntimezone = "Europe/London"\n'
        + out.replace("/run/tls/", f"{tmp_path}/"))
    config = load_site(tmp_path / "site.toml")
    assert config.influx is not None
    assert config.influx.url == "https://influx:8086"
    assert config.mqtt is not None
    assert config.mqtt.broker.tls
