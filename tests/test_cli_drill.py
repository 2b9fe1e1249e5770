"""`fenceguard drill`: scenarios, campaigns, and what it says to bad input."""

import json
import sys
from concurrent.futures import (
    Future,
    ThreadPoolExecutor,
)
from pathlib import Path
from typing import Any

import pytest

from fenceguard.cli import drill as drill_command
from fenceguard.cli import main
from tests.support.drills import (
    COLUMNS,
    GOOD,
    SETTINGS,
)


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(COLUMNS))


def command(*words: str | Path) -> int:
    return main(["drill", "--settings", str(SETTINGS), *map(str, words)])


def test_scenarios_that_hold_and_that_do_not(
    tmp_path: Path, narrow: None, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = tmp_path / "good.yaml", tmp_path / "bad.yaml"
    short = GOOD.replace("runs: 3", "runs: 1").replace("lasts_s: 60", "lasts_s: 33")
    good.write_text(short.replace("never locked", "halted within 1.8 s"))
    bad.write_text(short.replace("never locked", "never halted"))
    assert command(good) == 0
    assert capsys.readouterr().out == "holds   good: Something.\n"
    assert command(bad) == 1
    out = capsys.readouterr().out
    assert out == "BROKEN  bad: Something.\n        never halted: not in 1 of 1 drills\n"
    assert command(good, bad, "--json") == 1
    told = json.loads(capsys.readouterr().out)
    keys = ["name", "runs", "holds", "broken", "proves_nothing"]
    assert [list(one) for one in told["scenarios"]] == [keys] * 2
    assert [one["holds"] for one in told["scenarios"]] == [True, False]
    assert told["scenarios"][1]["broken"] == {"never halted": [0]}


class Refusing(ThreadPoolExecutor):
    """Runs nothing."""

    def submit(self, fn: Any, /, *args: Any, **how: Any) -> Future[Any]:
        raise AssertionError("a drill is run again")


def test_a_campaign(
    tmp_path: Path,
    narrow: None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = ["--runs", "3", "--fault", "silence", "--fault", "slow_drift"]
    words += ["--fault", "correction_loss"]
    words += ["--results", str(tmp_path / "results.jsonl")]
    assert command(*words) == 0
    done = capsys.readouterr()
    assert max(map(len, done.out.splitlines())) <= COLUMNS
    assert done.err == ""
    for word in (
        "silence",
        "slow_drift",
        "correction_loss",
        "  by hand",
        "  Kalman",
        "Drills, controller",
        "Work, before anything fails",
        "interventions and",
    ):
        assert word in done.out
    assert "…" not in done.out
    assert {len(line) for line in done.out.splitlines() if line.startswith("│")} <= {
        len(line) for line in done.out.splitlines() if line.endswith("┘")
    }
    before = (tmp_path / "results.jsonl").read_bytes()
    monkeypatch.setattr(drill_command, "ProcessPoolExecutor", Refusing)
    assert command(*words, "--json") == 0
    assert (tmp_path / "results.jsonl").read_bytes() == before
    told = json.loads(capsys.readouterr().out)
    assert list(told) == ["proves_nothing", "faults", "undetectable"]
    assert list(told["undetectable"]) == ["slow_drift"]
    assert list(told["faults"]) == [
        "all",
        "correction_loss",
        "detectable",
        "silence",
        "slow_drift",
    ]
    assert {name: one["runs"] for name, one in told["faults"]["all"].items()} == {
        "supervised": 3,
        "hand_written": 3,
        "kalman": 3,
    }
    assert command(*words, "--seed", "2") == 2
    assert "results of another plan" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    assert command(*words, "--plot", tmp_path / "p.png") == 2
    told_then = capsys.readouterr()
    assert told_then.out == ""
    assert told_then.err.startswith("fenceguard drill: the picture needs matplotlib: pip install")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--runs", "0"), "0 is not a whole number from 1 to 10000000"),
        (("--jobs", "-1"), "-1 is not a whole number"),
        (("--fault", "nosuch"), "invalid choice: 'nosuch'"),
        (("--policy", "nobody"), "invalid choice: 'nobody'"),
        (("--seed", "one"), "invalid int value: 'one'"),
    ],
)
def test_bad_options(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str) -> None:
    with pytest.raises(SystemExit) as ended:
        command(*words)
    assert ended.value.code == 2
    assert told in capsys.readouterr().err.splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("no.yaml",), "no.yaml: the scenario cannot be read: No such file or directory"),
        (("--faults", "pairs", "--fault", "float"), "pairs of faults need two of them, and there"),
        (("--faults", "none", "--fault", "float"), "drills without faults cannot have float"),
        (("--plot", "/nowhere/p.png"), "/nowhere/p.png: cannot be written: No such"),
        (("--results", "/nowhere/r.jsonl"), "/nowhere/r.jsonl: cannot be written: No such"),
        (("--set", "limits.silence.halted=soon"), "limits.silence.halted"),
    ],
)
def test_bad_input(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str) -> None:
    assert command(*words) == 2
    done = capsys.readouterr()
    assert done.out == ""
    (line,) = done.err.splitlines()
    assert line.startswith("fenceguard drill: ")
    assert told in line


def test_a_cluster_needs_its_extra(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert command("--scheduler", "tcp://127.0.0.1:9") == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line == (
        'fenceguard drill: --scheduler needs the extra "cluster": pip install "fenceguard[cluster]"'
    )
