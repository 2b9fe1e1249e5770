"""The live service: a receiver on a real pseudo-terminal, and mock pins for the lines."""

import contextlib
import os
import re
import select
import signal
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml
from fenceguard.account import Event
from fenceguard.service import Service

from fenceguard.cli.common import OUTPUTS_CAUTION
from fenceguard.inputs.buttons import ResetButton
from fenceguard.journal.read import records
from fenceguard.journal.verify import verify
from fenceguard.journal.write import Journal
from fenceguard.judgement.types import Decision
from fenceguard.outputs.lines import Lines
from fenceguard.settings import Loaded, load
from fenceguard.sources.serial_port import SerialPort
from tests.bench.recorded import Gga, raw_gga, unpacked
from tests.bench.recorded import write_settings as write_settings_around
from tests.support import nmea
from tests.support.lawns import offset, write_settings
from tests.support.pins import (
    ALL_OFF,
    PINS,
    RESET_PIN,
    WIRED,
    Board,
    Pin,
    PinError,
    observed,
    observed_levels,
)
from tests.support.plug import Plug

TICK_S = 0.1
SLACK_S = 0.25
"""By which a busy machine may be late."""
DROP_S = 0.5
"""From an epoch's arrival to the lines."""
SILENCE_S = {"slowed": 0.5, "blade_off": 1.0, "halted": 1.5}
PATIENCE_S = 15.0
"""How long anything is waited for before it counts as not happening."""
END_S = 8.0
"""How long a process may take to end: a second for its last texts, three for its journal."""
SOON: dict[str, Any] = {
    "arm": {"fixed_for_s": 0.3},
    "clear_s": {"slowed": 0.2, "blade_off": 0.2, "halted": 0.3},
    "blade_delay_s": 0.2,
    "bound": {"sigma_m": {"float": 0.3}, "optimism": {"float": 1.0}, "floor_m": {"float": 0.0}},
}
"""Up as fast as may be, so that nobody has to wait; and a float stops the blade alone."""


class Machine:
    """A mower at work: the service on its thread, with its port, pins and journal."""

    def __init__(self, loaded: Loaded, port: SerialPort) -> None:
        settings = loaded.settings
        assert settings.journal is not None
        self.board = Board()
        self.told: list[Event] = []
        self.faults: list[str | None] = [None]
        self.outcome: str | BaseException | None = None
        self.directory = loaded.path(settings.journal.directory)
        self._closed = False
        self._port = port
        self._journal = Journal(self.directory)
        self._lines = Lines.from_settings(settings.outputs, self.board.factory)
        button = (
            ResetButton(settings.inputs.reset_pin, self.board.factory) if settings.inputs else None
        )
        self.service = Service(
            loaded,
            port,
            self._lines,
            self._journal,
            told=self.told.append,
            shown=self._shown,
            button=button,
        )
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.outcome = self.service.run()
        except BaseException as error:
            self.outcome = error

    def _shown(self, _decision: Decision, fault: str | None) -> None:
        if fault != self.faults[-1]:
            self.faults.append(fault)

    def pin(self, name: str) -> Pin:
        """The pin of a line."""
        return self.board.line(name)

    def on(self, *names: str) -> bool:
        """Whether all these lines are on."""
        return all(self.pin(name).high for name in names)

    def off(self) -> bool:
        """Whether every line is off."""
        return not any(self.pin(name).high for name in PINS)

    def full(self) -> bool:
        """Whether the lines are as on the rung `full`."""
        return self.on("drive_enable", "blade_enable") and not self.on("slow")

    def dropped_s(self, name: str) -> float:
        """When the line was last written; it was put off then."""
        last = self.pin(name).written[-1]
        assert not last.high
        return last.at_s

    def ends(self) -> str | BaseException:
        """Wait for the end; what came out of it."""
        self._thread.join(PATIENCE_S)
        assert self.outcome is not None, "the service does not end"
        return self.outcome

    def rungs(self) -> list[str]:
        """Every rung that was taken so far."""
        return [event.evidence["to"] for event in list(self.told) if event.kind == "rung"]

    def close(self) -> None:
        """End it, with whatever it holds; its journal must be sound. May be repeated."""
        if self._closed:
            return
        self._closed = True
        self.service.stop("the test ends")
        self.ends()
        self._port.close()
        self._lines.close()
        self._journal.close()
        assert self.off()
        assert verify(self.directory).faults == []


