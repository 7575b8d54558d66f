"""Leads a commissioning from its first question to its signed record, on a saved state."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from collector.clock import Clock, format_instant
from collector.commissioning.device_search import DeviceSearch
from collector.commissioning.device_thread import DeviceThread
from collector.commissioning.display_match import DisplayMatch
from collector.commissioning.interview import Back, Interview, NotSaved, Person, State, write_whole
from collector.commissioning.journal_sync import record_folder
from collector.commissioning.plant_questions import Raw, ask_plant, mistake_at
from collector.commissioning.profile_images import image_path
from collector.commissioning.profile_text import (
    FoundPoint,
    device_table,
    profile_text,
    site_text,
)
from collector.commissioning.proof import CommissioningRecord, Proof
from collector.commissioning.questions import PAUSE
from collector.commissioning.switch_test import SwitchTest
from collector.config import SiteConfig, load_site
from collector.domain.readings import split_point
from collector.sources import Address

_GROUPS = {"generators": "generator", "risers": "riser", "vents": "vent", "rooms": "room"}


def state_path(site: Path) -> Path:
    """Return where the state of a site's commissioning is kept: beside the site file."""
    return site.with_name(f"{site.stem}.commission.json")


class Commissioning:
    """Leads a person from an unknown controller to a site file that passes ``check``."""

    def __init__(
        self, site: Path, person: Person, clock: Clock, polled: frozenset[Address] = frozenset(),
    ) -> None:
        self.site, self._person, self._clock = site, person, clock
        self.state = State.load(state_path(site))
        self.interview = Interview(self.state, person, clock)
        self._thread = DeviceThread(clock)
        self._polled = polled
        self.raw: Raw = {}
        self.record: CommissioningRecord | None = None

    def stop_asking(self) -> None:
        """Stop asking the device before the next question, from any thread."""
        self._thread.stop_asking()

    def run(self) -> None:
        """Ask every question that has no answer yet, part by part."""
        try:
            while True:
                try:
                    self._all()
                except Back:
                    self._thread.end_reading()
                    self.interview = Interview(self.state, self._person, self._clock)
                else:
                    break
            self.interview.show()
        finally:
            self._thread.close()

    def _all(self) -> None:
        self._plant()
        n = 0
        while self.interview.sure(f"device.{n}.begin", "Find a device now" if not n else
                                  "Find another device", default=not n):
            self._device(n)
            n += 1
        self._write_site()
        if n:
            self._prove()

    # -- the plant ---------------------------------------------------------------------------------

    def _plant(self) -> None:
        if self.site.exists() and not self.state.found.get("site.ours"):
            load_site(self.site, secrets=False)  # raises with every mistake
            self.raw = tomllib.loads(self.site.read_text(encoding="utf-8-sig"))
            self.interview.say(f"{self.site} describes the plant; nothing in it will be changed, "
                               "only added to, and not without a yes.")
        else:
            self.raw = ask_plant(self.interview, self.site.parent)

    def _kinds(self) -> dict[str, str]:
        return {table["id"]: kind for group, kind in _GROUPS.items()
                for table in self.raw.get(group, [])}

    def _metric(self) -> bool:
        return bool(self.raw["site"].get("units", "us") == "metric")

    # -- one device --------------------------------------------------------------------------------

    def _device(self, n: int) -> None:
        """Find a device and its points, and write its profile."""
        key, ask = f"device.{n}", self.interview.ask
        if f"{key}.written" in self.state.found:
            return
        self._thread.keep_images(())
        search = DeviceSearch(self.interview, self._thread, n, self._polled)
        search.find()
        search.explore()
        count = sum(len(a) for a in search.explored.present.values())
        self.interview.say(f"{count} registers and bits exist.")
        kinds = self._kinds()
        free = [i for i in kinds if i not in self._assigned()]
        watches = [w.strip() for w in ask(
            f"{key}.watches", f"What does it measure, of {', '.join(kinds)}",
            default=", ".join(free or kinds),
            check=lambda text: "; ".join(f"there is no {w.strip()}" for w in text.split(",")
                                         if w.strip() not in kinds)).split(",")]
        if self.interview.sure(f"{key}.look", "Look at the registers first", explain="They are "
                               "shown as they change, with what moves marked; nothing is needed "
                               "from you."):
            search.look(f"{key}.looked")
            self._thread.end_reading()
        display = DisplayMatch(self.interview, self._thread, search, watches, kinds,
                               self._metric())
        display.readings()
        points = display.points() + SwitchTest(self.interview, search, watches, kinds).points()
        self._write_profile(key, search, display, points, watches)

    def _assigned(self) -> set[str]:
        """Return the assets that a device of the site file, or one found before, reads already."""
        tables = [*self.raw.get("devices", []), *self._devices()]
        return {asset for table in tables for asset in (
            [table["watches"]] if isinstance(table["watches"], str) else table["watches"])}

    def _write_profile(
        self, key: str, search: DeviceSearch, display: DisplayMatch,
        points: Sequence[FoundPoint], watches: Sequence[str],
    ) -> None:
        """Write the profile and the register image beside it; keep the device's table."""
        ask, found = self.interview.ask, self.state.found
        if not points:
            self.interview.say("No point was found, so no profile is written for this device.")
            found[f"{key}.written"] = ""
            self.interview.save()
            return None
        used = [w for w in watches if any(split_point(p.point)[0] == w for p in points)]
        ident = ask(f"{key}.id", "Short name of this controller", default=f"{used[0]}-controller",
                    check=lambda text: self._wrong_id(text),
                    explain="Its profile is written to a file of that name.")
        name = f"{ident}.toml"
        if f"{key}.text" not in found and self.site.with_name(name).exists():
            name = ask(f"{key}.profile", f"{name} exists. Which file shall it be", default=name,
                       check=lambda text: "" if text.endswith(".toml") and "/" not in text
                       else "A file name that ends in .toml, please.")
        name = self.state.answers.get(f"{key}.profile") or name
        path = self.site.with_name(name)
        if f"{key}.text" not in found:
            head = not path.exists()
            if not head and not self.interview.sure(
                    f"{key}.extend", f"{name} exists. Add the {len(points)} points to its end"):
                self.interview.forget(f"{key}.profile")
                self.interview.forget(f"{key}.extend")
                return self._write_profile(key, search, display, points, watches)
            before = "" if head else path.read_text(encoding="utf-8").rstrip("\n") + "\n\n"
            # Kept before it is written: after an interruption between the two, our own file
            # would be taken for another's, or be added to twice.
            found[f"{key}.text"] = before + profile_text(
                f"{ident}, as commissioned", points, used, self._kinds(), head=head)
            found[f"{key}.head"] = head
            self.interview.save()
        self._write(path, found[f"{key}.text"])
        if self.state.images and found[f"{key}.head"]:
            self._write(image_path(path), display.register_image(search.unit, points).text())
        found[f"{key}.points"] = [p.as_json() for p in points]
        found[f"{key}.table"] = {
            "id": ident, "address": search.address, "unit": search.unit, "profile": name,
            "every": "5 s", "watches": used, "max_registers": search.explored.largest,
            "max_gap": 0, "pause": f"{PAUSE} ms", "retries": 2 if search.is_silent_at_times else 0}
        found[f"{key}.written"] = name
        self.state.images.clear()  # of this device alone
        self._thread.keep_images(())
        self.interview.save()
        self.interview.say(f"{path.name} is written, with {len(points)} points.")
        return None

    def _wrong_id(self, text: str) -> str:
        devices = [*self.raw.get("devices", []), *self._devices(), {"id": text}]
        return mistake_at(self.raw | {"devices": devices}, ("devices", len(devices) - 1, "id"))

    def _devices(self) -> list[dict[str, Any]]:
        found = self.state.found
        return [found[k] for k in sorted(found) if k.startswith("device.") and k.endswith(".table")]

    def _points(self) -> dict[str, FoundPoint]:
        found = self.state.found
        return {p["point"]: FoundPoint(**p) for k in sorted(found)
                if k.startswith("device.") and k.endswith(".points") for p in found[k]}

    # -- the files ---------------------------------------------------------------------------------

    def _write(self, path: Path, content: str | bytes) -> None:
        """Write a file whole, and ask for room until it works."""
        while True:
            try:
                return write_whole(path, content)
            except NotSaved as error:
                self._person.say(f"  {error}. Nothing is lost; make room and go on.")
                self._person.ask("save-again", "  Enter tries again: ")

    def _write_site(self) -> None:
        """Write a new site file, or add the devices to the one there is; check it either way."""
        found = self.state.found
        came_from = f"Written by quietpipe commission, {format_instant(self._clock.now())[:10]}."
        there = tomllib.loads(self.site.read_text(encoding="utf-8-sig")) \
            if self.site.exists() else {}
        known = {d.get("id") for d in there.get("devices", [])}
        devices = [d for d in self._devices() if d["id"] not in known]
        tables = "\n".join(device_table(d, f"{came_from} Found by asking; at most three questions "
                                           "a second.") for d in devices)
        if not self.site.exists():
            text = site_text(self.raw, came_from) + ("\n" + tables if tables else "")
        elif devices:
            if not found.get("site.ours") and not self.interview.sure(
                    "site.extend", f"Add {len(devices)} device(s) to the end of {self.site}"):
                self.interview.say("The site file is left as it is. These tables would be added:\n"
                                   + tables)
                return
            text = self.site.read_text(encoding="utf-8-sig").rstrip("\n") + "\n\n" + tables
        else:
            return
        candidate = self.site.with_name(f".{self.site.stem}.candidate.toml")
        self._write(candidate, text)
        try:
            load_site(candidate, secrets=False)
        finally:
            candidate.unlink()
        new = not self.site.exists()
        found["site.ours"] = found.get("site.ours") or new
        # Said before the file is there: otherwise an interruption between the two would take our
        # own file for one that somebody else wrote.
        self.interview.save()
        self._write(self.site, text)
        self.interview.say(f"{self.site.name} is written and has no mistakes.")

    # -- the proof ---------------------------------------------------------------------------------

    def _prove(self) -> None:
        """Compare each point with the display, sign, and write the sheet."""
        points = self._points()
        if not points or not self.interview.sure(
                "prove", "Compare each point with the display now, and sign", default=True):
            return
        config = load_site(self.site, secrets=False)
        by = self.interview.ask("prove.by", "Your name, for the sheet")
        rows = [row for device in config.devices
                for row in Proof(self.interview, self._thread, device, points, self._kinds(),
                                 config.plant.site.units, by).rows()]
        signed = self.state.found.setdefault("prove.signed", self._clock.now())
        plant_site = config.plant.site
        self.record = CommissioningRecord(
            site=plant_site.name, zone=plant_site.timezone, by=by, signed=signed, rows=rows)
        if not self.interview.sure(
                "prove.sign", "Sign this", default=True, frame=self.record.frame,
                explain="The sheet, with registers and raw words, is written as text and PDF."):
            return
        self._keep(config, self.record)

    def _keep(self, config: SiteConfig, record: CommissioningRecord) -> None:
        """Write the sheet beside the site file, and where the site keeps its data."""
        stem = self.site.with_name(f"{self.site.stem}-commissioning")
        stamp = format_instant(record.signed)[:19].replace(":", "")
        self._write(record_folder(config.data) / f"{stamp}.json", record.json())
        self._write(stem.with_suffix(".txt"), record.text())
        self._write(stem.with_suffix(".pdf"), record.pdf())
        self.state.found["prove.kept"] = True
        self.interview.save()
        self.interview.say(f"{stem.name}.pdf and .txt are written.")

