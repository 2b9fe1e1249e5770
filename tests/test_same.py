"""A run that was recorded is run again to the same decisions, or what is not the same is shown."""

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.cli import main
from fenceguard.errors import BadInput
from fenceguard.guard import Guard
from fenceguard.journal.records import Changed, Entry, Stop
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Inputs
from fenceguard.recording.events import Header
from fenceguard.recording.names import recording_files
from fenceguard.recording.write import Recorder
from fenceguard.replay import Replay
from fenceguard.same import Again, Kept, Proof
from fenceguard.settings import Loaded
from tests.support.arriving import Arrived, arrivals
from tests.support.lawns import loaded, write_settings
from tests.support.made import FIXED, FLOAT, QUICK, RATE_HZ, standing
from tests.support.plug import Plug

UTC_S = 1_930_000_000.0
NAME = "a1b2c3"


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


def live(
    lawn: Loaded,
    given: list[Arrived],
    directory: Path,
    ticks_s: list[float] | None = None,
    stops: bool = True,
    name: str = NAME,
    begin_s: float = 0.0,
) -> list[Entry]:
    """Drive a guard as the live loop does, with recording and journal; all that was written."""
    journal, recorder = Journal(directory / "journal"), Recorder(directory / "recording")
    journal.keep_fence(lawn.fence_hash, lawn.fence_file.read_bytes())
    guard = Guard(lawn, journal.next_intervention)
    guard.account.host_utc(begin_s, UTC_S)
    header = Header(name, UTC_S, guard.account.interventions, lawn.settings_hash, lawn.fence_hash)
    recorder.start(begin_s, header._asdict())
    guard.start(begin_s, UTC_S, run=name, mode="run", source="test")
    written: list[Entry] = []

    def note() -> None:
        for entry in guard.entries():
            written.append(entry)
            journal.add(entry)

    ticks = sorted(ticks_s or [], reverse=True)
    for one in given:
        while ticks and ticks[-1] <= one.at_s:
            guard.tick(begin_s + ticks.pop())
            note()
        at_s = round(begin_s + one.at_s, 3)
        if one.inputs is None:
            guard.receive(at_s, one.data)
            recorder.arrived(at_s, one.data)
        else:
            guard.sense(at_s, one.inputs)
            recorder.inputs(at_s, one.inputs._asdict())
        note()
    if stops:
        guard.stop(begin_s + 12.0, "over")
        recorder.stop(begin_s + 12.0, "over")
        note()
    for one_writer in (journal, recorder):
        one_writer.close()
        assert not one_writer.unwritten
    return written


def cut(lasts_s: float = 9.0) -> list[Arrived]:
    """An epoch every fifth of a second, with a second of float after six."""
    data = standing(lasts_s, lambda time_s: FLOAT if 6.0 <= time_s < 7.0 else FIXED)
    count = round(lasts_s * RATE_HZ)
    size = len(data) // count
    return [Arrived(n / RATE_HZ, data[n * size : (n + 1) * size]) for n in range(count)]


def files_of(directory: Path) -> list[str]:
    return [str(file) for file in recording_files(directory / "recording")]


def proofs(directory: Path) -> list[Proof]:
    kept = Kept(directory / "journal")
    outcome = Replay(lambda run: kept.loaded(run or "")).run(files_of(directory))
    assert outcome.faults == []
    return [Proof(one, kept.entries(one.run)) for one in outcome.again]


@given(arrivals(), st.lists(st.integers(0, 12_000), max_size=100))
@settings(max_examples=40, deadline=None)
def test_live_and_replay_are_the_same(
    lawn: Loaded, given: list[Arrived], ticks_ms: list[int]
) -> None:
    """Whatever arrived when, and however often the loop went round."""
    with TemporaryDirectory() as name:
        directory = Path(name)
        written = live(lawn, given, directory, [one / 1000.0 for one in ticks_ms])
        (proof,) = proofs(directory)
        assert proof.difference() is None
        assert proof.records == len(written) and proof.later == 0
        stop = written[-1].record
        assert isinstance(stop, Stop)
        assert proof.decisions == stop.decisions > 100


def test_there_are_interventions_in_what_is_proved(lawn: Loaded, tmp_path: Path) -> None:
    written = live(lawn, cut(), tmp_path)
    changes = [one.record for one in written if isinstance(one.record, Changed)]
    assert {one.intervention for one in changes} == {None, 1, 2}
    assert [one.difference() for one in proofs(tmp_path)] == [None]


