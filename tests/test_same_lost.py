"""A recording or a journal that lacks something proves nothing, and what it lacks is named."""

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fenceguard.cli import main
from fenceguard.recording.names import recording_files
from fenceguard.settings import Loaded
from tests.support.lawns import loaded
from tests.support.made import QUICK
from tests.support.recorded import NAME, cut, files_of, live, rewritten, same_as


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


def test_a_recording_that_lacks_its_beginning_proves_nothing(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)

    def behead(lines: list[dict[str, Any]]) -> None:
        lines[0]["before"] = 1
        del lines[1]

    rewritten(tmp_path, behead)
    assert main(same_as(tmp_path)) == 2
    assert "no run begins in it; begin with an earlier file" in capsys.readouterr().err


def test_a_recording_with_a_gap_proves_nothing(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)

    def gap(lines: list[dict[str, Any]]) -> None:
        lines[30:33] = [{"missed": 3}]

    rewritten(tmp_path, gap)
    assert main(same_as(tmp_path)) == 1
    said = capsys.readouterr()
    assert f"run {NAME}: lacks 3 events; it is not run again as it was" in said.err
    assert said.out == "", "neither the same nor not"


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda d: (d / "journal").rename(d / "away"), "no such directory; name the one"),
        (
            lambda d: next((d / "journal").glob("fence-*")).unlink(),
            "is not there, or not as it was",
        ),
        (lambda d: next((d / "journal").glob("fence-*")).write_text("{}"), "not as it was"),
    ],
)
def test_what_is_missing_is_named(
    lawn: Loaded,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    spoil: Callable[[Path], object],
    said: str,
) -> None:
    live(lawn, cut(), tmp_path)
    spoil(tmp_path)
    assert main(same_as(tmp_path)) == 2
    assert said in capsys.readouterr().err.replace("\n", " ")


def two_runs(lawn: Loaded, directory: Path) -> tuple[Path, Path]:
    """The recordings of a killed run and of one that ended, and a journal of both."""
    live(lawn, cut(), directory, stops=False)
    live(lawn, cut(7.0), directory, name="second", begin_s=500.0)
    first, second = recording_files(directory / "recording")
    return first, second


def test_a_file_that_broke_off_at_once_costs_the_others_nothing(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a disk leaves it that is full when the file begins."""
    two_runs(lawn, tmp_path)
    (tmp_path / "recording" / "000003-20310101T000000.jsonl.gz").touch()
    assert main(same_as(tmp_path)) == 0
    said = capsys.readouterr()
    assert said.out.count("the same") == 2
    assert "000003-20310101T000000.jsonl.gz: breaks off" in said.err


def test_a_journal_that_lost_its_end_is_not_the_same(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)
    file = max((tmp_path / "journal").glob("*.jsonl"))
    file.write_bytes(b"".join(file.read_bytes().splitlines(keepends=True)[:-1]))
    assert main(same_as(tmp_path)) == 1
    assert "tells stop, the journal nothing" in capsys.readouterr().out.replace("\n", " ")


@pytest.mark.parametrize("lost", ["its start", "its first file"])
def test_a_run_that_lacks_its_beginning_is_told_and_left_out(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str], lost: str
) -> None:
    """It is not taken for what follows in the run before it."""
    _first, second = two_runs(lawn, tmp_path)
    head, start, *events = gzip.decompress(second.read_bytes()).splitlines(keepends=True)
    if lost == "its first file":
        head = head.replace(b'"before": 0', b'"before": 9')
    second.write_bytes(gzip.compress(b"".join([head, *events])))
    assert start.startswith(b'{"at"')
    assert main(same_as(tmp_path, "--json")) == 1
    told = json.loads(capsys.readouterr().out)
    assert [(one["run"], one["difference"]) for one in told["runs"]] == [(NAME, None)]
    assert f"{second}: begins in the midst of a run, which is left out" in told["faults"][0]


@pytest.mark.parametrize("lost", [0, 1])
def test_a_run_whose_recording_is_gone_is_told_where_it_followed_another(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str], lost: int
) -> None:
    """The oldest go to make room; what followed a recorded run must be there."""
    journal = {"directory": "journal"}
    told = loaded(tmp_path, journal=journal, recording={"directory": "recording"}, **QUICK)
    two_runs(told, tmp_path)[lost].unlink()
    assert main(same_as(tmp_path)) == lost
    missing = "run second: is in the journal, and was recorded, but is not in the recording"
    assert (missing in capsys.readouterr().err) is bool(lost)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"inputs": {"reset": True, "lift": False}}, "tells of the input lift, which is not known"),
        ({"at": 1e300}, "is not as it was written"),
        ({"data": [1 << 40]}, "is not as it was written"),
        ({"start": {"run": 5}}, "which is not what run writes; get another copy"),
    ],
)
def test_a_recording_that_tells_what_cannot_be_is_refused(
    lawn: Loaded,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    change: dict[str, Any],
    said: str,
) -> None:
    def spoil(lines: list[dict[str, Any]]) -> None:
        number = 1 if "start" in change else 20
        lines[number] = {"at": lines[number]["at"], **({} if "at" in change else change)}
        if "at" in change:
            lines[number] = {**change, "data": []}

    live(lawn, cut(), tmp_path)
    rewritten(tmp_path, spoil)
    assert main(same_as(tmp_path)) == (2 if "start" in change else 1)
    (file,) = files_of(tmp_path)
    told = capsys.readouterr().err
    assert file in told and said in told