class Receiver:
    """What a receiver would say, ten times a second, to whatever is plugged in."""

    RATE_HZ = 10.0

    def __init__(self, plug: Plug) -> None:
        self.plug = plug
        self.east_m, self.north_m = 22.0, 10.0
        self.course_deg, self.speed_mps = 90.0, 0.0
        self.quality, self.age_s = 4, 1.0
        self._number = 0
        self._began_s = time.monotonic()

    def talk_until(self, condition: Callable[[], bool]) -> float:
        """Send epochs until a condition holds; when the first one was sent."""
        first_s = time.monotonic()
        for number in range(int(PATIENCE_S * self.RATE_HZ)):
            self._send()
            next_s = first_s + (number + 1) / self.RATE_HZ
            while time.monotonic() < next_s:
                if condition():
                    return first_s
                time.sleep(0.002)
        raise AssertionError("what was waited for did not happen")

    def talk(self, span_s: float) -> None:
        """Send epochs for a while."""
        end_s = time.monotonic() + span_s
        self.talk_until(lambda: time.monotonic() >= end_s)

    def _send(self) -> None:
        # Its clock goes on while the plug is out.
        tenths = max(self._number, round((time.monotonic() - self._began_s) * 10.0))
        self._number = tenths + 1
        self.east_m += self.speed_mps / self.RATE_HZ
        clock = nmea.clock(9 * 3600 + tenths / 10)
        lat_deg, lon_deg = offset(self.east_m, self.north_m)
        place = nmea.place(lat_deg, lon_deg)
        knots = self.speed_mps / 0.514444
        gga = nmea.gga(clock, place, quality=self.quality, hdop=0.8, age_s=self.age_s)
        rmc = nmea.rmc(clock, place, knots=knots, course_deg=self.course_deg, date="140531")
        os.set_blocking(self.plug.far, False)
        os.write(self.plug.far, gga + rmc)


def until(condition: Callable[[], bool]) -> float:
    """Wait for a condition; when it held."""
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, "what was waited for did not happen"
        time.sleep(0.002)
    return time.monotonic()


def wired(**changes: Any) -> dict[str, Any]:
    """Settings with every line and the reset button wired, and up again soon; None leaves out."""
    settings = {
        "receiver": {"port": "receiver"},
        "outputs": WIRED,
        "inputs": {"reset_pin": RESET_PIN},
        "journal": {"directory": "journal"},
        "limits": {"silence": SILENCE_S},
        "tick_s": TICK_S,
        **SOON,
        **changes,
    }
    return {key: value for key, value in settings.items() if value is not None}


@pytest.fixture
def receiver(plug: Plug) -> Receiver:
    return Receiver(plug)


Start = Callable[..., Machine]


@pytest.fixture
def start(tmp_path: Path, plug: Plug) -> Iterator[Start]:
    """Starts a machine with settings changed, or with such as are given."""
    with contextlib.ExitStack() as ending:

        def start(
            given: Loaded | None = None,
            port: Callable[[str, int], SerialPort] = SerialPort,
            **changes: Any,
        ) -> Machine:
            loaded = given or load(write_settings(tmp_path, **wired(**changes)))
            machine = Machine(loaded, port(str(plug.path), 115200))
            ending.callback(machine.close)
            return machine

        yield start


# A recording at its true pace


