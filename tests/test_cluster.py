"""Campaigns on a real cluster: a scheduler and its workers as processes of this machine."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from fenceguard.cli import drill as drill_command
from fenceguard.cli import main
from tests.support.lawns import write_settings

pytest.importorskip("distributed", reason='needs the extra "cluster"')
pytestmark = [pytest.mark.live, pytest.mark.xdist_group("cluster")]

SETTINGS = Path(__file__).parents[1] / "config" / "demo" / "settings.yaml"
RUNS = 16
START_S, END_S = 60.0, 120.0


def until(condition: Callable[[], bool], within_s: float = START_S) -> None:
    end_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.05)


class Cluster:
    """A scheduler and two workers, each in a directory of its own."""

    def __init__(self, directory: Path, workers: int = 2) -> None:
        self._directory = directory
        told = directory / "scheduler.json"
        self.scheduler = self._start("scheduler", "--port", "0", "--scheduler-file", str(told))
        until(lambda: told.exists() and told.read_text().endswith("}"))
        self.address: str = json.loads(told.read_text())["address"]
        words = ("worker", self.address, "--nthreads", "1", "--no-nanny")
        self.workers = [self._start(*words) for _ in range(workers)]

    def _start(self, *words: str) -> subprocess.Popen[bytes]:
        place = self._directory / f"{words[0]}-{len(list(self._directory.iterdir()))}"
        place.mkdir()
        with (place / "log").open("wb") as log:
            return subprocess.Popen(
                [sys.executable, "-m", "dask", *words, "--host", "127.0.0.1", "--no-dashboard"],
                cwd=place,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def close(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    cluster = Cluster(tmp_path_factory.mktemp("cluster"))
    yield cluster
    cluster.close()


@pytest.fixture
def fragile(tmp_path: Path) -> Iterator[Cluster]:
    """One that a test may break."""
    (tmp_path / "fragile").mkdir()
    cluster = Cluster(tmp_path / "fragile")
    yield cluster
    cluster.close()


def words(results: Path, *how: str) -> list[str]:
    return [
        *("drill", "--settings", str(SETTINGS), "--runs", str(RUNS), "--seed", "3"),
        *("--policy", "supervised", "--controller", "plans_ahead"),
        *("--results", str(results), "--json", *how),
    ]


def rows(results: Path) -> list[str]:
    """Whole rows, in the order of their texts."""
    if not results.exists():
        return []
    return sorted(line for line in results.read_text().splitlines(True)[1:] if line.endswith("\n"))


class Campaign:
    """A campaign as a process of its own."""

    def __init__(self, results: Path, *how: str) -> None:
        self.results = results
        self._process = subprocess.Popen(
            [sys.executable, "-m", "fenceguard", *words(results, *how)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            # Where tests run in the background, an interrupt is ignored, and that is inherited.
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )

    def under_way(self) -> None:
        """Some drills are done, and not all."""
        until(lambda: len(rows(self.results)) > 0, END_S)

    def interrupt(self) -> None:
        os.kill(self._process.pid, signal.SIGINT)

    def end(self) -> tuple[int, str, str]:
        out, err = self._process.communicate(timeout=END_S)
        return self._process.returncode, out.decode(), err.decode()


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> tuple[tuple[int, str, str], list[str]]:
    """How the same campaign ends in two processes of this machine, and its rows."""
    results = tmp_path_factory.mktemp("here") / "results.jsonl"
    end = Campaign(results, "--jobs", "2").end()
    assert end[0] in (0, 1), end
    assert end[2] == ""
    assert len(rows(results)) == RUNS
    return end, rows(results)


def test_a_cluster_gives_the_same(
    cluster: Cluster, here: tuple[tuple[int, str, str], list[str]], tmp_path: Path
) -> None:
    campaign = Campaign(tmp_path / "results.jsonl", "--scheduler", cluster.address)
    assert campaign.end() == here[0]
    assert rows(campaign.results) == here[1]


def test_settings_may_be_named_from_where_one_is(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The workers are elsewhere."""
    monkeypatch.chdir(SETTINGS.parent)
    told = ["drill", "--settings", SETTINGS.name, "--runs", "1", "--fault", "silence", "--json"]
    assert main([*told, "--scheduler", cluster.address]) == 0
    assert json.loads(capsys.readouterr().out)["faults"]["silence"]["supervised"]["runs"] == 1


def test_settings_that_change_are_read_anew(
    cluster: Cluster, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Workers live on from one campaign to the next."""
    reports = []
    for slowed_s in (0.5, 0.9):
        file = write_settings(tmp_path, limits={"silence": {"slowed": slowed_s}})
        told = ["drill", "--settings", str(file), "--runs", "1", "--fault", "silence", "--json"]
        for how in (("--scheduler", cluster.address), ("--jobs", "1")):
            assert main([*told, *how]) == 0
            reports.append(capsys.readouterr().out)
    assert reports[0] == reports[1] != reports[2] == reports[3]


@pytest.mark.parametrize("elsewhere", [True, False])
def test_an_interrupted_campaign_goes_on(
    cluster: Cluster, here: tuple[tuple[int, str, str], list[str]], tmp_path: Path, elsewhere: bool
) -> None:
    how = ("--scheduler", cluster.address) if elsewhere else ("--jobs", "1")
    campaign = Campaign(tmp_path / "results.jsonl", *how)
    campaign.under_way()
    campaign.interrupt()
    assert campaign.end() == (130, "", "fenceguard: interrupted\n")
    done = rows(campaign.results)
    assert 0 < len(done) < RUNS
    assert set(done) < set(here[1])
    assert Campaign(campaign.results, *how).end() == here[0]
    assert rows(campaign.results) == here[1]


def test_a_killed_worker_is_made_up_for_and_a_killed_scheduler_is_said(
    fragile: Cluster, here: tuple[tuple[int, str, str], list[str]], tmp_path: Path
) -> None:
    how = ("--scheduler", fragile.address)
    campaign = Campaign(tmp_path / "results.jsonl", *how)
    campaign.under_way()
    fragile.workers[0].kill()
    assert campaign.end() == here[0]
    assert rows(campaign.results) == here[1]

    campaign = Campaign(tmp_path / "others.jsonl", *how)
    campaign.under_way()
    fragile.scheduler.kill()
    assert campaign.end() == (
        2,
        "",
        f"fenceguard drill: --scheduler {fragile.address}: it, or one worker after the other, "
        f"went away. What was done is in {campaign.results}; the same command goes on from "
        "there\n",
    )
    done = rows(campaign.results)
    assert 0 < len(done) < RUNS
    assert set(done) < set(here[1])
    assert Campaign(campaign.results, "--jobs", "2").end() == here[0]


def test_a_cluster_that_is_not_there_or_has_no_worker(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(drill_command, "WORKER_S", 0.5)
    with closing(Cluster(tmp_path, workers=0)) as cluster:
        told = ["drill", "--settings", str(SETTINGS), "--runs", "1", "--scheduler", cluster.address]
        assert main(told) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.endswith(f"has no worker; start some, each by dask worker {cluster.address}")
    monkeypatch.setattr(drill_command, "REACH_S", 0.5)
    assert main(told) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"fenceguard drill: --scheduler {cluster.address}: cannot be reached: ")
