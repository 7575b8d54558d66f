"""A right site file and its profile, to be spoilt by the tests."""

from collections.abc import Callable
from pathlib import Path

import pytest

from collector.config import SiteConfig, load_site
from collector.domain.errors import Mistake, SiteFileError

SITE = """\
[site]
id = "fenmoor"
name = "Fenmoor Cold Store"
timezone = "Europe/London"
altitude = "40 m"
units = "us"
standard_temperature = "60 degF"
data = "var/fenmoor"

[[generators]]
id = "gen1"
tank_volume = "60 gal"
cut_in = "60 psi"
cut_out = "80 psi"
air_fill_below = "55 psi"
product_oxygen_limit = "3 %"

[[risers]]
id = "r1"
name = "Dock riser"
fed_by = "gen1"
volume = "450 gal"
supervisory_pressure = "25 psi"
low_pressure = "18 psi"
high_pressure = "40 psi"

[[vents]]
id = "r1-vent"
riser = "r1"
target_oxygen = "2 %"
flow = "0.35 scfm"

[[rooms]]
id = "plant-room"

[[devices]]
id = "gen1-controller"
address = "tcp://127.0.0.1:5020"
unit = 1
profile = "generator-a.toml"
every = "5 s"
watches = "gen1"

[conditions.compressor-long-run]
limit = "12 min"

[conditions.oxygen-not-falling.r1-vent]
planned_days = 10
"""

PROFILE = """\
[profile]
name = "Generator, register set A"
word_order = "high-first"
byte_order = "high-first"

[[points]]
quantity = "tank_pressure"
table = "input-registers"
address = 0
type = "int16"
scale = 0.1
offset = 0.0
unit = "psi"
invalid = [32767]
range = [-5, 200]

[[points]]
quantity = "mode"
table = "holding-registers"
address = 10
type = "uint16"
values = { 0 = "off", 1 = "nitrogen", 2 = "air-fill" }

[[points]]
quantity = "trouble"
normally_open = { table = "discrete-inputs", address = 0 }
normally_closed = { table = "discrete-inputs", address = 1 }
"""


class Folder:
    """A site file in the making."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.site = SITE
        (path / "generator-a.toml").write_text(PROFILE)

    def swap(self, old: str, new: str) -> "Folder":
        assert self.site.count(old) >= 1, old
        self.site = self.site.replace(old, new, 1)
        return self

    def add(self, text: str) -> "Folder":
        self.site += text
        return self

    def profile(self, old: str, new: str, name: str = "generator-a.toml") -> "Folder":
        assert old in PROFILE
        (self.path / name).write_text(PROFILE.replace(old, new, 1))
        return self

    def load(self) -> SiteConfig:
        (self.path / "site.toml").write_text(self.site)
        return load_site(self.path / "site.toml")

    def mistakes(self) -> list[Mistake]:
        with pytest.raises(SiteFileError) as caught:
            self.load()
        return list(caught.value.mistakes)

    def line(self, text: str) -> int:
        """Number of the first line that holds ``text``."""
        return next(n for n, line in enumerate(self.site.splitlines(), 1) if text in line)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Folder:
    import os
    for name in list(os.environ):
        if name.startswith("QUIETPIPE_"):
            monkeypatch.delenv(name)
    return Folder(tmp_path)


Spoil = Callable[[Folder], Folder]