def test_a_recorded_loss_of_the_fixed_solution_drops_the_blade(
    start: Start, plug: Plug, tmp_path: Path, log: Callable[[str], Path]
) -> None:
    data = unpacked(log("walk-1hz-fixed-float.ubx.gz"))
    everything = raw_gga(data)
    change = next(
        index
        for index in range(9, len(everything))
        if everything[index].quality == 5
        and {e.quality for e in everything[index - 9 : index]} == {4}
    )
    epochs = everything[change - 9 : change + 2]
    bursts = [data[slice(*span)] for span in spans(data, epochs)]
    more = yaml.safe_dump(wired(outputs=None, limits=None))
    file = write_settings_around(tmp_path, everything, (1.5, 2.5, 4.0), more)
    file.write_text(file.read_text().replace("outputs: none", f"outputs: {wired()['outputs']}"))
    machine = start(load(file))
    began_s = time.monotonic()
    for number, (epoch, burst) in enumerate(zip(epochs, bursts, strict=True)):
        time.sleep(max(0.0, began_s + number - time.monotonic()))
        if epoch is epochs[9]:
            assert machine.full()
            assert machine.rungs() == ["blade_off", "slowed", "full"]
            assert machine.pin("warning").written, "the blade started without a warning"
        sent_s = time.monotonic()
        os.write(plug.far, burst)
        if epoch is epochs[9]:
            until(lambda: not machine.on("blade_enable"))
            assert machine.dropped_s("blade_enable") - sent_s <= DROP_S
            assert machine.on("drive_enable", "slow")
    assert machine.rungs()[3:] == ["blade_off"]
    begun = next(event for event in machine.told if event.kind == "intervention_begun")
    assert begun.evidence["cause"]["monitor"] == "solution"
    assert begun.evidence["cause"]["value"] == "float"
    clock = time.strftime("%H:%M:%S", time.gmtime(epochs[9].time_s))
    assert f"T{clock}" in begun.evidence["epoch"]["utc"]


def spans(data: bytes, epochs: list[Gga]) -> Iterator[tuple[int, int]]:
    """Where each second of a recording begins and ends: its burst begins with RMC."""
    times_s = [*(epoch.time_s for epoch in epochs), epochs[-1].time_s + 1.0]
    clocks = [time.strftime("%H%M%S", time.gmtime(time_s)) for time_s in times_s]
    starts = [data.index(f"$GNRMC,{clock}.00,".encode()) for clock in clocks]
    return pairwise(starts)


# Generated epochs


def test_the_lines_come_on_when_armed_and_not_before(start: Start, receiver: Receiver) -> None:
    machine = start()
    receiver.quality = 5
    receiver.talk(1.0)
    assert not machine.on("drive_enable")
    assert machine.rungs() == []
    receiver.quality = 4
    fixed_s = receiver.talk_until(lambda: machine.on("drive_enable"))
    assert time.monotonic() - fixed_s >= SOON["arm"]["fixed_for_s"]
    receiver.talk_until(lambda: machine.on("warning"))
    assert not machine.on("blade_enable")
    receiver.talk_until(machine.full)
    assert machine.rungs() == ["blade_off", "slowed", "full"]
    beats = len(machine.pin("heartbeat").written)
    receiver.talk(1.0)
    assert 5 <= len(machine.pin("heartbeat").written) - beats <= 11


