"""A journal in an empty folder, and readings to put into it."""

import pytest

from collector.journal import Journal


@pytest.fixture
def path(tmp_path):
    return tmp_path / "var" / "journal.sqlite"


@pytest.fixture
def journal(path):
    with Journal.open(path) as opened:
        yield opened
