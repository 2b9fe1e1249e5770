"""`fenceguard replay`, as a process: bad recordings, journals and lines."""

import gzip
import json
import os
import signal
import subprocess
import time
from datetime import timedelta
from pathlib import Path

import pytest

from fenceguard.cli.common import OUTPUTS_CAUTION
from tests.support.command import (
    DEMO,
    command,
    for_people,
    refused,
    result,
    unusable,
)
from tests.support.lawns import (
    write_settings,
)
from tests.support.made import BEGIN, QUICK, standing, with_a_float
from tests.support.nmea import sentence
from tests.support.pins import ALL_OFF, WIRED, observed, observed_levels


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


def test_a_recording_that_is_not_there(tmp_path: Path, settings: Path) -> None:
    said = refused("replay", tmp_path / "no.nmea", "--settings", settings)
    assert said.endswith("no.nmea: does not exist; check the name")


def test_a_recording_that_is_a_directory(tmp_path: Path, settings: Path) -> None:
    said = refused("replay", tmp_path, "--settings", settings)
    assert said.endswith(
        f"{tmp_path}: no recording in it; name a recording, or a directory of them"
    )


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no sentence in it"),
        (gzip.compress(b""), "no sentence in it"),
        (b"no sentence\r\n" * 100, "no sentence in it"),
        (bytes(1000), "no sentence in it"),
        (sentence("GNHDT,12.0,T") * 3, "none of its 3 sentences is a GGA with a time"),
        (sentence("GNGGA,,,,,,0,,,,,,,,"), "none of its 1 sentences is a GGA with a time"),
    ],
    ids=["empty", "packed empty", "text", "zeros", "no GGA", "no time"],
)
def test_a_recording_with_nothing_to_judge(
    tmp_path: Path, settings: Path, content: bytes, said: str
) -> None:
    log = tmp_path / "odd.nmea"
    log.write_bytes(content)
    line = refused("replay", log, "--settings", settings)
    assert f"{log}: {said}; record what the receiver sends, as NMEA 0183" in line


def test_nothing_on_standard_input(settings: Path) -> None:
    assert "-: no sentence in it" in refused("replay", "-", "--settings", settings)


def test_a_recording_cut_in_mid_sentence(log: Path, settings: Path) -> None:
    whole = log.read_bytes()
    log.write_bytes(whole[:-20])
    left = len(whole[:-20]) - whole[:-20].rindex(b"$")
    said = unusable("replay", log, "--settings", settings)
    assert f"{log}: ends in mid-sentence; its last {left} bytes were not used" in said
    done = command("replay", log, "--settings", settings, "--json")
    assert done.status == 2
    assert json.loads(done.out)["sentences"] == whole.count(b"$") - 1


