"""The command line, as a process: what it prints, and what it says to bad input."""

import gzip
import json
import os
import pty
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import serial

from fenceguard.cli import main
from fenceguard.cli.common import OUTPUTS_CAUTION
from fenceguard.drill import demo
from fenceguard.journal.write import Journal
from tests.support.lawns import (
    LAWN,
    POND,
    Corners,
    collection,
    lawn_with_pond,
    polygon,
    write_settings,
)
from tests.support.made import BEGIN, FIXED, FLOAT, QUICK, RATE_HZ, standing, with_a_float
from tests.support.nmea import sentence
from tests.support.pins import ALL_OFF, WIRED, observed, observed_levels

DEMO = Path(__file__).parents[1] / "config" / "demo"
NOBODY = 65534
COLUMNS = 80
MODULE = [sys.executable, "-m", "fenceguard"]
AS_NOBODY = (
    "import os, sys; from fenceguard.cli import audit, check, drill, main, replay, run; "
    f"os.setgroups([]); os.setgid({NOBODY}); os.setuid({NOBODY}); sys.exit(main())"
)
"""Gives up what root may do once everything is imported, which may lie where nobody may read."""
NO_FLOAT_LIMITS = (
    *("--set", "limits.solution.blade_off=never"),
    *("--set", "limits.bound.slowed=never"),
    *("--set", "limits.bound.blade_off=never"),
)

Word = str | Path


class Done(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str


def command(*words: Word, stdin: bytes = b"", start: list[str] = MODULE, **env: str) -> Done:
    done = subprocess.run(
        [*start, *map(str, words)],
        input=stdin,
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, "COLUMNS": str(COLUMNS), **env},
    )
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())


def refused(*words: Word, **how: Any) -> str:
    """What is said to bad input, which is one line and comes without a result."""
    done = command(*words, **how)
    assert done.status == 2, done
    assert done.out == ""
    (line,) = done.err.splitlines()
    assert line.startswith(f"fenceguard {words[0]}: ")
    return line


def unusable(*words: Word, **how: Any) -> str:
    """What is said of a recording that could be used in part."""
    done = command(*words, **how)
    assert done.status == 2, done
    assert "epochs in " in done.out
    (line,) = done.err.splitlines()
    assert line.startswith(f"fenceguard {words[0]}: ")
    return line


def result(*words: Word, **how: Any) -> Any:
    """The JSON that a command prints."""
    done = command(*words, "--json", **how)
    assert (done.status, done.err) == (0, ""), done
    return json.loads(done.out)


def for_people(*words: Word, **how: Any) -> str:
    """What a command prints for people, every line of which fits."""
    done = command(*words, **how)
    assert (done.status, done.err) == (0, ""), done
    assert max(map(len, done.out.splitlines())) <= COLUMNS
    return done.out


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


# Help


@pytest.mark.parametrize(
    "words",
    [
        ("run",),
        ("replay",),
        ("check",),
        ("audit",),
        ("audit", "list"),
        ("audit", "show"),
        ("audit", "verify"),
    ],
)
def test_every_command_has_help_with_examples(words: tuple[str, ...]) -> None:
    text = for_people(*words, "--help")
    assert text.startswith(f"usage: fenceguard {' '.join(words)}")
    assert "examples:\n  " in text


