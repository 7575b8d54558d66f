"""The whole dialogue on a real wire: what it writes, and that nothing is lost on the way."""

import errno
import os
import re
import signal
import subprocess
import sys
import time
import tomllib

import pytest

from collector.cli import main
from collector.commissioning import interview as state_module
from collector.commissioning.commissioning import Commissioning, state_path
from collector.config import load_site
from simulators.unknown_maps import draw_controller
from tests.commissioning.outcomes import ranges_of
from tests.commissioning.technician import (
    Interrupted,
    Technician,
    at_real_speed,
    plant_answers,
    served,
)


def point_of(profile, quantity):
    return next(p for p in profile["points"] if p["quantity"] == quantity)


@pytest.mark.parametrize("kind", ["network", "converter", "serial"])
def test_from_an_empty_folder_to_a_signed_sheet(tmp_path, kind, capsys):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    with served(controller, kind=kind) as (where, clock, device):
        person = Technician(controller, clock, plant_answers(
            where, kind=kind, ranges=ranges_of(controller), unit=controller.unit)
            | {r"plant\.generators\[0\]\.cut_out": "100 psi"})
        commissioning = Commissioning(site, person, clock)
        commissioning.run()
        device.seconds = at_real_speed(clock)  # hours that grow too fast are doubted
        assert main(["check", str(site)]) == 0, capsys.readouterr().out
    assert "its register image gives all" in capsys.readouterr().out
    config = load_site(site, secrets=False)
    profile = tomllib.loads((tmp_path / "gen1-controller.toml").read_text())
    truth = controller.truth()
    for quantity in ("tank_pressure", "cabinet_temperature", "dew_point", "running_hours"):
        cell = truth[f"gen1.{quantity}"][0]
        point = point_of(profile, quantity)
        assert (point["table"], point["address"]) == (cell.table, cell.address)
    legs = point_of(profile, "trouble")
    assert legs["normally_open"]["address"] == truth["gen1.trouble_no"][0].address
    assert legs["normally_closed"]["address"] == truth["gen1.trouble_nc"][0].address
    assert {p.point for d in config.devices for p in d.points} >= {
        "gen1.tank_pressure", "r1.pressure", "r1.low_air", "gen1.trouble"}
    assert commissioning.record is not None
    assert all(row.agrees is not False for row in commissioning.record.rows), \
        commissioning.record.text()
    for row in commissioning.record.rows:
        if row.difference.startswith(("+", "-")):  # the paper has what its difference is of
            read = [float(x) for x in re.findall(r"[-\d.]+", row.value.replace("\u2212", "-"))]
            shown = float(re.match(r"[-\d.]+", row.shown)[0])
            nearest = min(max(shown, min(read)), max(read))
            assert nearest - shown == pytest.approx(float(row.difference), abs=0.011), row
    assert (tmp_path / "site-commissioning.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "ann-archer.address").stat().st_mode & 0o777 == 0o600
    assert "word@mail" not in site.read_text() + state_path(site).read_text()
    assert {asked[2] for asked in device.asked} <= {1, 2, 3, 4}
    assert len(person.asked) <= 110


class Interrupting(Technician):
    """Is interrupted at each question once, and answers it the next time."""

    def __init__(self, *given, seen, **named):
        super().__init__(*given, **named)
        self.seen = seen

    def ask(self, key, question):
        if key not in self.seen:
            self.seen.add(key)
            raise Interrupted(key)
        return super().ask(key, question)


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_interrupted_at_every_question_and_file_nothing_is_asked_twice(tmp_path, monkeypatch):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    answered, seen, sessions, files = [], set(), 0, set()
    write = Commissioning._write

    def written(self, path, content):
        write(self, path, content)
        if path.name not in files:
            files.add(path.name)
            raise Interrupted(path.name)
    monkeypatch.setattr(Commissioning, "_write", written)
    with served(controller) as (where, clock, _):
        answers = plant_answers(where, ranges=ranges_of(controller), unit=controller.unit)
        ended = False
        while not ended:
            person = Interrupting(controller, clock, answers, seen=seen, wait=60.0, think=0.2)
            sessions += 1
            try:
                Commissioning(site, person, clock).run()
                ended = True
            except Interrupted:
                assert not list(tmp_path.rglob("*.part")), "half-written"
                assert not state_path(site).exists() \
                    or state_path(site).read_bytes().endswith(b"}")
            answered += person.asked
    assert sessions == len(seen) + len(files) + 1
    assert {"gen1-controller.toml", "gen1-controller.image.json", "site.toml"} <= files
    # Its own files, written just before it was interrupted, are not taken for another's.
    assert not {k for k in answered if k.endswith((".profile", ".extend"))}
    profile = tomllib.loads((tmp_path / "gen1-controller.toml").read_text())
    assert len({p["quantity"] for p in profile["points"]}) == len(profile["points"])
    # A reading of the display counts only with the images around it: those are asked again.
    once = [k for k in answered if ".display." not in k]
    assert sorted(once) == sorted(set(once))
    assert load_site(site, secrets=False).devices[0].points


class Wanderer(Technician):
    """Before every few questions the device is switched off, until somebody looks after it."""

    def __init__(self, *given, device, **named):
        super().__init__(*given, **named)
        self.device, self.vanished = device, 0

    def ask(self, key, question):
        if key == "vanished":
            self.vanished += 1
            self.device.gone = False
            return ""
        # Not for ever: on a busy machine a round of questions would never come to its end.
        if len(self.asked) % 9 == 8 and self.vanished < 6:
            self.device.gone = True
        return super().ask(key, question)


def test_a_device_that_vanishes_at_any_time_costs_nothing_but_time(tmp_path):
    controller = draw_controller(0)
    with served(controller) as (where, clock, device):
        answers = plant_answers(where, ranges=ranges_of(controller), unit=controller.unit)
        answers[r"device\.0\.nothing"] = lambda _key: setattr(device, "gone", False) or ""
        person = Wanderer(controller, clock, answers, device=device)
        work = Commissioning(tmp_path / "site.toml", person, clock)
        work.run()
    assert person.vanished > 3
    profile = tomllib.loads((tmp_path / "gen1-controller.toml").read_text())
    truth = controller.truth()
    assert {p["quantity"] for p in profile["points"]} >= {
        "tank_pressure", "running_hours", "start_count", "dew_point", "pressure", "trouble"}
    for quantity in ("tank_pressure", "running_hours", "dew_point"):
        cell = truth[f"gen1.{quantity}"][0]
        point = point_of(profile, quantity)
        assert (point["table"], point["address"]) == (cell.table, cell.address), quantity


def test_a_full_disk_is_waited_for_and_the_old_file_stays_whole(tmp_path, monkeypatch):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    real, written = os.fsync, []

    def full(handle):
        written.append(handle)
        if len(written) % 5 == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    with served(controller) as (where, clock, _):
        answers = plant_answers(where, ranges=ranges_of(controller), unit=controller.unit)
        person = Technician(controller, clock, answers)
        before: list[bytes] = []

        def made_room(_key):
            # While the disk was full, nothing was half-written and nothing was lost.
            assert not list(tmp_path.rglob("*.part"))
            if state_path(site).exists():
                before.append(state_path(site).read_bytes())
                assert before[-1].endswith(b"}")
            return ""
        answers["save-again"] = made_room
        monkeypatch.setattr(os, "fsync", full)
        Commissioning(site, person, clock).run()
    assert len(before) > 5
    assert load_site(site, secrets=False).devices[0].points


def test_back_forgets_the_last_answer_alone(tmp_path):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    names = iter(["Fenmor", "Fenmoor"])
    backed = iter(["<", "Europe/London"])
    answers = {r"plant\.site\.name": lambda _key: next(names),
               r"plant\.site\.timezone": lambda _key: next(backed), r"plant\.risers": "0",
               r"plant\.generators": "1", r"plant\.rooms": "0", r"device\.0\.begin": "n"}
    with served(controller) as (_, clock, _device):
        person = Technician(controller, clock, answers)
        Commissioning(site, person, clock).run()
    assert load_site(site, secrets=False).plant.site.name == "Fenmoor"
    assert person.asked.count("plant.site.name") == 2


def test_an_answer_that_the_site_file_would_refuse_is_refused_at_once(tmp_path):
    controller = draw_controller(0)
    given = iter(["80", "80 furlongs", "80 psi"])
    answers = {r"plant\.site\.name": "Fenmoor", r"plant\.site\.timezone": "Europe/London",
               r"plant\.generators\[0\]\.cut_out": lambda _key: next(given),
               r"plant\.risers": "0", r"plant\.rooms": "0", r"device\.0\.begin": "n"}
    with served(controller) as (_, clock, _device):
        person = Technician(controller, clock, answers)
        Commissioning(tmp_path / "site.toml", person, clock).run()
    said = "\n".join(person.said)
    assert '"80" has no unit' in said
    assert "furlongs" in said


def test_an_existing_site_file_is_added_to_only_with_a_yes(tmp_path):
    controller = draw_controller(0)
    site = tmp_path / "site.toml"
    text = ('[site]\nid = "fenmoor"\ntimezone = "Europe/London"\n\n'
            '[[generators]]\nid = "gen1"\n\n[[risers]]\nid = "r1"\n# a remark of its owner\n')
    (tmp_path / "gen1-controller.toml").write_text(
        '[[points]]\nquantity = "power"\ntable = "coils"\naddress = 900\n')
    for yes in ("n", "y"):
        site.write_text(text)
        state_path(site).unlink(missing_ok=True)
        with served(controller) as (where, clock, _):
            answers = plant_answers(where, ranges=ranges_of(controller), unit=controller.unit)
            answers |= {r"site\.extend": yes, r"device\.0\.extend": yes,
                        r"device\.0\.profile": "" if yes == "y" else "own.toml",
                        r"prove": "n"}
            Commissioning(site, Technician(controller, clock, answers), clock).run()
        if yes == "n":
            assert site.read_text() == text
            assert "tank_pressure" in (tmp_path / "own.toml").read_text()
    assert site.read_text().startswith(text)
    config = load_site(site, secrets=False)
    points = {p.point for p in config.devices[0].points}
    assert {"gen1.power", "gen1.tank_pressure"} <= points


def answered(site):
    path = state_path(site)
    return state_module.State.load(path).answers if path.exists() else {}


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_a_stopped_process_leaves_its_answers_and_goes_on_from_there(tmp_path, number):
    site = tmp_path / "site.toml"
    command = [sys.executable, "-m", "collector.cli", "commission", str(site)]
    first = subprocess.Popen(
        command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        # A shell's background jobs ignore it, and so would what they start.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    first.stdin.write("Fenmoor\nEurope/London\n")
    first.stdin.flush()
    until = time.monotonic() + 60
    while "plant.site.timezone" not in answered(site):
        assert time.monotonic() < until
        time.sleep(0.05)
    first.send_signal(number)
    first.communicate(timeout=30)
    assert first.returncode == (130 if number == signal.SIGINT else -number)
    again = subprocess.run(command, input="metric\n", stderr=subprocess.PIPE, text=True,
                           timeout=60, check=False)
    assert again.returncode == 2
    assert "Going on with" in again.stderr
    assert "Name of the site" not in again.stderr
    assert "Read in psi and °F" in again.stderr
    assert "what was answered is kept" in again.stderr
    assert answered(site)["plant.site.units"] == "metric"
