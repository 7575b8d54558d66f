"""What every test shares: where the open measurements lie, and the watch on the wire."""

from __future__ import annotations

import os
from pathlib import Path

import pytest



def data_folder() -> Path:
    """Return the folder of open measurement sets; it may not exist in a user's clone."""
    beside = Path(__file__).resolve().parents[2] / "shared" / "data"
    return Path(os.environ.get("QUIETPIPE_DATA", beside))


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The open measurement sets, or a skip that says what is missing."""
    folder = data_folder()
    if not folder.is_dir():
        pytest.skip(
            "the open measurement sets are not in this clone; "
            "set QUIETPIPE_DATA to a folder that holds them"
        )
    return folder