def test_each_of_several_runs_is_proved(lawn: Loaded, tmp_path: Path) -> None:
    live(lawn, cut(), tmp_path)
    live(lawn, cut(7.0), tmp_path, name="second", begin_s=500.0)
    first, second = proofs(tmp_path)
    assert (first.run, second.run) == (NAME, "second")
    assert first.difference() is None and second.difference() is None


def test_a_run_that_was_cut_off_is_proved_as_far_as_it_is_recorded(
    lawn: Loaded, tmp_path: Path
) -> None:
    written = live(lawn, cut(), tmp_path, stops=False)
    (proof,) = proofs(tmp_path)
    assert proof.difference() is None
    assert proof.records == len(written)


def rewritten(directory: Path, change: Callable[[list[dict[str, Any]]], None]) -> None:
    """Change the events of the recording."""
    (file,) = recording_files(directory / "recording")
    lines = [json.loads(line) for line in gzip.decompress(file.read_bytes()).splitlines()]
    change(lines)
    file.write_bytes(gzip.compress("".join(json.dumps(one) + "\n" for one in lines).encode()))


def test_bytes_that_did_not_arrive_are_seen(lawn: Loaded, tmp_path: Path) -> None:
    live(lawn, cut(), tmp_path)
    rewritten(tmp_path, lambda lines: lines.__delitem__(slice(30, 33)))
    (proof,) = proofs(tmp_path)
    said = proof.difference()
    assert said is not None
    assert "became" in said or "run again tells" in said


def test_bytes_that_arrived_a_millisecond_later_are_seen(lawn: Loaded, tmp_path: Path) -> None:
    """A ms changes what is granted until when, and with it the digest of all decisions."""

    def later(lines: list[dict[str, Any]]) -> None:
        lines[20]["at"] = round(lines[20]["at"] + 0.001, 3)

    live(lawn, cut(), tmp_path)
    rewritten(tmp_path, later)
    (proof,) = proofs(tmp_path)
    assert "digest" in (proof.difference() or "")


def test_the_first_difference_is_told_with_both_sides(lawn: Loaded, tmp_path: Path) -> None:
    live(lawn, cut(), tmp_path)
    kept = Kept(tmp_path / "journal").entries(NAME)
    changed = next(n for n, one in enumerate(kept) if isinstance(one.record, Changed))
    made = list(kept)
    record = made[changed].record
    assert isinstance(record, Changed)
    fields = {name: getattr(record, name) for name in record.__slots__}
    made[changed] = made[changed]._replace(record=Changed(**{**fields, "why": "reset"}))
    said = Proof(Again(NAME, made, 12.0, True), kept).difference()
    assert said is not None
    assert said.startswith(f"at {kept[changed].mono_s:.3f} s, ")
    assert "rung: why 'clear' became 'reset'" in said
    more = Again(NAME, [*kept, kept[-1]], 12.0, True)
    assert "run again tells stop, the journal nothing" in (Proof(more, kept).difference() or "")
    less = Again(NAME, kept[:-1], 12.0, True)
    assert "the journal tells stop, run again nothing" in (Proof(less, kept).difference() or "")


def test_what_came_after_the_recording_is_counted_not_compared(
    lawn: Loaded, tmp_path: Path
) -> None:
    live(lawn, cut(), tmp_path)
    kept = Kept(tmp_path / "journal").entries(NAME)
    until_s = kept[-2].mono_s - 0.001
    proof = Proof(Again(NAME, kept[:-2], until_s, False), kept)
    assert proof.difference() is None
    assert proof.later == 2


@pytest.mark.parametrize("count", range(2, 46))
def test_a_run_that_is_killed_at_any_moment_is_the_same(
    tmp_path_factory: pytest.TempPathFactory, count: int
) -> None:
    """Summaries each second lie on ticks, which the journal tells in rounded times."""
    directory = tmp_path_factory.mktemp("killed")
    journal = {"directory": "journal", "summary_s": 1.0}
    told = loaded(directory, journal=journal, **QUICK)
    live(told, cut()[:count], directory, stops=False, begin_s=1000.0)
    assert [one.difference() for one in proofs(directory)] == [None]