def test_a_packed_recording_that_breaks_off(tmp_path: Path, settings: Path) -> None:
    log = tmp_path / "mowing.nmea.gz"
    packed = (DEMO / "mowing.nmea.gz").read_bytes()
    log.write_bytes(packed[: len(packed) // 2])
    done = command("replay", log, "--settings", DEMO / "settings.yaml", "--json")
    assert done.status == 2
    assert f"fenceguard replay: {log}: breaks off before its end; get the whole file" in done.err
    assert "Traceback" not in done.err
    assert 0 < json.loads(done.out)["epochs"] < 1480
    log.write_bytes(packed[:12])
    assert "breaks off before its end" in refused("replay", log, "--settings", settings)


def test_a_second_recording_that_is_not_there(log: Path, settings: Path) -> None:
    said = refused("replay", log, log.parent / "no.nmea", "--settings", settings)
    assert said.endswith("no.nmea: does not exist; check the name")


def test_a_second_recording_without_a_sentence(log: Path, settings: Path) -> None:
    empty = log.parent / "empty.nmea"
    empty.write_bytes(b"")
    said = unusable("replay", log, empty, "--settings", settings)
    assert said.endswith("empty.nmea: no sentence in it; leave it out, or get the right one")


def test_a_leap_of_days_is_a_silence(tmp_path: Path, settings: Path) -> None:
    log = tmp_path / "leap.nmea"
    later = BEGIN + timedelta(days=2)
    log.write_bytes(standing(10.0) + standing(10.0, begin=later))
    outcome = result("replay", log, "--settings", settings)
    (one,) = outcome["interventions"]
    assert (one["cause"]["monitor"], one["rung"]) == ("silence", "halted")


@pytest.mark.live
@pytest.mark.parametrize(
    "number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT, signal.SIGTSTP]
)
def test_a_replay_that_moves_lines_ends_with_every_line_off(
    tmp_path: Path, number: signal.Signals
) -> None:
    log = tmp_path / "log.nmea"
    log.write_bytes(standing(60.0))
    settings = write_settings(tmp_path, outputs=WIRED, **QUICK)
    process = subprocess.Popen(
        [*observed(tmp_path), "replay", log, "--settings", settings, "--drive-outputs"],
        stderr=subprocess.DEVNULL,
    )
    end_s = time.monotonic() + 30.0
    on: set[str] = set()
    while not {"drive_enable", "blade_enable"} <= on:
        assert time.monotonic() < end_s, on
        time.sleep(0.01)
        on = {name for name, is_on in observed_levels(tmp_path).items() if is_on}
    process.send_signal(number)
    assert process.wait(10.0) == 128 + number
    assert observed_levels(tmp_path) == ALL_OFF


def test_lines_are_not_moved_by_what_may_stall(log: Path, tmp_path: Path) -> None:
    settings = write_settings(tmp_path, outputs=WIRED, **QUICK)
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    for source in ("-", fifo):
        said = refused("replay", source, "--settings", settings, "--drive-outputs")
        assert "not a file; one that stalls would hold the lines" in said


def test_records_that_found_no_room_are_said(log: Path, settings: Path, tmp_path: Path) -> None:
    """A real file system of 8 KiB, on which not everything fits."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=8k", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("only root can mount a small disk")
    try:
        words = ("replay", log, "--settings", settings, "--journal", disk)
        said = unusable(*words, "--set", "journal={directory: x, summary_s: 1}")
        assert "could not be written; make space on the disk and run it again" in said
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_journal_that_is_a_file(log: Path, settings: Path) -> None:
    said = refused("replay", log, "--settings", settings, "--journal", log)
    assert "the journal cannot be written there: not a directory" in said


def test_what_starts_locked_stays_locked_in_a_replay(log: Path, settings: Path) -> None:
    shown = for_people("replay", log, "--settings", settings, "--set", "start=locked")
    assert "It never reached full. It was held by: reset 13.8 s." in " ".join(shown.split())


def test_driving_outputs_that_are_none(settings: Path, log: Path) -> None:
    said = refused("replay", log, "--settings", settings, "--drive-outputs")
    assert said.endswith(f"{settings}: outputs: none, so --drive-outputs has nothing to drive")


def test_driving_outputs_changes_nothing_else(tmp_path: Path, log: Path) -> None:
    settings = write_settings(tmp_path, outputs=WIRED, **QUICK)
    words = ("replay", log, "--settings", settings, "--json")
    done = command(*words, "--drive-outputs", "--speed", "1000", GPIOZERO_PIN_FACTORY="mock")
    assert done.status == 0, done.err
    assert OUTPUTS_CAUTION in done.err
    assert done.out == command(*words).out


def test_outputs_without_pins(tmp_path: Path, log: Path) -> None:
    settings = write_settings(tmp_path, outputs=WIRED, **QUICK)
    done = command(
        *("replay", log, "--settings", settings, "--drive-outputs"), GPIOZERO_PIN_FACTORY="none"
    )
    assert (done.status, done.out) == (2, "")
    assert "Traceback" not in done.err
    assert "outputs" in done.err.splitlines()[-1]
