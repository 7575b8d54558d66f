"""Certificates and a broker, made for the run and gone after it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.forward.certificates import Authority
from tests.forward.sparkplug.broker import MOSQUITTO, Mosquitto, Observer


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def broker(tmp_path: Path, authority: Authority) -> Iterator[Mosquitto]:
    if not MOSQUITTO:
        pytest.skip("no mosquitto on this machine")
    made = Mosquitto(tmp_path, authority)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def observer(broker: Mosquitto) -> Iterator[Observer]:
    made = Observer(broker.settings("observer"))
    yield made
    made.close()
