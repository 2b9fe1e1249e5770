"""A replay of recordings of ours: run again to the same decisions."""

import gzip
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import pytest

from fenceguard.errors import BadInput
from fenceguard.guard import Guard
from fenceguard.journal.records import Entry, Sensed, Start
from fenceguard.judgement.types import Inputs
from fenceguard.recording.events import Header
from fenceguard.recording.names import recording_files
from fenceguard.recording.write import Recorder
from fenceguard.replay import Replay
from fenceguard.settings import Loaded
from tests.support.lawns import loaded
from tests.support.made import QUICK, RATE_HZ, standing, with_a_float
from tests.support.replayed import COUNT, HOST_UTC_S, replayed, written


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


def recorded(
    lawn: Loaded, directory: Path, data: bytes, name: str = "a1b2c3", stops: bool = True
) -> Path:
    """What the live loop records when these bytes come evenly, with a press; the file of it."""
    recorder = Recorder(directory)
    header = Header(name, HOST_UTC_S, 4, lawn.settings_hash, lawn.fence_hash)
    recorder.start(50.0, header._asdict())
    lines = data.splitlines(keepends=True)
    for number in range(len(lines) // 2):
        at_s = round(50.05 + number / RATE_HZ, 3)
        recorder.arrived(at_s, b"".join(lines[2 * number : 2 * number + 2]))
        if number == 7:
            recorder.inputs(at_s, {"reset": True})
    if stops:
        recorder.stop(at_s + 0.5, "SIGTERM")
    recorder.close()
    return recording_files(directory)[-1]


def again(lawn: Loaded, data: bytes) -> list[Entry]:
    """The same by a guard alone."""
    guard = Guard(lawn, 5)
    guard.account.host_utc(50.0, HOST_UTC_S)
    guard.start(50.0, HOST_UTC_S, run="a1b2c3", mode="run", source="x")
    lines = data.splitlines(keepends=True)
    for number in range(len(lines) // 2):
        at_s = round(50.05 + number / RATE_HZ, 3)
        guard.receive(at_s, b"".join(lines[2 * number : 2 * number + 2]))
        if number == 7:
            guard.sense(at_s, Inputs(reset=True))
    guard.stop(at_s + 0.5, "SIGTERM")
    return guard.entries()


def test_a_recording_is_run_again_to_the_same_decisions(lawn: Loaded, tmp_path: Path) -> None:
    data = with_a_float()
    asked: list[str | None] = []

    def loaded_of(run: str | None) -> Loaded:
        asked.append(run)
        return lawn

    file = recorded(lawn, tmp_path, data)
    outcome = Replay(loaded_of).run([str(file)])
    (run,) = outcome.again
    assert (run.run, asked) == ("a1b2c3", ["a1b2c3"])
    expected = again(lawn, data)
    assert run.entries[1:] == expected[1:]
    assert run.until_s == expected[-1].mono_s
    start = run.entries[0]
    assert isinstance(start.record, Start)
    assert (start.mono_s, start.utc_s) == (50.0, HOST_UTC_S)
    assert (start.record.run, start.record.mode) == ("a1b2c3", "replay")
    assert (start.record.source, start.record.interventions) == (str(file), 4)
    assert (outcome.faults, outcome.notes) == ([], [])
    assert outcome.epochs == COUNT


def test_until_the_receiver_tells_the_date_utc_is_what_the_host_told_at_the_start(
    lawn: Loaded, tmp_path: Path
) -> None:
    file = recorded(lawn, tmp_path, b"no sentence\r\n" * 8)
    (run,) = replayed(lawn, file).again
    assert len(run.entries) == 2
    for entry in run.entries:
        assert entry.utc_s == pytest.approx(HOST_UTC_S + entry.mono_s - 50.0)


def test_into_a_journal_its_interventions_are_numbered_as_new_ones(
    lawn: Loaded, tmp_path: Path
) -> None:
    file = recorded(lawn, tmp_path / "recording", with_a_float())
    told = written(tmp_path / "journal", lambda journal: replayed(lawn, file, journal=journal))
    start = told[0].record
    assert isinstance(start, Start) and start.interventions == 0


def test_a_run_that_was_cut_off_ends_where_its_recording_does(lawn: Loaded, tmp_path: Path) -> None:
    files = [
        recorded(lawn, tmp_path, standing(3.0), "first", stops=False),
        recorded(lawn, tmp_path, standing(2.0), "second", stops=False),
    ]
    shares: list[float] = []
    outcome = replayed(lawn, *files, progress=shares.append)
    assert [one.run for one in outcome.again] == ["first", "second"]
    assert [run.stop and run.stop.reason for run in outcome.story.runs] == [
        "the recording ends",
        "the recording ends",
    ]
    assert outcome.again[0].until_s == pytest.approx(50.05 + 14 / RATE_HZ)
    assert outcome.epochs == 25
    assert set(shares) == {0.0, 0.5}
    assert shares == sorted(shares)


def test_a_recording_that_breaks_off_is_noted_and_run_as_far_as_it_goes(
    lawn: Loaded, tmp_path: Path
) -> None:
    file = recorded(lawn, tmp_path, with_a_float())
    file.write_bytes(file.read_bytes()[:-30])
    outcome = replayed(lawn, file)
    assert outcome.faults == []
    (note,) = outcome.notes
    assert note.startswith(f"{file}: breaks off behind line ")
    assert len(outcome.again) == 1


def test_a_recording_that_is_damaged_later_is_used_up_to_there(
    lawn: Loaded, tmp_path: Path
) -> None:
    first = recorded(lawn, tmp_path, standing(3.0), "first")
    second = recorded(lawn, tmp_path, standing(3.0), "second")
    whole = second.read_bytes()
    second.write_bytes(whole + b"more")
    outcome = replayed(lawn, first, second)
    (fault,) = outcome.faults
    assert fault.startswith(f"{second}: damaged or no recording (more behind its end)")
    assert [one.run for one in outcome.again] == ["first", "second"]


def test_one_whose_settings_cannot_be_had_is_refused(lawn: Loaded, tmp_path: Path) -> None:
    def loaded_of(run: str | None) -> NoReturn:
        raise BadInput(f"no settings for {run}")

    file = recorded(lawn, tmp_path, standing(3.0))
    with pytest.raises(BadInput, match=r"^no settings for a1b2c3$"):
        Replay(loaded_of).run([str(file)])


def test_recordings_and_logs_of_other_makers_are_not_mixed(
    lawn: Loaded, log: Path, tmp_path: Path
) -> None:
    file = recorded(lawn, tmp_path, standing(3.0))
    with pytest.raises(BadInput) as caught:
        replayed(lawn, file, log)
    assert str(caught.value) == (
        f"{log}: is no recording of fenceguard as {file} is; replay it alone"
    )


def changed(file: Path, change: Callable[[list[dict[str, Any]]], object]) -> Path:
    """The recording with its lines changed."""
    lines = [json.loads(line) for line in gzip.decompress(file.read_bytes()).splitlines()]
    change(lines)
    file.write_bytes(gzip.compress("".join(json.dumps(one) + "\n" for one in lines).encode()))
    return file


def behead(lines: list[dict[str, Any]]) -> None:
    """As a file that is the second one of its run."""
    lines[0]["before"] = 1
    del lines[1]


def test_a_run_with_a_gap_is_told_of_and_proves_nothing(lawn: Loaded, tmp_path: Path) -> None:
    file = recorded(lawn, tmp_path, standing(3.0))
    changed(file, lambda lines: lines.__setitem__(slice(5, 8), [{"missed": 3}]))
    outcome = replayed(lawn, file)
    assert outcome.again == []
    assert outcome.faults == ["run a1b2c3: lacks 3 events; it is not run again as it was"]
    assert 0 < outcome.epochs < 15


def test_a_run_without_its_beginning_is_left_out(lawn: Loaded, tmp_path: Path) -> None:
    first = changed(recorded(lawn, tmp_path, standing(3.0), "first"), behead)
    second = recorded(lawn, tmp_path, standing(3.0), "second")
    outcome = replayed(lawn, first, second)
    assert outcome.faults == [
        f"{first}: begins in the midst of a run, which is left out; "
        "give the files before it as well"
    ]
    assert [one.run for one in outcome.again] == ["second"]
    assert outcome.epochs == 15
    with pytest.raises(BadInput) as caught:
        replayed(lawn, first)
    assert str(caught.value) == f"{first}: no run begins in it; begin with an earlier file"
    changed(second, behead)
    with pytest.raises(BadInput, match=f"^{first}, {second}: no run begins in it"):
        replayed(lawn, first, second)


def test_of_several_runs_the_outcome_is_the_sum(lawn: Loaded, tmp_path: Path) -> None:
    wrong = standing(2.0).replace(b"*", b"*0", 3)
    first = recorded(lawn, tmp_path, standing(3.0) + wrong, "first")
    second = recorded(lawn, tmp_path, standing(2.0), "second")
    one, other, both = (replayed(lawn, *files) for files in ([first], [second], [first, second]))
    assert sum(one.rejected.values()) > 0
    assert both.epochs == one.epochs + other.epochs
    assert both.sentences == one.sentences + other.sentences
    assert both.rejected == one.rejected + other.rejected
    assert both.duration_s == pytest.approx(one.duration_s + other.duration_s)
    assert both.time_in_rung_s == one.time_in_rung_s + other.time_in_rung_s


def test_a_recording_at_a_pace_waits_from_its_own_beginning_on(
    lawn: Loaded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its clock is that of the board, which had run for a while."""
    file, slept_s = recorded(lawn, tmp_path, standing(3.0)), [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: slept_s[0])
    monkeypatch.setattr(time, "sleep", lambda s: slept_s.__setitem__(0, slept_s[0] + s))
    replayed(lawn, file, speed=10.0)
    assert slept_s[0] == pytest.approx((0.05 + 14 / RATE_HZ + 0.5) / 10.0)


@pytest.mark.parametrize(
    ("held", "said"),
    [
        ({"reset": 1.0}, "the input reset is 1.0"),
        ({"reset": None}, "the input reset is None"),
        ({"reset": True, "wheel_mps": False}, "the input wheel_mps is False"),
    ],
)
def test_inputs_that_cannot_be_are_refused(
    lawn: Loaded, tmp_path: Path, held: dict[str, Any], said: str
) -> None:
    file = recorded(lawn, tmp_path, standing(3.0))

    def other(lines: list[dict[str, Any]]) -> None:
        lines[next(n for n, line in enumerate(lines) if "inputs" in line)]["inputs"] = held

    changed(file, other)
    faults = replayed(lawn, file).faults
    assert faults == [
        f"{file}: tells that {said}, which it cannot be; get another copy, or leave it out"
    ]


def test_what_the_controller_tells_is_recorded_and_kept_out_of_the_journal(lawn: Loaded) -> None:
    guard = Guard(lawn)
    guard.start(50.0, HOST_UTC_S, run="a1b2c3", mode="run", source="x")
    guard.entries()
    guard.sense(50.2, Inputs(False, 0.4, -3.0))
    assert guard.entries() == []
    guard.sense(50.4, Inputs(True, 0.4, -3.0))
    (entry,) = guard.entries()
    assert entry.record == Sensed({"reset": True})


def test_inputs_that_are_not_known_are_refused(lawn: Loaded, tmp_path: Path) -> None:
    """As in a recording of a later version."""
    file = recorded(lawn, tmp_path, standing(3.0))

    def newer(lines: list[dict[str, Any]]) -> None:
        at = next(n for n, line in enumerate(lines) if "inputs" in line)
        lines[at]["inputs"] = {"reset": True, "lift": False, "hood": True}

    changed(file, newer)
    said = (
        f"{file}: tells of the input hood, lift, which is not known here; run "
        "it again with the fenceguard that wrote it"
    )
    try:
        faults = replayed(lawn, file).faults
    except BadInput as error:
        faults = [str(error)]
    assert faults == [said]
