"""How the live loop begins and ends, with real parts: locked at start, failing, stopped."""

import time

import pytest

from fenceguard.journal.read import entries
from fenceguard.journal.records import Sensed, Stop
from fenceguard.sources.serial_port import SerialPort
from tests.support.machine import SOON, TICK_S, Machine, Receiver, Start
from tests.support.pins import PinError
from tests.support.waiting import SLACK_S, until

pytestmark = pytest.mark.live


# Locked at start


def test_a_locked_start_waits_for_the_reset_button(start: Start, receiver: Receiver) -> None:
    machine = start(start="locked")
    button = machine.board.button
    receiver.talk(2.5)
    assert machine.rungs() == []
    assert not machine.pin("drive_enable").written[1:]
    button.drive_low()
    receiver.talk_until(machine.full)
    button.drive_high()
    receiver.talk(0.3)
    until(lambda: machine.rungs() == ["halted", "blade_off", "slowed", "full"])
    held = [one.record.held for one in machine.told if isinstance(one.record, Sensed)]
    assert held == [{"reset": True}, {"reset": False}]
    assert machine.changes()[0].why == "reset"


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


def stop_of(machine: Machine) -> Stop:
    """The last record in the journal, once the machine is closed."""
    machine.close()
    record = list(entries(machine.directory))[-1].record
    assert isinstance(record, Stop)
    return record


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
    assert stop_of(machine).reason == "failed"


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
    assert stop_of(machine).reason == "failed"


def test_a_stop_ends_it_within_a_few_ticks_with_all_lines_off(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    stopped_s = time.monotonic()
    machine.live.stop("enough for today")
    assert machine.ends() == "enough for today"
    assert time.monotonic() - stopped_s <= 3.0 * TICK_S + SLACK_S
    assert machine.off()
    stop = stop_of(machine)
    assert (stop.reason, stop.rung) == ("enough for today", "full")
    assert stop.epochs > 0
    assert stop.time_in_rung_s["halted"] >= SOON["arm"]["fixed_for_s"]
    assert [entry.record.kind for entry in entries(machine.directory)] == [
        "start",
        *["rung"] * 3,
        "tells",
        "stop",
    ]
