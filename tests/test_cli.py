"""The command line, as a process: its help, settings that are bad, outputs that fail."""

import signal
import subprocess
from pathlib import Path

import pytest

from fenceguard.cli import main
from fenceguard.cli.common import SIGNALS
from tests.support.command import MODULE, command, for_people, refused
from tests.support.lawns import LAWN, polygon, write_settings
from tests.support.made import QUICK, with_a_float


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


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


def test_a_replay_without_settings() -> None:
    said = refused("replay", "a.nmea", "--journal", "journal")
    assert said.endswith(": --settings FILE is missing; only --same-as can do without")


def test_faults_of_the_settings_are_told_one_a_line(tmp_path: Path) -> None:
    settings = write_settings(tmp_path, tik_s=0.1, start="haltd", journal=None)
    done = command("check", "--settings", settings, "--set", "receiver.baud=1", "--set", "x")
    assert (done.status, done.out) == (2, "")
    assert len(done.err.splitlines()) == 5
    for said in ("tik_s: unknown key", "start: is 'haltd'", "journal: empty", "--set x: not KEY"):
        assert said in done.err
    assert "Traceback" not in done.err


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


def test_each_signal_that_would_end_or_stop_it_is_taken() -> None:
    """What signals do by default: Linux manual, signal(7), from memory.

    The interpreter has those of a broken pipe and of a file that is too large ignored: Python's
    documentation, module signal, from memory.
    """
    untaken = {"SIGKILL", "SIGSTOP"}
    ignored = {"SIGCHLD", "SIGCONT", "SIGURG", "SIGWINCH", "SIGPIPE", "SIGXFSZ"}
    crash = {"SIGABRT", "SIGBUS", "SIGFPE", "SIGILL", "SIGSEGV", "SIGSYS", "SIGTRAP"}
    real_time = {"SIGRTMIN", "SIGRTMAX"}
    named = {number.name for number in signal.Signals}
    assert {number.name for number in SIGNALS} == named - untaken - ignored - crash - real_time
