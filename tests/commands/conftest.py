"""A site folder for the commands."""

from pathlib import Path

import pytest

from tests.config.conftest import PROFILE, SITE


@pytest.fixture
def site(tmp_path: Path) -> Path:
    (tmp_path / "generator-a.toml").write_text(PROFILE)
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    return path


@pytest.fixture
def bare_site(tmp_path: Path) -> Path:
    """A site file without devices."""
    path = tmp_path / "bare.toml"
    path.write_text(SITE[:SITE.index("[[devices]]")])
    return path
