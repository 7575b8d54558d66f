"""The rules again over the archive, on the processes of a local cluster."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.cli import main
from collector.commands.fleet import Cluster, WorkLost
from collector.domain.errors import UsageError
from collector.domain.events import event_from_json
from collector.fleet.archive import Archive
from collector.fleet.rerun import compared, jobs, rerun_site, site_files
from tests.fleet.archives import DAY, T0, fleet, one_by_one, site_file, story
from tests.integration.support import until

ROOT = Path(__file__).resolve().parents[2]

# Starting processes that load everything takes its time where many share the machine.
pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    with Cluster(workers=2) as made:
        yield made


def test_the_same_events_as_one_by_one(tmp_path: Path, cluster: Cluster) -> None:
    archive, sites, stories = fleet(tmp_path, 4, days=2)
    work = jobs(archive, sites)
    seen: list[tuple[int, int]] = []
    found = list(cluster.map(rerun_site, work, lambda done, total: seen.append((done, total))))
    assert [f.site for f in found] == sorted(stories)
    for result in found:
        assert list(result.lines) == one_by_one(sites / f"{result.site}.toml", stories[result.site])
        assert any('"pressure-low"' in line for line in result.lines)
        assert result.readings == len(stories[result.site])
        assert result.error == ""
    assert max(seen) == (4, 4)


def test_the_command(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    archive, sites, stories = fleet(tmp_path, 2, days=2)
    said = one_by_one(sites / "site-1.toml", stories["site-1"])
    told = [event_from_json(line) for line in said]
    Archive(archive).write_events("site-1", told)
    change = tmp_path / "lower.toml"
    change.write_text('[[risers]]\nid = "r1"\nlow_pressure = "16 psi"\n')
    arguments = ["rerun", str(archive), "--sites", str(sites), "--workers", "2"]
    assert main(arguments) == 0
    out, err = capfd.readouterr()
    assert out.splitlines() == [
        line for site in sorted(stories) for line in one_by_one(sites / f"{site}.toml",
                                                                stories[site])]
    assert "site-1: 2 alarms where 2 were reported; none more, none fewer" in err
    assert "site-0: the alarms of the time are not archived" in err
    assert "2 of 2 sites re-run." in err
    assert main([*arguments, "--change", str(change), "--only", "site-1"]) == 0
    out, err = capfd.readouterr()
    assert '"pressure-low"' not in out
    assert "2 fewer (pressure-low r1, 2 times)" in err


def test_a_site_that_fails_is_named_and_the_others_go_on(
    tmp_path: Path, capfd: pytest.CaptureFixture[str],
) -> None:
    archive, sites, stories = fleet(tmp_path, 3, days=1)
    (sites / "site-0.toml").write_text('[site]\nid = "site-0"\ncolour = "red"\n')
    (sites / "site-1.toml").unlink()
    partition = archive / "site=site-2" / "day=2026-03-01" / "readings.parquet"
    Archive(archive).write("site-3", [stories["site-2"]])
    site_file(sites, "site-3")
    partition.write_bytes(b"no Parquet")
    assert main(["rerun", str(archive), "--sites", str(sites), "--workers", "1"]) == 1
    out, err = capfd.readouterr()
    assert "site-0: not re-run: site-0.toml line 1: site: " in err
    assert "; site-0.toml line 3: site.colour: " in err
    assert "site-1: not re-run: no site file" in err
    assert "site-2: not re-run: readings.parquet" in err
    assert "1 of 4 sites re-run." in err
    assert {json.loads(line)["site"] for line in out.splitlines()} == {"site-3"}


def dies_once(mark: Path) -> str:
    """Kill the worker that takes it up first."""
    if not mark.exists():
        mark.touch()
        os._exit(1)
    return "done"


def dies(_: Path) -> str:
    os._exit(1)


def fails(_: Path) -> str:
    raise ValueError("no such thing")


def same(path: Path) -> str:
    return path.name


def test_the_work_of_a_worker_that_dies_is_done_by_another(
    tmp_path: Path, cluster: Cluster,
) -> None:
    assert list(cluster.map(dies_once, [tmp_path / "mark"])) == ["done"]


def test_work_that_cannot_be_done_is_lost_alone(tmp_path: Path, cluster: Cluster) -> None:
    killed, = cluster.map(dies, [tmp_path])
    assert isinstance(killed, WorkLost)
    assert "every worker that took it up died" in str(killed)
    failed, = cluster.map(fails, [tmp_path])
    assert isinstance(failed, WorkLost)
    assert "no such thing" in str(failed)
    assert list(cluster.map(same, [tmp_path / "a", tmp_path / "b"])) == ["a", "b"]


def test_only_a_span_is_as_a_replay_of_it(tmp_path: Path) -> None:
    archive, sites, stories = fleet(tmp_path, 1, days=2)
    start, end = T0 + DAY // 3, T0 + DAY + DAY // 2
    job, = jobs(archive, sites, start=start, end=end)
    told = stories["site-0"]
    within = told.take((told.times >= start) & (told.times < end))
    assert list(rerun_site(job).lines) == one_by_one(sites / "site-0.toml", within)


def test_points_of_unknown_things_are_left_out_and_named(tmp_path: Path) -> None:
    archive, sites, stories = fleet(tmp_path, 1, days=1)
    told = stories["site-0"]
    other = type(told)(
        names=["r9.pressure"], times=told.times[::4], points=told.points[::4] * 0,
        values=told.values[::4], good=told.good[::4])
    Archive(archive).write("site-0", [other])
    job, = jobs(archive, sites)
    result = rerun_site(job)
    assert result.left_out == ("r9.pressure",)
    assert list(result.lines) == one_by_one(sites / "site-0.toml", told)


def test_a_change_says_where_it_is_wrong(tmp_path: Path) -> None:
    archive, sites, _ = fleet(tmp_path, 1, days=1)
    change = tmp_path / "change.toml"
    change.write_text('[[risers]]\nid = "r7"\nlow_pressure = "16 psi"\n')
    job, = jobs(archive, sites, change=change)
    assert 'change.toml line 1: risers[0]' in rerun_site(job).error
    assert '"r7"' in rerun_site(job).error
    change.write_text('[conditions.pressure-low]\nlimit = "cold"\n')
    assert "change.toml: conditions.pressure-low.limit" in rerun_site(job).error


def test_two_alarms_within_an_hour_are_the_same() -> None:
    site = Path("unused")
    assert site_files(site) == {}
    told = [event_from_json(json.dumps({
        "time": f"2026-03-01T{h:02}:00:00Z", "site": "s", "kind": "alarm", "asset": "r1",
        "condition": "leak-high", "transition": "raised", "priority": "high",
        "signal": "trouble", "since": "2026-03-01T00:00:00Z", "text": "", "values": {},
        "id": f"leak-high.r1.{h}"})) for h in (1, 5, 9)]
    found = compared(told[:2], told[1:])
    assert (found.then, found.now) == (2, 2)
    assert found.more == {("leak-high", "r1"): 1} == found.fewer
    assert compared(told, told).more == {}


@contextlib.contextmanager
def scheduler_and_worker(folder: Path) -> Iterator[str]:
    """A Dask cluster of other processes, as somebody else would start it; give its address."""
    told = folder / "scheduler.json"
    with contextlib.ExitStack() as stack:
        for kind, options in (
            ("scheduler", ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]),
            ("worker", ["--nthreads", "1", "--no-nanny", "--no-dashboard",
                        "--local-directory", str(folder)]),
        ):
            log = stack.enter_context((folder / f"{kind}.log").open("wb"))
            process = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.dask_{kind}", *options,
                 "--scheduler-file", str(told)],
                cwd=folder, stdout=log, stderr=log, env={**os.environ, "PYTHONPATH": str(ROOT)})
            stack.callback(process.wait, 30)
            stack.callback(process.terminate)
        yield until(lambda: address_in(told), within=120, what="the scheduler's address")


def address_in(path: Path) -> str:
    """Return what the scheduler has written of itself; nothing while it has not, or not all."""
    try:
        return str(json.loads(path.read_text())["address"])
    except (FileNotFoundError, json.JSONDecodeError):
        return ""


def test_a_cluster_that_is_there_already(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
) -> None:
    archive, sites, stories = fleet(tmp_path, 3, days=1)
    monkeypatch.chdir(tmp_path)  # the workers stand elsewhere: they must be given whole paths
    (tmp_path / "dask").mkdir()
    with scheduler_and_worker(tmp_path / "dask") as address:
        assert address.startswith("tcp://127.0.0.1:")
        command = ["rerun", archive.name, "--sites", sites.name, "--cluster", address]
        assert main(command) == 0
        out, err = capfd.readouterr()
        assert main([*command, "--only", "site-1"]) == 0, "it is left as it was found"
        again = capfd.readouterr().out
        with Cluster(address) as cluster:
            assert set(cluster.map(whose, [1, 2])).isdisjoint({os.getpid()})
    said = {site: one_by_one(sites / f"{site}.toml", stories[site]) for site in sorted(stories)}
    assert out.splitlines() == [line for lines in said.values() for line in lines]
    assert again.splitlines() == said["site-1"]
    assert "3 of 3 sites re-run." in err


def whose(_: int) -> int:
    return os.getpid()


def test_nobody_answers() -> None:
    with pytest.raises(UsageError, match="no Dask scheduler answers"), \
            Cluster("tcp://127.0.0.1:9", workers=None):
        pass


def test_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rerun", str(tmp_path / "a"), "--sites", str(tmp_path / "none")]) == 2
    assert main(["rerun", str(tmp_path / "a"), "--sites", str(tmp_path)]) == 2
    (tmp_path / "a").mkdir()
    assert main(["rerun", str(tmp_path / "a"), "--sites", str(tmp_path)]) == 2
    assert "holds no site" in capsys.readouterr().err


def test_story_has_what_the_tests_need() -> None:
    assert not story(1, 30).good.all()