def test_a_float_solution_drops_the_blade_and_then_gives_it_back(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    receiver.quality = 5
    sent_s = receiver.talk_until(lambda: not machine.on("blade_enable"))
    assert machine.dropped_s("blade_enable") - sent_s <= DROP_S
    assert machine.on("drive_enable", "slow")
    receiver.quality = 4
    receiver.talk_until(machine.full)


@pytest.mark.parametrize(
    ("age_s", "dropped"), [(20.1, "blade_enable"), (60.1, "drive_enable")], ids=["blade", "drive"]
)
def test_corrections_older_than_a_limit_drop_its_line(
    start: Start, receiver: Receiver, age_s: float, dropped: str
) -> None:
    machine = start()
    receiver.age_s = 10.0
    receiver.talk_until(machine.full)
    receiver.talk(0.5)
    assert machine.full()
    receiver.age_s = age_s
    sent_s = receiver.talk_until(lambda: not machine.on(dropped))
    assert machine.dropped_s(dropped) - sent_s <= DROP_S
    assert not machine.on("blade_enable")
    assert machine.on("drive_enable") is (dropped == "blade_enable")


def test_coming_too_near_to_the_fence_drops_all(start: Start, receiver: Receiver) -> None:
    """The lawn ends 30 m east; the mower's front edge is 0.35 m ahead of the antenna."""
    machine = start()
    receiver.east_m = 28.2
    receiver.talk_until(machine.full)
    receiver.speed_mps = 0.5
    receiver.talk_until(lambda: receiver.east_m > 28.5)
    assert machine.full()
    # The blade takes 0.3 + 1 s to rest: 0.65 m at 0.5 m/s, and the bound comes on top.
    receiver.talk_until(lambda: receiver.east_m + 0.35 > 30.0 - 0.65)
    sent_s = time.monotonic()
    until(lambda: not machine.on("blade_enable"))
    assert machine.dropped_s("blade_enable") - sent_s <= DROP_S
    assert machine.on("drive_enable")
    # To stand takes 0.34 m: 0.15 m until the brakes bite, 0.19 m of braking.
    receiver.talk_until(lambda: receiver.east_m + 0.35 > 30.0 - 0.34)
    sent_s = time.monotonic()
    until(lambda: not machine.on("drive_enable"))
    assert machine.dropped_s("drive_enable") - sent_s <= DROP_S
    halted = [event for event in machine.told if event.evidence.get("to") == "halted"]
    monitors = [finding["monitor"] for finding in halted[-1].evidence["findings"]]
    assert monitors == ["stopping", "blade_stop"]
    assert halted[-1].evidence["nearest"] == "lawn"
    receiver.talk(1.0)
    assert not machine.on("drive_enable")


def test_a_pulled_plug_drops_the_lines_in_time_and_once_back_they_come_on_again(
    start: Start, receiver: Receiver, plug: Plug
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    receiver.talk(0.5)
    plug.pull()
    pulled_s = time.monotonic()
    until(lambda: not machine.on("drive_enable"))
    late_s = TICK_S + SLACK_S
    assert machine.dropped_s("blade_enable") - pulled_s <= SILENCE_S["blade_off"] + late_s
    assert machine.dropped_s("drive_enable") - pulled_s <= SILENCE_S["halted"] + late_s
    assert machine.rungs()[-3:] == ["slowed", "blade_off", "halted"]
    begun = [event for event in machine.told if event.kind == "intervention_begun"]
    assert begun[-1].evidence["cause"]["monitor"] == "silence"
    told = " ".join(filter(None, machine.faults))
    assert str(plug.path) in told
    assert "lost" in told
    plug.put_in()
    until(lambda: machine.faults[-1] is None)
    assert not machine.on("drive_enable")
    back_s = receiver.talk_until(lambda: machine.on("drive_enable"))
    assert time.monotonic() - back_s >= SOON["clear_s"]["halted"]
    receiver.talk_until(machine.full)


def test_a_receiver_that_falls_silent_with_its_plug_in_halts_the_mower(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    silent_s = time.monotonic()
    until(lambda: not machine.on("drive_enable"))
    assert machine.dropped_s("drive_enable") - silent_s <= SILENCE_S["halted"] + TICK_S + SLACK_S
    assert machine.faults == [None]


# Locked at start


def test_a_locked_start_waits_for_the_reset_button(start: Start, receiver: Receiver) -> None:
    machine = start(start="locked")
    button = machine.board.button
    receiver.talk(2.5)
    assert machine.rungs() == []
    assert not machine.pin("drive_enable").written[1:]
    button.drive_low()
    receiver.talk_until(machine.full)
    assert machine.rungs() == ["halted", "blade_off", "slowed", "full"]
    change = next(event for event in machine.told if event.kind == "rung")
    assert change.evidence["why"] == "reset"


def test_a_locked_start_without_a_button_stays_locked(start: Start, receiver: Receiver) -> None:
    machine = start(start="locked", inputs=None)
    receiver.talk(2.5)
    assert machine.rungs() == []
    assert not machine.on("drive_enable")


# The end


class Failing(SerialPort):
    """A port whose reading can be made to raise, as no port should."""

    failing: BaseException | None = None

    def read(self, timeout_s: float) -> bytes:
        if self.failing is not None:
            raise self.failing
        return super().read(timeout_s)


def last_record(machine: Machine) -> dict[str, Any]:
    """The last record in the journal, once the machine is closed."""
    machine.close()
    return list(records(machine.directory))[-1]


@pytest.mark.parametrize(
    "error", [RuntimeError("no such luck"), KeyboardInterrupt(), SystemExit(3)]
)
def test_an_exception_in_the_loop_puts_all_lines_off_and_is_raised(
    start: Start, receiver: Receiver, error: BaseException
) -> None:
    ports = []

    def opened(path: str, baud: int) -> Failing:
        ports.append(Failing(path, baud))
        return ports[-1]

    machine = start(port=opened)
    receiver.talk_until(machine.full)
    ports[0].failing = error
    assert machine.ends() is error
    assert machine.off()
    record = last_record(machine)
    assert (record["kind"], record["reason"]) == ("stop", "failed")


def test_a_pin_that_breaks_puts_all_other_lines_off_and_is_raised(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    machine.pin("blade_enable").broken = True
    receiver.quality = 5
    receiver.talk_until(lambda: machine.outcome is not None)
    assert isinstance(machine.ends(), PinError)
    assert not machine.on("drive_enable")
    assert not machine.on("heartbeat")
    machine.pin("blade_enable").broken = False
    record = last_record(machine)
    assert (record["kind"], record["reason"]) == ("stop", "failed")


def test_a_stop_ends_it_within_a_few_ticks_with_all_lines_off(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    stopped_s = time.monotonic()
    machine.service.stop("enough for today")
    assert machine.ends() == "enough for today"
    assert time.monotonic() - stopped_s <= 3.0 * TICK_S + SLACK_S
    assert machine.off()
    record = last_record(machine)
    assert (record["kind"], record["reason"]) == ("stop", "enough for today")
    assert record["rung"] == "full"
    assert record["epochs"] > 0
    assert record["time_in_rung_s"]["halted"] >= SOON["arm"]["fixed_for_s"]
    assert [entry["kind"] for entry in records(machine.directory)] == [
        "start",
        *["rung"] * 3,
        "stop",
    ]


# The command

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

    def journalled(self, kind: str) -> list[dict[str, Any]]:
        """The records of a kind that are in the journal by now."""
        try:
            return [entry for entry in records(self.directory / "journal") if entry["kind"] == kind]
        except Exception:
            return []

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[str, str]:
        """Send a signal; what stood on standard output and standard error, if they are pipes."""
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=END_S)
        return (out or b"").decode(), (err or b"").decode()


Run = Callable[..., Command]


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


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_ends_it_with_all_lines_off(
    run: Run, receiver: Receiver, number: signal.Signals
) -> None:
    command = run()
    receiver.talk_until(command.full)
    out, err = command.end(number)
    assert command.process.returncode == 0
    assert out.splitlines()[-1] == f"stopped: {number.name}"
    assert command.levels() == ALL_OFF
    assert err == f"{OUTPUTS_CAUTION}\n"
    assert [record["reason"] for record in command.journalled("stop")] == [number.name]
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
    assert others[-2].startswith("over: receiver: ")
    assert others[-1] == "stopped: SIGTERM"
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
