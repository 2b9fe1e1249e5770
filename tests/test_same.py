"""A run that was recorded is run again to the same decisions, or what is not the same is shown."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.cli import main
from fenceguard.errors import BadInput
from fenceguard.journal.records import Changed, Stop
from fenceguard.judgement.types import Inputs
from fenceguard.replay import Replay
from fenceguard.same import Again, Kept, Proof
from fenceguard.settings import Loaded
from tests.support.arriving import Arrived, arrivals
from tests.support.lawns import loaded, write_settings
from tests.support.made import FIXED, FLOAT, QUICK, standing
from tests.support.plug import Plug
from tests.support.recorded import NAME, cut, files_of, live, proofs, rewritten, same_as


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


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