def test_help_and_version() -> None:
    text = for_people("--help")
    assert "Nothing here is certified." in text
    for word in ("run", "replay", "audit", "check"):
        assert f"\n    {word} " in text
    assert for_people("--version").startswith("fenceguard ")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "required: COMMAND"),
        (("mow",), "invalid choice: 'mow'"),
        (("check",), "required: --settings"),
        (("replay", "--settings", "x.yaml"), "required: LOG"),
        (("replay", "a.nmea"), "required: --settings"),
        (("audit",), "required: QUESTION"),
        (("audit", "show", "--journal", "x"), "required: ID"),
        (("audit", "show", "one", "--journal", "x"), "argument ID: invalid int value: 'one'"),
        (("audit", "list"), "required: --journal"),
        (("replay", "a", "--settings", "b", "--speed", "0.009"), "0.009 is not between 0.01 and"),
        (("replay", "a", "--settings", "b", "--speed", "1000.1"), "1000.1 is not between 0.01"),
        (("replay", "a", "--settings", "b", "--speed", "nan"), "nan is not between 0.01 and 1000"),
        (("replay", "a", "--settings", "b", "--speed", "fast"), "fast is not a number"),
        (("replay", "a", "--settings", "b", "--speed", "2", "--realtime"), "not allowed with"),
    ],
)
def test_wrong_usage(words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    out, err = capsys.readouterr()
    assert (ended.value.code, out) == (2, "")
    assert err.startswith("usage: fenceguard")
    assert said in err.splitlines()[-1]


# Settings


@pytest.mark.parametrize("word", ["check", "replay", "run"])
def test_settings_that_are_not_there(tmp_path: Path, word: str) -> None:
    log = ["a.nmea"] if word == "replay" else []
    said = refused(word, *log, "--settings", tmp_path / "mower.yaml")
    assert f"{tmp_path}/mower.yaml: the settings cannot be read: No such file" in said


@pytest.mark.parametrize("word", ["check", "replay", "run"])
def test_a_fault_of_the_settings(tmp_path: Path, log: Path, word: str) -> None:
    settings = write_settings(tmp_path, tick_s=0.6)
    words = [log] if word == "replay" else []
    line = settings.read_text().splitlines().index("tick_s: 0.6") + 1
    said = refused(word, *words, "--settings", settings)
    assert said.endswith(f"{settings}:{line}: tick_s: is 0.6; it must be at most 0.5")


def test_faults_of_the_settings_are_told_one_a_line(tmp_path: Path) -> None:
    settings = write_settings(tmp_path, tik_s=0.1, start="haltd", journal=None)
    done = command("check", "--settings", settings, "--set", "receiver.baud=1", "--set", "x")
    assert (done.status, done.out) == (2, "")
    assert len(done.err.splitlines()) == 5
    for said in ("tik_s: unknown key", "start: is 'haltd'", "journal: empty", "--set x: not KEY"):
        assert said in done.err
    assert "Traceback" not in done.err


# The fence

BOW: Corners = [(0, 0), (30, 20), (30, 0), (0, 20)]
ACROSS: Corners = [(28, 5), (33, 5), (33, 7), (28, 7)]


def square(side_m: float) -> Corners:
    return [(0, 0), (side_m, 0), (side_m, side_m), (0, side_m)]


def spoiled(ring: list[Any]) -> dict[str, Any]:
    """The lawn with another ring of positions around it."""
    document = lawn_with_pond()
    document["features"][0]["geometry"]["coordinates"][0] = ring
    return document


RING = lawn_with_pond()["features"][0]["geometry"]["coordinates"][0]


@pytest.mark.parametrize(
    ("document", "said"),
    [
        (
            collection(polygon(BOW, "keep_in", "bow")),
            'feature 0 "bow" vertex 0: the edge from vertex 0 to 1 crosses',
        ),
        (spoiled(RING[:-1]), 'feature 0 "lawn" vertex 3: the ring is open'),
        (collection(polygon([(0, 0), (5, 5)], "keep_in", "line")), "it needs 3 or more"),
        (
            collection(
                polygon(LAWN, "keep_in", "lawn"),
                polygon([(east + 100, north) for east, north in POND], "keep_out", "away"),
            ),
            'feature 1 "away" vertex 0: the keep-out lies outside the fence',
        ),
        (
            collection(polygon(LAWN, "keep_in", "lawn"), polygon(ACROSS, "keep_out", "drive")),
            'feature 1 "drive" vertex 1: the keep-out crosses the fence',
        ),
        (spoiled([RING[0], [50.0, 110.0], *RING[2:]]), "longitude and latitude look swapped"),
        (spoiled([RING[0], [190.0, 50.0], *RING[2:]]), "longitude 190.0 is out of -180 to 180"),
        (spoiled([RING[0], [10.0, 90.5], *RING[2:]]), "latitude 90.5 is out of -90 to 90"),
        (
            collection(polygon(square(1420.0), "keep_in", "field")),
            'feature 0 "field" vertex 2: the ring is 2',
        ),
        (collection(polygon(square(0.99), "keep_in", "pot")), 'feature 0 "pot": 0.98 m² remain'),
        (collection(polygon(POND, "keep_out", "pond")), "0 keep-in polygons"),
        ({"type": "FeatureCollection"}, "not a GeoJSON FeatureCollection"),
    ],
    ids=[
        "crosses itself",
        "open",
        "two corners",
        "keep-out outside",
        "keep-out across",
        "swapped",
        "longitude",
        "latitude",
        "too wide",
        "too small",
        "no fence",
        "no collection",
    ],
)
def test_a_fault_of_the_fence(tmp_path: Path, document: dict[str, Any], said: str) -> None:
    line = refused("check", "--settings", write_settings(tmp_path, document))
    assert line.startswith(f"fenceguard check: {tmp_path / 'lawn.geojson'}: ")
    assert said in line


def test_a_fence_that_is_not_there_or_not_json(tmp_path: Path) -> None:
    settings = write_settings(tmp_path)
    (tmp_path / "lawn.geojson").write_text("{")
    assert "lawn.geojson: not JSON" in refused("check", "--settings", settings)
    (tmp_path / "lawn.geojson").unlink()
    assert "the fence cannot be read: No such file" in refused("check", "--settings", settings)


# check


@pytest.mark.parametrize("name", ["settings.yaml", "demo/settings.yaml"])
def test_check_says_what_will_be_supervised(name: str) -> None:
    file = DEMO.parent / name
    text = for_people("check", "--settings", file)
    assert "silence (s)" in text
    assert "Note" not in text
    content = result("check", "--settings", file)
    assert content["rings"] == ["lawn", "lawn interior ring 1", "pond"]
    assert content["settings_hash"] in text
    assert content["fence_hash"] in text
    assert f"{content['fence_area_m2']:.1f} m² to mow, 2 keep-outs" in text


def test_check_notes_what_is_odd(settings: Path) -> None:
    text = for_people(
        *("check", "--settings", settings, "--set", "start=locked"),
        *("--set", "limits.hdop.slowed=9", "--set", "limits.room.slowed=-0.05"),
    )
    unwrapped = " ".join(text.split())
    assert "it starts locked and has no reset button" in unwrapped
    assert "limits.hdop.slowed is never reached: blade_off is demanded before it" in unwrapped
    assert "limits.room.slowed is never reached: blade_off is demanded before it" in unwrapped


def test_a_limit_equal_to_the_next_is_not_odd(settings: Path) -> None:
    words = ("--set", "limits.hdop.slowed=4", "--set", "limits.room.slowed=-0.03")
    assert "never reached" not in for_people("check", "--settings", settings, *words)


@pytest.mark.parametrize(
    ("key", "fits", "odd", "said"),
    [
        ("limits.stopping.slowed", 0.15, 0.1501, "mower.stopping.keep_m: the told speed keeps"),
        ("limits.blade_stop.slowed", 0.05, 0.0501, "mower.stopping.blade_keep_m: the told"),
        ("mower.stopping.keep_m", 0.15, 0.1499, "less than limits.stopping.slowed (0.15 m)"),
        ("mower.stopping.blade_keep_m", 0.05, 0.0499, "less than limits.blade_stop.slowed (0.05"),
        ("mower.course_within_deg", 45, 45.1, "farther than limits.course.slowed (45) permits"),
        ("limits.course.slowed", 45, 44.9, "mower.course_within_deg: a course is believed to 45"),
        ("limits.stopping.watch_only", "false", "true", "limits.stopping demands nothing, so the"),
        ("limits.course.watch_only", "false", "true", "limits.course demands nothing, so a course"),
        ("limits.stopping.slowed", "never", 0.2, "mower.stopping.keep_m"),
        ("limits.course.slowed", 46, "never", "limits.course demands nothing"),
    ],
)
def test_check_notes_where_limits_and_what_is_kept_ahead_do_not_fit(
    settings: Path, key: str, fits: object, odd: object, said: str
) -> None:
    def noted(value: object) -> str:
        text = for_people("check", "--settings", settings, "--set", f"{key}={value}")
        return " ".join(text.split())

    assert said in noted(odd)
    assert said not in noted(fits)


@pytest.mark.parametrize("columns", [40, 60])
def test_everything_fits_the_terminal(settings: Path, log: Path, columns: int) -> None:
    for words in (("check",), ("replay", log)):
        done = command(*words, "--settings", settings, COLUMNS=str(columns))
        assert done.status == 0
        assert max(map(len, done.out.splitlines())) <= columns


def test_names_are_printed_as_they_are(tmp_path: Path, log: Path) -> None:
    """Though a library that prints tables could take them for its own marks."""
    name = "[red]bed[/] :key: [/b]"
    directory = tmp_path / "[bold]lawns"
    directory.mkdir()
    settings = write_settings(directory, polygon(LAWN, "keep_in", name), **QUICK)
    assert "[bold]lawns" in command("check", "--settings", settings, COLUMNS="200").out
    words = ("replay", log, "--settings", settings, "--journal", tmp_path / "journal")
    for columns in ("40", "200"):
        done = command(*words, COLUMNS=columns)
        assert done.status == 0, done.err
        assert name in " ".join(done.out.split())
    done = command("audit", "list", "--journal", tmp_path / "journal", COLUMNS="200")
    assert name in done.out


# Recordings that are bad


def test_a_recording_that_is_not_there(tmp_path: Path, settings: Path) -> None:
    said = refused("replay", tmp_path / "no.nmea", "--settings", settings)
    assert said.endswith("no.nmea: does not exist; check the name")


def test_a_recording_that_is_a_directory(tmp_path: Path, settings: Path) -> None:
    said = refused("replay", tmp_path, "--settings", settings)
    assert said.endswith(f"{tmp_path}: is a directory; name the recordings in it")


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


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGQUIT])
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
        assert "could not be written; make room on the disk and run it again" in said
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def test_nobody_reads_any_more(log: Path, settings: Path) -> None:
    for words in (["check"], ["replay", str(log)]):
        process = subprocess.Popen(
            [*MODULE, *words, "--settings", str(settings)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(20.0) == 0


@pytest.mark.parametrize("stream", ["<&-", ">&-", "2>&-"])
def test_a_standard_stream_that_is_closed(log: Path, settings: Path, stream: str) -> None:
    for words, status in ((["check"], 0), (["replay", str(log)], 0), (["replay", "-"], 2)):
        shell = " ".join([*MODULE, *words, "--settings", str(settings), stream])
        done = subprocess.run(
            ["sh", "-c", shell], input=b"", capture_output=True, timeout=30, check=False
        )
        assert done.returncode == status, (shell, done.stderr)
        assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("words", [("check",), ("check", "--json")])
def test_a_full_device_for_output(settings: Path, words: tuple[str, ...]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [*MODULE, *words, "--settings", str(settings)],
            stdout=full,
            stderr=subprocess.PIPE,
            timeout=30,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr == b"fenceguard: standard output: No space left on device\n"


def test_an_output_that_cannot_show_every_character(settings: Path) -> None:
    done = command("check", "--settings", settings, PYTHONIOENCODING="ascii")
    assert (done.status, done.err) == (0, "")
    assert "?" in done.out


def test_a_journal_that_is_a_file(log: Path, settings: Path) -> None:
    said = refused("replay", log, "--settings", settings, "--journal", log)
    assert "the journal cannot be written there: not a directory" in said


def test_what_starts_locked_stays_locked_in_a_replay(log: Path, settings: Path) -> None:
    shown = for_people("replay", log, "--settings", settings, "--set", "start=locked")
    assert "it starts locked, and nobody resets it in a replay" in " ".join(shown.split())


@pytest.mark.parametrize(
    ("setting", "said"),
    [
        ("limits.silence.halted=6", "lets the mower drive 3.0 m unseen"),
        ("limits.silence.halted={limit: 1.5, for_s: 60}", "waits 60 s before it halts the mower"),
        ("limits.room.halted=-0.2", "lets 0.2 m of the bound be past the fence"),
        ("blade_delay_s=0", "the blade starts 0 s after a warning"),
    ],
)
def test_check_notes_what_weakens_the_supervision(settings: Path, setting: str, said: str) -> None:
    shown = for_people("check", "--settings", settings, "--set", setting)
    assert said in " ".join(shown.split())


# Ports, journals, permissions


@pytest.fixture
def shared() -> Iterator[Path]:
    """A directory that everyone may read, which is not so below `tmp_path`."""
    directory = Path(tempfile.mkdtemp())
    directory.chmod(0o755)
    yield directory
    shutil.rmtree(directory)


@pytest.fixture
def no_root() -> dict[str, list[str]]:
    """How to start the command without what root may do."""
    if os.geteuid() != 0:
        return {"start": MODULE}
    return {"start": [sys.executable, "-c", AS_NOBODY]}


@pytest.fixture
def terminal() -> Iterator[str]:
    """The name of a pseudo-terminal."""
    far, near = pty.openpty()
    yield os.ttyname(near)
    os.close(near)
    os.close(far)


def run_settings(directory: Path, port: str, journal: Path | None = None) -> Path:
    return write_settings(
        directory,
        receiver={"port": port},
        journal={"directory": str(journal or directory / "journal")},
    )


def test_run_asks_for_a_port_and_a_journal(settings: Path) -> None:
    said = refused("run", "--settings", settings, "--set", "journal.directory=journal")
    assert said.endswith(f"{settings}: receiver.port: missing; say where the receiver is")
    said = refused("run", "--settings", settings, "--set", "receiver.port=-")
    assert said.endswith(f"{settings}: journal.directory: missing; say where to write it")


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    said = refused("run", "--settings", run_settings(tmp_path, str(tmp_path / "ttyACM9")))
    assert f"{tmp_path}/ttyACM9: does not exist; plug the receiver in" in said


def test_a_port_that_is_no_terminal(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    said = refused("run", "--settings", run_settings(tmp_path, str(tmp_path / "plain")))
    assert f"{tmp_path}/plain: cannot be used as a serial port" in said


def test_a_port_that_another_program_holds(tmp_path: Path, terminal: str) -> None:
    with serial.Serial(terminal, exclusive=True):
        said = refused("run", "--settings", run_settings(tmp_path, terminal))
    assert f"{terminal}: is busy: another program holds it; stop that one" in said


def test_a_port_that_is_not_permitted(
    shared: Path, terminal: str, no_root: dict[str, list[str]]
) -> None:
    settings = run_settings(shared, terminal, shared / "journal")
    (shared / "journal").mkdir()
    (shared / "journal").chmod(0o777)
    Path(terminal).chmod(0)
    said = refused("run", "--settings", settings, **no_root)
    assert f"{terminal}: not permitted; become a member of the group " in said


def journal_words(word: str, directory: Path, log: Path, settings: Path) -> list[Word]:
    """A command that would write a journal there."""
    if word == "replay":
        return ["replay", log, "--settings", settings, "--journal", directory]
    given = ("--set", "receiver.port=-", "--set", f"journal.directory={directory}")
    return ["run", "--settings", settings, *given]


@pytest.mark.parametrize("word", ["run", "replay"])
def test_a_journal_below_a_plain_file(settings: Path, log: Path, word: str) -> None:
    said = refused(*journal_words(word, log / "journal", log, settings))
    assert f"{log}/journal: the journal cannot be written there: Not a directory; name a" in said


@pytest.mark.parametrize("word", ["run", "replay"])
def test_a_journal_where_one_may_not_write(
    shared: Path, no_root: dict[str, list[str]], word: str
) -> None:
    settings, log = write_settings(shared), shared / "standing.nmea"
    log.write_bytes(standing(1.0))
    shared.chmod(0o555)
    said = refused(*journal_words(word, shared / "journal", log, settings), **no_root)
    shared.chmod(0o755)
    assert f"{shared}/journal: the journal cannot be written there: Permission denied; name" in said


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Path]:
    """A small file system with no room left."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no file system of one's own can be mounted here, so none can be filled up")
    try:
        with pytest.raises(OSError, match="No space"), (disk / "full").open("wb") as file:
            file.write(bytes(1 << 20))
            file.flush()
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.parametrize("word", ["run", "replay"])
def test_a_journal_on_a_full_disk(settings: Path, log: Path, full_disk: Path, word: str) -> None:
    said = refused(*journal_words(word, full_disk / "journal", log, settings))
    assert "the journal cannot be written there: No space left on device; name a" in said
    assert said.endswith("on a disk with room")


def test_a_journal_that_another_writes(settings: Path, log: Path, tmp_path: Path) -> None:
    other = Journal(tmp_path / "journal")
    said = refused("replay", log, "--settings", settings, "--journal", tmp_path / "journal")
    other.close()
    assert f"{tmp_path}/journal: another fenceguard writes this journal; stop it first" in said
    result("replay", log, "--settings", settings, "--journal", tmp_path / "journal")


# Output lines


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


# The audit, on what is not there


def test_an_audit_without_a_journal(tmp_path: Path) -> None:
    said = refused("audit", "list", "--journal", tmp_path / "journal")
    assert f"{tmp_path}/journal: no such directory; name the one the journal was" in said
    said = refused("audit", "verify", "--journal", tmp_path)
    assert f"{tmp_path}: no journal in it; name the one it was written to" in said


def test_an_audit_of_an_intervention_that_is_not_there(
    tmp_path: Path, settings: Path, log: Path
) -> None:
    journal = tmp_path / "journal"
    assert command("replay", log, "--settings", settings, "--journal", journal).status == 0
    said = refused("audit", "show", "7", "--journal", journal)
    assert said.endswith(f"{journal}: no intervention 7; there are 1 to 1")


# Replays that are good

KEYS = {
    "epochs",
    "sentences",
    "rejected",
    "duration_s",
    "time_in_rung_s",
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
    assert sum(outcome["time_in_rung_s"].values()) == pytest.approx(13.8)
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
    assert "It never reached full. Demanded at the end: hdop 0.6, limit 0.5." in text
    text = for_people("replay", log, "--settings", settings, "--set", "arm.fixed_for_s=60")
    assert "Demanded at the end: nothing: it was still waiting." in text


def test_replay_journal_and_audit_agree(log: Path, settings: Path, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    words = ("replay", log, "--settings", settings)
    outcome = result(*words, "--journal", journal)
    assert outcome == result(*words)
    verdict = result("audit", "verify", "--journal", journal)
    assert (verdict["faults"], verdict["torn"]) == ([], None)
    assert (
        result("audit", "list", "--journal", journal)["interventions"] == (outcome["interventions"])
    )


def test_a_second_replay_into_a_journal_goes_on_numbering(
    log: Path, settings: Path, tmp_path: Path
) -> None:
    journal = tmp_path / "journal"
    words = ("replay", log, "--settings", settings, "--journal", journal)
    assert [result(*words)["interventions"][0]["id"] for _ in range(2)] == [1, 2]
    assert result("audit", "verify", "--journal", journal)["faults"] == []
    assert "2 runs, from " in for_people("audit", "list", "--journal", journal)


def test_a_changed_record_makes_verify_fail(log: Path, settings: Path, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    result("replay", log, "--settings", settings, "--journal", journal)
    (file,) = journal.glob("*.jsonl")
    file.write_bytes(file.read_bytes().replace(b"float", b"fixed", 1))
    done = command("audit", "verify", "--journal", journal)
    assert (done.status, done.err) == (1, "")
    assert "not a record as it was written" in done.out
    assert max(map(len, done.out.splitlines())) <= COLUMNS


# The demo as a whole


def test_the_demo(tmp_path: Path) -> None:
    """Against the episodes that it was made with."""
    journal = tmp_path / "journal"
    words = ("replay", DEMO / "mowing.nmea.gz", "--settings", DEMO / "settings.yaml")
    outcome = result(*words, "--journal", journal)
    silent_s = demo.SILENCE_S[1] - demo.SILENCE_S[0]
    assert outcome["epochs"] == (300 - silent_s) * RATE_HZ
    assert outcome["sentences"] == 3 * outcome["epochs"]
    assert outcome["rejected"] == {}
    assert [
        (one["cause"]["monitor"], one["cause"]["limit"], one["rung"])
        for one in outcome["interventions"]
    ] == [
        ("bound", 2.5, "halted"),
        ("correction_age", 10.0, "blade_off"),
        ("silence", 0.5, "halted"),
        ("blade_stop", 0.05, "halted"),
    ]
    began_s = [
        (datetime.fromisoformat(one["begin_utc"]).timestamp() - demo.FIRST_UTC_S)
        - demo.EPISODES_FROM_S
        for one in outcome["interventions"]
    ]
    assert began_s[0] == demo.FLOAT_EPISODE_S[0]
    assert began_s[1] == pytest.approx(demo.OUTAGE_S[0] + 10.0 - 0.6, abs=0.21)
    assert 0.3 <= began_s[2] - demo.SILENCE_S[0] <= 0.5
    assert began_s[3] > demo.APPROACH_AT_S
    for one in outcome["interventions"]:
        span = timedelta(seconds=one["duration_s"])
        ended = datetime.fromisoformat(one["begin_utc"]) + span
        assert ended.timestamp() == pytest.approx(
            datetime.fromisoformat(one["end_utc"]).timestamp(), abs=0.02
        )
    assert "4 interventions" in for_people(*words)
    assert result("audit", "verify", "--journal", journal)["faults"] == []
    assert (
        result("audit", "list", "--journal", journal)["interventions"] == (outcome["interventions"])
    )
    assert "4 interventions" in for_people("audit", "list", "--journal", journal)
    assert "no fault" in for_people("audit", "verify", "--journal", journal)
    for number, text in enumerate(
        (
            "With it: the solution was float; fixed or better is needed.",
            "the corrections were 10.2 s old; 10 s are allowed.",
            "no valid epoch had come for",
            "m would be left ahead when the blade has come to rest; 0.05 m are needed.",
        ),
        start=1,
    ):
        shown = for_people("audit", "show", str(number), "--journal", journal)
        assert text in " ".join(shown.split())