@pytest.mark.parametrize(
    ("late_s", "said"), [(9.9, None), (10.1, "the recording ends 10 s before")]
)
def test_a_recording_that_ends_long_before_its_journal_proves_nothing(
    lawn: Loaded, tmp_path: Path, late_s: float, said: str | None
) -> None:
    live(lawn, cut(), tmp_path, stops=False)
    kept = Kept(tmp_path / "journal").entries(NAME)
    until_s = kept[-1].mono_s + 0.001
    later = kept[-1]._replace(mono_s=until_s + late_s)
    told = Proof(Again(NAME, kept, until_s, False), [*kept, later]).difference()
    assert told is None if said is None else (told or "").startswith(said)


@pytest.mark.parametrize(("ago_s", "same"), [(0.9, True), (1.1, False)])
def test_a_killed_process_may_not_have_written_its_last_second(
    lawn: Loaded, tmp_path: Path, ago_s: float, same: bool
) -> None:
    live(lawn, cut(), tmp_path, stops=False)
    kept = Kept(tmp_path / "journal").entries(NAME)
    again = Again(NAME, kept, kept[-1].mono_s + ago_s, False)
    assert (Proof(again, kept[:-1]).difference() is None) is same
    assert Proof(again._replace(ended=True), kept[:-1]).difference() is not None


def same_as(directory: Path, *more: str) -> list[str]:
    recording, journal = str(directory / "recording"), str(directory / "journal")
    return ["replay", recording, "--same-as", journal, *more]


