"""`fenceguard run` as a process: signals, what it tells, and a standard output that fails."""

import contextlib
import os
import re
import select
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from fenceguard.cli.common import OUTPUTS_CAUTION, SIGNALS
from fenceguard.errors import BadInput
from fenceguard.journal.read import entries
from fenceguard.journal.verify import verify
from tests.support.disks import fill
from tests.support.lawns import write_settings
from tests.support.machine import END_S, PATIENCE_S, TICK_S, Receiver, wired
from tests.support.made import QUICK, standing
from tests.support.pins import ALL_OFF, observed, observed_levels
from tests.support.plug import Plug
from tests.support.waiting import SLACK_S, until

pytestmark = pytest.mark.live

UNBUFFERED = "PYTHONUNBUFFERED"
"""Would hide what a buffer does at the end of a process."""
STATUS = re.compile(r"^09:\d\d:\d\d \w+ +\S.*  \w+, room \+\d\.\d\d m", re.M)
CHANGE = re.compile(r"^2031-05-14T09:\d\d:\d\d\.\d+Z  (\w+) -> (\w+)  \S", re.M)


class Command:
    """`fenceguard run` as a process of its own."""

    def __init__(self, directory: Path, stdout: int = subprocess.PIPE, **changes: Any) -> None:
        self.directory = directory
        write_settings(directory, **wired(**changes))
        self.process = subprocess.Popen(
            [*observed(directory), "run", "--settings", "settings.yaml"],
            cwd=directory,
            env={name: value for name, value in os.environ.items() if name != UNBUFFERED},
            stdout=stdout,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
        )

    def levels(self) -> dict[str, bool]:
        """For each line, the level that was last written to its pin."""
        return observed_levels(self.directory)

    def full(self) -> bool:
        levels = self.levels()
        return [levels.get(name) for name in ("drive_enable", "blade_enable", "slow")] == [
            True,
            True,
            False,
        ]

    def journalled(self, kind: str) -> list[Any]:
        """The records of a kind that are in the journal by now."""
        try:
            told = list(entries(self.directory / "journal"))
        except BadInput:
            return []
        return [entry.record for entry in told if entry.record.kind == kind]

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[str, str]:
        """Send a signal; what stood on standard output and standard error, if they are pipes."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=END_S)
        return (out or b"").decode(), (err or b"").decode()


Run = Callable[..., Command]


@pytest.fixture
def receiver(plug: Plug) -> Receiver:
    return Receiver(plug)


@pytest.fixture
def run(tmp_path: Path, plug: Plug) -> Iterator[Run]:
    commands: list[Command] = []

    def run(**changes: Any) -> Command:
        commands.append(Command(tmp_path, **changes))
        return commands[-1]

    yield run
    for command in commands:
        if command.process.poll() is None:
            command.process.kill()
            command.process.communicate()


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_ends_it_with_all_lines_off(
    run: Run, receiver: Receiver, number: signal.Signals
) -> None:
    command = run()
    receiver.talk_until(command.full)
    out, err = command.end(number)
    assert command.process.returncode == 0
    assert out.splitlines()[-1] == f"stopped: {number.name}; 0 interventions"
    assert command.levels() == ALL_OFF
    assert err == f"{OUTPUTS_CAUTION}\n"
    assert [record.reason for record in command.journalled("stop")] == [number.name]
    assert verify(command.directory / "journal").faults == []


def test_a_pipe_gets_the_changes_alone_and_what_is_wrong_with_the_port(
    run: Run, receiver: Receiver, plug: Plug
) -> None:
    command = run()
    receiver.talk_until(command.full)
    receiver.talk(1.5)
    plug.pull()
    until(lambda: not command.levels()["drive_enable"])
    plug.put_in()
    receiver.talk_until(command.full)
    out, _ = command.end()
    up = ["blade_off", "slowed", "full"]
    changes = CHANGE.findall(out)
    assert [to for _, to in changes] == [*up, "slowed", "blade_off", "halted", *up]
    others = [line for line in out.splitlines() if not CHANGE.match(line)]
    assert others[0].startswith("receiver: lost")
    assert sum(line.startswith("over: receiver: ") for line in others) == 1
    (told,) = (line for line in others if line.startswith("The receiver tells its position"))
    assert told.endswith("10 times a second; with it: speed, course, altitude, height.")
    assert others[-2].startswith("It tells no GST: ")
    assert others[-1] == "stopped: SIGTERM; 1 intervention"
    assert not STATUS.search(out)


def test_a_terminal_gets_a_line_of_status_a_second(run: Run, receiver: Receiver) -> None:
    far, near = os.openpty()
    tty.setraw(near)
    command = run(stdout=near)
    os.close(near)
    shown = ""
    came_s: list[float] = []

    def four() -> bool:
        nonlocal shown
        while select.select([far], [], [], 0.0)[0]:
            shown += os.read(far, 4096).decode()
        while len(came_s) < len(STATUS.findall(shown)):
            came_s.append(time.monotonic())
        return len(came_s) >= 4

    receiver.talk_until(four)
    command.end()
    assert 3.0 - SLACK_S <= came_s[3] - came_s[0] <= 3.0 + 3.0 * TICK_S + SLACK_S
    assert [to for _, to in CHANGE.findall(shown)] == ["blade_off", "slowed", "full"]
    os.close(far)


@pytest.fixture
def full_pipe() -> Iterator[int]:
    """The writing end of a pipe that nobody reads, filled to the brim."""
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(writing, b"." * 4096)
    os.set_blocking(writing, True)
    yield writing
    os.close(reading)
    os.close(writing)


def test_a_standard_output_that_nobody_reads_holds_up_neither_lines_nor_journal(
    run: Run, receiver: Receiver, full_pipe: int
) -> None:
    command = run(stdout=full_pipe)
    receiver.talk_until(command.full)
    receiver.quality = 5
    receiver.talk_until(lambda: not command.levels()["blade_enable"])
    receiver.talk_until(lambda: len(command.journalled("rung")) >= 4)
    command.process.send_signal(signal.SIGTERM)
    until(lambda: len(command.journalled("stop")) == 1)
    assert command.levels() == ALL_OFF


def test_a_standard_output_that_nobody_reads_is_no_failure(
    run: Run, receiver: Receiver, full_pipe: int
) -> None:
    command = run(stdout=full_pipe)
    receiver.talk_until(command.full)
    _, err = command.end()
    assert (command.process.returncode, err) == (0, f"{OUTPUTS_CAUTION}\n")


def test_a_reader_of_standard_output_that_goes_away_is_no_failure(
    run: Run, receiver: Receiver
) -> None:
    reading, writing = os.pipe()
    command = run(stdout=writing)
    os.close(writing)
    os.close(reading)
    receiver.talk_until(command.full)
    _, err = command.end()
    assert (command.process.returncode, err) == (0, f"{OUTPUTS_CAUTION}\n")


def test_without_lines_there_is_no_caution(run: Run, receiver: Receiver) -> None:
    command = run(outputs="none")
    receiver.talk_until(lambda: len(command.journalled("rung")) >= 3)
    _, err = command.end()
    assert err == ""
    assert command.levels() == {}


# From standard input


class Piped:
    """`fenceguard run` that reads what is written to its standard input."""

    def __init__(self, directory: Path, **changes: Any) -> None:
        self.journal = directory / "journal"
        settings = {
            "receiver": {"port": "-"},
            "journal": {"directory": str(self.journal)},
            **QUICK,
            **changes,
        }
        file = write_settings(directory, **settings)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "fenceguard", "run", "--settings", file],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )

    def begun(self) -> bool:
        """Whether its start is in the journal."""
        try:
            return any(True for _ in entries(self.journal))
        except BadInput:
            return False

    def end(self, data: bytes) -> tuple[int, str, str]:
        """Write all that, and nothing more will come: exit status and what was said."""
        out, err = self._process.communicate(data, timeout=PATIENCE_S + END_S)
        return self._process.returncode, out.decode(), err.decode()


def test_a_run_that_never_reached_full_says_what_held_it(tmp_path: Path) -> None:
    piped = Piped(tmp_path)
    until(piped.begun)
    time.sleep(0.5)
    status, out, err = piped.end(standing(1.0))
    assert (status, err) == (0, "")
    stopped = out.splitlines()[-1]
    held = re.fullmatch(
        r"stopped: the input ended; 0 interventions; it never reached full, held by: (.+)", stopped
    )
    assert held is not None, out
    assert "silence 0." in held[1]


@pytest.mark.parametrize("what", ["journal", "recording"])
def test_records_that_could_not_be_written_are_said_and_told_by_the_exit_status(
    tmp_path: Path, small_disk: Path, what: str
) -> None:
    full = small_disk / what
    piped = Piped(tmp_path, **{what: {"directory": str(full)}, "outputs": "none"})
    if what == "journal":
        piped.journal = full
    until(piped.begun)
    filler = fill(small_disk)
    status, out, err = piped.end(standing(60.0))
    filler.unlink()
    assert (status, err) == (3, "")
    said = re.findall(
        rf"^{full}: \d+ records? could not be written; look after the disk$", out, re.M
    )
    assert len(said) == 1, out


def test_where_all_was_written_the_exit_status_is_nought(tmp_path: Path, small_disk: Path) -> None:
    piped = Piped(tmp_path, recording={"directory": str(small_disk / "recording")})
    until(piped.begun)
    status, out, err = piped.end(standing(1.0))
    assert (status, err) == (0, "")
    assert "could not be written" not in out
