"""The example configurations, run: broker and InfluxDB with certificates of our own authority."""

from __future__ import annotations

import getpass
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.domain.errors import DeliveryRefused, DeliveryUnreachable
from collector.fleet import load_hub
from collector.forward import InfluxSettings
from collector.forward.influx.endpoints import V1Endpoint
from tests.forward.influx.peers import free_port, program
from tests.forward.sparkplug.broker import MOSQUITTO, wait_for_port

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"


@pytest.fixture(scope="module")
def tls(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program("openssl", "openssl")
    folder = tmp_path_factory.mktemp("tls")
    subprocess.run(["sh", str(DEPLOY / "certificates.sh"), str(folder), "broker", "influx", "hub",
                    "fenmoor", "marsh"], check=True, capture_output=True)
    return folder


def test_certificates_are_of_one_authority_and_closed_to_others(tls: Path) -> None:
    for name in ("broker", "influx", "hub", "fenmoor"):
        done = subprocess.run(
            ["openssl", "verify", "-CAfile", str(tls / "authority/ca.pem"),
             str(tls / name / "certificate.pem")], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        assert (tls / name / "key.pem").stat().st_mode & 0o077 == 0
    assert (tls / "authority/authority.key").stat().st_mode & 0o077 == 0


def test_certificates_that_are_there_stay(tls: Path) -> None:
    before = (tls / "hub/certificate.pem").read_bytes(), (tls / "authority/ca.pem").read_bytes()
    subprocess.run(["sh", str(DEPLOY / "certificates.sh"), str(tls), "hub", "third"], check=True,
                   capture_output=True)
    assert before == ((tls / "hub/certificate.pem").read_bytes(),
                      (tls / "authority/ca.pem").read_bytes())
    assert (tls / "third/key.pem").exists()


@pytest.mark.parametrize("names", [[], ["a b"], ["../x"], ["authority"]])
def test_a_wrong_call_of_the_script_makes_nothing(tmp_path: Path, names: list[str]) -> None:
    done = subprocess.run(["sh", str(DEPLOY / "certificates.sh"), str(tmp_path / "t"), *names],
                          capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr
    assert not list(tmp_path.rglob("key.pem"))


@pytest.fixture
def broker(tls: Path, tmp_path: Path) -> Iterator[int]:
    if not MOSQUITTO:
        pytest.skip("no mosquitto on this machine (Debian package mosquitto)")
    port = free_port()
    text = (DEPLOY / "example-mosquitto.conf").read_text()
    data = tmp_path / "data"
    data.mkdir()
    for there, here in (("/mosquitto/tls", tls / "broker"), ("/mosquitto/data", data),
                        ("/mosquitto/config/access", DEPLOY / "example-access"),
                        ("listener 8883", f"listener {port} 127.0.0.1")):
        assert there in text
        text = text.replace(there, str(here))
    (tmp_path / "mosquitto.conf").write_text(f"user {getpass.getuser()}\n{text}")
    process = subprocess.Popen([MOSQUITTO, "-c", str(tmp_path / "mosquitto.conf")],
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wait_for_port(port, process)
    yield port
    process.terminate()
    process.wait(10)


def _client(tls: Path, name: str) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    own = tls / name
    client.tls_set(str(own / "ca.pem"), str(own / "certificate.pem"), str(own / "key.pem"))
    return client


def test_a_site_may_publish_only_as_itself(tls: Path, broker: int) -> None:
    heard: list[str] = []
    hub = _client(tls, "hub")
    hub.on_message = lambda client, data, message: heard.append(message.topic)
    ready: list[int] = []
    hub.on_connect = lambda *_: hub.subscribe("#", 1)
    hub.on_subscribe = lambda *_: ready.append(1)
    hub.connect("127.0.0.1", broker)
    hub.loop_start()
    try:
        _until(lambda: ready)
        for topic in ("spBv1.0/north/DDATA/marsh/gen1", "quietpipe/marsh/events",
                      "spBv1.0/north/NCMD/marsh", "spBv1.0/STATE/hub", "quietpipe/marsh/mark"):
            _say(tls, broker, topic)  # some brokers hang up on whoever tries
        own = ["spBv1.0/north/DDATA/fenmoor/gen1", "quietpipe/fenmoor/events",
               "quietpipe/north/fenmoor/mark"]
        for topic in own:
            _say(tls, broker, topic)
        _until(lambda: len(heard) >= 3)
        assert heard == own
    finally:
        hub.disconnect()
        hub.loop_stop()


def _say(tls: Path, port: int, topic: str) -> None:
    """Publish once as the site ``fenmoor``, whatever the broker makes of it."""
    site = _client(tls, "fenmoor")
    done: list[int] = []
    site.on_connect = lambda *_: site.publish(topic, b"x", qos=1)
    site.on_publish = lambda *_: done.append(1)
    site.on_disconnect = lambda *_: done.append(2)
    site.connect("127.0.0.1", port)
    while not done:
        site.loop(0.1)
    site.disconnect()


def test_nobody_comes_in_without_a_certificate(tls: Path, broker: int) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.tls_set(str(tls / "authority/ca.pem"))
    answers: list[object] = []
    client.on_connect = lambda *a: answers.append(a)
    with pytest.raises(OSError, match="."):
        _talk(client, broker)
    assert not answers


def _talk(client: paho.Client, port: int) -> None:
    client.connect("127.0.0.1", port)
    for _ in range(50):
        if client.loop(0.1) != 0:
            raise OSError("the broker hung up")


def _until(check) -> None:  # noqa: ANN001
    import time

    end = time.monotonic() + 15
    while not check():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.fixture
def influx(tls: Path, tmp_path: Path) -> Iterator[int]:
    influxd = program("influxd", "influxdb")
    port, folder = free_port(), tmp_path / "influx"
    text = (DEPLOY / "example-influxdb.conf").read_text()
    for there, here in (("/var/lib/influxdb", folder), ("/run/tls", tls / "influx"),
                        ('":8086"', f'"127.0.0.1:{port}"'),
                        ('"127.0.0.1:8088"', f'"127.0.0.1:{free_port()}"')):
        assert there in text
        text = text.replace(there, str(here))
    (tmp_path / "influxdb.conf").write_text(text)
    with (tmp_path / "influx.log").open("wb") as log:
        process = subprocess.Popen([influxd, "-config", str(tmp_path / "influxdb.conf")],
                                   stdout=log, stderr=log)
    wait_for_port(port, process)
    yield port
    process.terminate()
    process.wait(20)


def _ask(tls: Path, port: int, query: str, *user: str) -> str:
    curl = program("curl", "curl")
    return subprocess.run(
        [curl, "-s", "--cacert", str(tls / "authority/ca.pem"),
         *(["-u", ":".join(user)] if user else []), "--data-urlencode", f"q={query}",
         f"https://localhost:{port}/query?db=sprinklers"],
        capture_output=True, text=True, check=True).stdout


def test_influx_takes_what_a_known_writer_sends_over_tls(tls: Path, influx: int) -> None:
    _ask(tls, influx, "CREATE USER keeper WITH PASSWORD 'k' WITH ALL PRIVILEGES")
    keeper = ("keeper", "k")
    for query in ("CREATE DATABASE sprinklers", "CREATE USER collector WITH PASSWORD 'c'",
                  "GRANT WRITE ON sprinklers TO collector"):
        assert "error" not in _ask(tls, influx, query, *keeper)
    base = {"api": "v1", "url": f"https://localhost:{influx}", "database": "sprinklers",
            "username": "collector"}
    ca = tls / "fenmoor/ca.pem"
    right = V1Endpoint(InfluxSettings(**base, password="c", ca=ca))
    right.write(b"riser,site=fenmoor,asset=r1 pressure=25.0 1772323200000")
    right.close()
    assert '"pressure"' in _ask(tls, influx, "SELECT pressure FROM riser", *keeper)
    for wrong, error in (({"password": "x", "ca": ca}, DeliveryRefused),
                         ({"password": "c"}, DeliveryUnreachable)):
        wire = V1Endpoint(InfluxSettings(**base, **wrong))
        with pytest.raises(error):
            wire.write(b"riser,site=fenmoor,asset=r1 pressure=25.0 1772323200000")
        wire.close()


def test_the_example_of_a_hub_is_a_valid_one(tmp_path: Path) -> None:
    shutil.copy(DEPLOY / "example-hub.toml", tmp_path / "hub.toml")
    settings = load_hub(tmp_path / "hub.toml", secrets=False)
    assert [g.id for g in settings.groups] == ["north"]
    done = subprocess.run([sys.executable, "-m", "collector.cli", "hub", "--help"],
                          capture_output=True, text=True, check=True)
    assert "--id" in done.stdout