def test_the_command_says_the_same(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written = live(lawn, cut(), tmp_path)
    stop = written[-1].record
    assert isinstance(stop, Stop)
    assert main(same_as(tmp_path)) == 0
    said = f"run {NAME}: {stop.decisions} decisions, {len(written)} records: the same"
    assert capsys.readouterr().out.split() == said.split()
    assert main(same_as(tmp_path, "--json")) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {
        "runs": [
            {
                "run": NAME,
                "decisions": stop.decisions,
                "records": len(written),
                "later": 0,
                "difference": None,
            }
        ],
        "faults": [],
    }


def test_the_command_shows_what_is_not_the_same(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)
    rewritten(tmp_path, lambda lines: lines.__delitem__(slice(30, 33)))
    assert main(same_as(tmp_path)) == 1
    assert "NOT THE SAME at " in capsys.readouterr().out.replace("\n", " ")


def test_another_setting_that_decides_is_not_the_same(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)
    given = ("--settings", str(lawn.settings_file))
    assert main(same_as(tmp_path, *given)) == 0
    assert main(same_as(tmp_path, *given, "--set", "outputs=none")) == 0
    capsys.readouterr()
    assert main(same_as(tmp_path, *given, "--set", "limits.silence.halted=1.4")) == 1
    assert "settings_hash" in capsys.readouterr().out


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


def test_settings_that_are_read_as_others_now_prove_nothing(lawn: Loaded, tmp_path: Path) -> None:
    """As by a later version with another default."""
    live(lawn._replace(settings_hash="0" * 16), cut(), tmp_path)
    said = (
        rf"run {NAME} was decided with settings 0{{16}} by fenceguard \S+, which this one reads as "
        f"{lawn.settings_hash}; run it with that version$"
    )
    with pytest.raises(BadInput, match=said):
        Kept(tmp_path / "journal").loaded(NAME)


def test_settings_and_fence_come_from_the_journal(lawn: Loaded, tmp_path: Path) -> None:
    live(lawn, cut(), tmp_path)
    given = Kept(tmp_path / "journal").loaded(NAME)
    assert given.settings == lawn.settings
    assert given.settings_hash == lawn.settings_hash
    assert given.fence_hash == lawn.fence_hash
    assert given.settings_file == given.fence_file == tmp_path / "journal"


def test_a_journal_of_another_machine_is_named(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
        live(lawn, cut(), tmp_path / name, name=name)
    words = ["replay", str(tmp_path / "here" / "recording")]
    assert main([*words, "--same-as", str(tmp_path / "there" / "journal")]) == 2
    assert (
        "the beginning of run here is not in it; name the journal that was written with"
        in capsys.readouterr().err
    )


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


@pytest.mark.parametrize("option", ["--journal=x", "--drive-outputs", "--speed=2", "--realtime"])
def test_a_comparison_does_nothing_else(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    live(lawn, cut(), tmp_path)
    assert main(same_as(tmp_path, option)) == 2
    assert f"leave {option.partition('=')[0]} out" in capsys.readouterr().err


@pytest.mark.parametrize("given", [False, True])
def test_a_log_of_another_maker_cannot_be_compared(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str], given: bool
) -> None:
    live(lawn, cut(), tmp_path)
    log = tmp_path / "log.nmea"
    log.write_bytes(standing(5.0))
    words = ["replay", str(log), "--same-as", str(tmp_path / "journal")]
    assert main([*words, "--settings", str(lawn.settings_file)] if given else words) == 2
    said = f"{log}: not a recording of fenceguard; run writes one"
    assert said in capsys.readouterr().err


def test_a_changed_setting_needs_the_file_that_it_changes(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)
    assert main(same_as(tmp_path, "--set", "limits.silence.halted=1.4")) == 2
    assert "name that with --settings" in capsys.readouterr().err


def test_recordings_and_logs_are_not_mixed(lawn: Loaded, tmp_path: Path) -> None:
    live(lawn, cut(), tmp_path)
    log = tmp_path / "log.nmea"
    log.write_bytes(standing(5.0))
    with pytest.raises(BadInput, match=r"log\.nmea: is no recording of fenceguard"):
        Replay(lambda _run: lawn).run([*files_of(tmp_path), str(log)])


def test_a_recording_can_be_replayed_with_other_limits(
    lawn: Loaded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    live(lawn, cut(), tmp_path)
    words = ["replay", str(tmp_path / "recording"), "--settings", str(lawn.settings_file), "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert [one["cause"]["monitor"] for one in told["interventions"]] == ["solution", "silence"]
    assert main([*words, "--set", "limits.solution.blade_off=float"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "solution" not in [one["cause"]["monitor"] for one in told["interventions"]]


def test_a_button_that_was_pressed_is_pressed_again(tmp_path: Path) -> None:
    """Only the reset lets it leave `locked`; so without the inputs it would never reach full."""
    locked = loaded(tmp_path, start="locked", **QUICK)
    pressed = [
        Arrived(0.95, inputs=Inputs(reset=False)),
        Arrived(1.05, inputs=Inputs(reset=True)),
        Arrived(1.15, inputs=Inputs(reset=False)),
    ]
    given = sorted([*cut(), *pressed], key=lambda one: one.at_s)
    written = live(locked, given, tmp_path)
    assert "full" in [one.record.rung for one in written if isinstance(one.record, Changed)]
    assert [one.difference() for one in proofs(tmp_path)] == [None]


@pytest.mark.live
@pytest.mark.parametrize("ends_by", [signal.SIGTERM, signal.SIGKILL])
def test_a_real_run_is_run_again(
    tmp_path: Path, plug: Plug, ends_by: signal.Signals, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command on a real pseudo-terminal, with a float and a silence in it, ended or killed."""
    file = write_settings(
        tmp_path,
        receiver={"port": str(plug.path)},
        journal={"directory": "journal", "summary_s": 1.0},
        recording={"directory": "recording"},
        **QUICK,
    )
    words = [sys.executable, "-m", "fenceguard", "run", "--settings", str(file)]
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    lines = standing(7.6, lambda time_s: FLOAT if 5.0 <= time_s < 6.0 else FIXED)
    split = lines.splitlines(keepends=True)
    try:
        time.sleep(1.5)
        for number in range(0, len(split), 2):
            os.write(plug.far, split[number])
            time.sleep(0.02)
            os.write(plug.far, b"\xb5b\x01\x07binary" + split[number + 1])
            time.sleep(0.175)
        time.sleep(4.0)
        process.send_signal(ends_by)
        _, said = process.communicate(timeout=15.0)
    finally:
        process.kill()
    assert said == b""
    assert main(["audit", "list", "--journal", str(tmp_path / "journal"), "--json"]) == 0
    causes = [
        one["cause"]["monitor"] for one in json.loads(capsys.readouterr().out)["interventions"]
    ]
    assert causes == ["solution", "silence"]
    status = main(same_as(tmp_path, "--json"))
    told = json.loads(capsys.readouterr().out)
    if ends_by is signal.SIGTERM:
        assert told["runs"][0]["later"] == 0
    assert status == 0 and told["faults"] == []
    (run,) = told["runs"]
    assert run["difference"] is None
    assert run["decisions"] > 60
