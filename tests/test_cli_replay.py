"""`fenceguard replay`, as a process: what it prints, the same however it is given."""

import contextlib
import gzip
import os
import subprocess
from pathlib import Path

import pytest

from tests.support.command import (
    MODULE,
    command,
    for_people,
    result,
)
from tests.support.lawns import (
    write_settings,
)
from tests.support.made import FIXED, FLOAT, QUICK, standing, with_a_float
from tests.support.pins import WIRED
from tests.support.waiting import eventually


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


NO_FLOAT_LIMITS = (
    *("--set", "limits.solution.blade_off=never"),
    *("--set", "limits.bound.slowed=never"),
    *("--set", "limits.bound.blade_off=never"),
)

KEYS = {
    "epochs",
    "sentences",
    "rejected",
    "duration_s",
    "time_in_rung_s",
    "held_s",
    "receiver",
    "rung_changes",
    "interventions",
}

RUNGS = ["full", "slowed", "blade_off", "halted", "locked"]

INTERVENTION = {
    "id",
    "begin_utc",
    "end_utc",
    "duration_s",
    "rung",
    "cause",
    "lat",
    "lon",
    "clearance_m",
    "nearest",
}


def test_replay_as_json(log: Path, settings: Path) -> None:
    outcome = result("replay", log, "--settings", settings)
    assert set(outcome) == KEYS
    assert list(outcome["time_in_rung_s"]) == RUNGS
    assert (outcome["epochs"], outcome["sentences"], outcome["rejected"]) == (70, 140, {})
    assert outcome["duration_s"] == 13.8
    assert outcome["receiver"][0] == (
        "The receiver tells its position 5 times a second; with it: speed, altitude, height."
    )
    assert outcome["receiver"][-1].startswith("It tells no GST: ")
    assert sum(outcome["time_in_rung_s"].values()) == pytest.approx(13.8)
    assert sum(outcome["held_s"].values()) >= 13.8 - outcome["time_in_rung_s"]["full"] - 0.01
    assert {"arming", "solution", "clear_time", "blade_delay"} <= set(outcome["held_s"])
    for change in outcome["rung_changes"]:
        assert set(change) == {"utc", "rung", "findings"}
    (one,) = outcome["interventions"]
    assert set(one) == INTERVENTION
    assert set(one["cause"]) == {"monitor", "value", "limit", "unit", "rung", "note"}
    assert one["begin_utc"] == "2031-03-07T06:00:06.000Z"
    assert (one["cause"]["monitor"], one["cause"]["value"]) == ("solution", "float")


def test_what_is_rejected_is_counted(log: Path, settings: Path) -> None:
    log.write_bytes(log.read_bytes() + b"$GNGGA,1*00\r\n")
    rejected = result("replay", log, "--settings", settings)["rejected"]
    assert sum(rejected.values()) == 1
    assert "rejected: 1 " in for_people("replay", log, "--settings", settings)


def test_standard_input_packed_and_plain_give_the_same(log: Path, settings: Path) -> None:
    words = ("--settings", settings)
    plain = result("replay", log, *words)
    packed = log.with_suffix(".gz")
    packed.write_bytes(gzip.compress(log.read_bytes()))
    assert result("replay", packed, *words) == plain
    assert result("replay", "-", *words, stdin=log.read_bytes()) == plain
    assert result("replay", "-", *words, stdin=packed.read_bytes()) == plain


def test_a_recording_in_two_files_is_one_stream(log: Path, settings: Path) -> None:
    content = log.read_bytes()
    half = content.index(b"$GNGGA", len(content) // 2)
    first, second = log.with_name("first.nmea"), log.with_name("second.nmea")
    first.write_bytes(content[:half])
    second.write_bytes(content[half:])
    words = ("--settings", settings)
    assert result("replay", first, second, *words) == result("replay", log, *words)


def test_a_replay_gives_the_same_again(log: Path, settings: Path) -> None:
    words = ("replay", log, "--settings", settings, "--json")
    assert command(*words).out == command(*words).out


@pytest.mark.live
def test_the_pace_changes_nothing(tmp_path: Path) -> None:
    settings = write_settings(
        tmp_path,
        arm={"fixed_for_s": 0.1},
        clear_s={"slowed": 0.1, "blade_off": 0.1, "halted": 0.1},
        blade_delay_s=0,
    )
    log = tmp_path / "short.nmea"
    log.write_bytes(standing(2.4, lambda time_s: FLOAT if 1.4 <= time_s < 1.8 else FIXED))
    words = ("replay", log, "--settings", settings)
    at_once = result(*words)
    assert len(at_once["interventions"]) == 1
    assert result(*words, "--speed", "1000") == at_once
    assert result(*words, "--realtime") == at_once


def test_another_limit_changes_the_outcome(log: Path, settings: Path) -> None:
    words = ("replay", log, "--settings", settings)
    assert len(result(*words)["interventions"]) == 1
    assert result(*words, *NO_FLOAT_LIMITS)["interventions"] == []
    assert "No interventions." in for_people(*words, *NO_FLOAT_LIMITS)


def test_a_replay_that_never_reaches_full_says_why(log: Path, settings: Path) -> None:
    text = for_people("replay", log, "--settings", settings, "--set", "limits.hdop.slowed=0.5")
    assert "It never reached full. It was held by: hdop 13.8 s" in text
    text = for_people("replay", log, "--settings", settings, "--set", "arm.fixed_for_s=60")
    assert "It never reached full. It was held by: arming 12.8 s, solution 1.0 s" in text


def test_a_terminal_that_does_not_read_holds_up_no_lines(log: Path, tmp_path: Path) -> None:
    """Until the replay is over nothing is said: the journal is written to its end."""
    settings = write_settings(tmp_path, outputs=WIRED, **QUICK)
    far, near = os.pipe()
    os.set_blocking(near, False)
    with contextlib.suppress(BlockingIOError):
        while os.write(near, b"x" * 512):
            pass
    os.set_blocking(near, True)
    words = ("replay", str(log), "--settings", str(settings), "--drive-outputs", "--speed", "1000")
    journal = tmp_path / "journal"
    env = {**os.environ, "GPIOZERO_PIN_FACTORY": "mock"}

    def is_over() -> bool:
        return b"end of recording" in b"".join(one.read_bytes() for one in journal.glob("*.jsonl"))

    with subprocess.Popen(
        [*MODULE, *words, "--journal", str(journal)], stdout=near, stderr=subprocess.PIPE, env=env
    ) as process:
        over = eventually(is_over, within_s=20.0)
        process.kill()
    os.close(near)
    os.close(far)
    assert over
