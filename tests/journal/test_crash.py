"""kill -9 at random moments: what was acknowledged is there whole, the rest not half there."""

import random
import signal
import subprocess
import sys
import time

from collector.journal import Journal
from tests.journal.examples import HOUR, T0

CHILD = """
import sys
from pathlib import Path
from collector.journal import Journal
from tests.journal.examples import HOUR, T0, fact, reading

journal = Journal.open(Path(sys.argv[1]))
number = journal.statistics().last_commit
print("ready", flush=True)
while True:
    number += 1
    time = T0 + number * 60_000
    rows = [reading(time, float(number), f"r{i}.pressure") for i in range(20)]
    got = journal.commit(rows, [fact(time, text=str(number))], meta={"last": str(number)})
    assert got == number, (got, number)
    print(got, flush=True)
    if number % 7 == 0:
        journal.settle("forward", number)
        print("settled", number, flush=True)
    if number % 25 == 0:
        journal.pack(time - HOUR)
    if number % 60 == 0:
        journal.retain(oldest=T0, max_bytes=None)
"""


def run_and_kill(path, after):
    """Let a child commit until ``after`` seconds past its start; return what it acknowledged."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(after)
        child.kill()
        said, wrong = child.communicate(timeout=20)
    finally:
        child.kill()
        child.wait()
    assert child.returncode == -signal.SIGKILL, wrong
    lines = [line.split() for line in said.split("\n")[:-1]]
    return ([int(words[0]) for words in lines if len(words) == 1],
            [int(words[1]) for words in lines if len(words) == 2])


def test_nothing_acknowledged_is_lost_at_fifteen_random_kills(path):
    rng = random.Random(20260301)
    acknowledged, settled = 0, 0
    for _ in range(15):
        committed, moved = run_and_kill(path, rng.uniform(0.005, 0.15))
        acknowledged = max([acknowledged, *committed])
        settled = max([settled, *moved])
        with Journal.open(path) as journal:
            commits = journal.after(0, 1_000_000)
            assert [c.number for c in commits] == list(range(1, len(commits) + 1))
            assert len(commits) >= acknowledged
            assert journal.position("forward") >= settled
            for commit in commits:
                assert len(commit.readings) == 20
                assert {r.value for r in commit.readings} == {float(commit.number)}
                assert [e.event.text for e in commit.events] == [str(commit.number)]
            if commits:
                assert journal.meta("last") == str(commits[-1].number)
    assert acknowledged > 30
    with Journal.open(path) as journal:
        journal.pack(T0 + 10**6 * HOUR)
        assert len(list(journal.readings(None, None, None))) == 20 * len(commits)
