"""Sources that are opened again and again, on real pseudo-terminals.

A driver that takes seconds to open or to close is hard to have. Where one is needed, the function
that opens is given to the source by the test: it opens a real pseudo-terminal, but hangs in the
kernel first, as such a driver does, in `open` on a FIFO that has no writer.
"""

import contextlib
import os
import threading
import time
from itertools import pairwise
from pathlib import Path

import pytest
import serial

from fenceguard.errors import BadInput
from fenceguard.sources.reopening import (
    CLOSE_S,
    FIRST_RETRY_S,
    LAST_RETRY_S,
    SLOW_S,
    Device,
    Pauses,
    Reopening,
)
from fenceguard.sources.source import Source
from tests.support.plug import Plug
from tests.support.waiting import BAUD, LINE, PATIENCE_S, SLACK_S, is_closed, read_until, until


def test_pauses_double_up_to_the_longest_and_begin_again_once_it_has_worked() -> None:
    pauses = Pauses()
    for _ in range(2):
        pauses_s = [pauses.next_s() for _ in range(8)]
        assert pauses_s == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0, 2.0])
        assert (pauses_s[0], max(pauses_s)) == (FIRST_RETRY_S, LAST_RETRY_S)
        pauses.begin_again()


class Opener:
    """Opens the plug as a serial port, and notes when; refuses as often as it is told."""

    def __init__(self, plug: Plug) -> None:
        self.plug = plug
        self.refusals = 0
        self.tries_s: list[float] = []
        self.fds: list[int] = []

    def __call__(self) -> Device:
        self.tries_s.append(time.monotonic())
        if self.refusals:
            self.refusals -= 1
            raise BadInput("receiver: not yet")
        port = serial.Serial(str(self.plug.path), BAUD, timeout=0, exclusive=True)
        self.fds.append(port.fileno())
        self.port = port
        return port

    def pauses_s(self) -> list[float]:
        return [later - earlier for earlier, later in pairwise(self.tries_s)]


def test_it_tries_again_at_growing_intervals_until_bytes_come(plug: Plug) -> None:
    """A busy machine may make a pause longer, never shorter."""
    opener = Opener(plug)
    with contextlib.closing(Reopening("receiver", opener)) as port:
        opener.refusals = 3
        plug.pull()
        read_until(port, lambda _: port.fault == "receiver: not yet")
        plug.put_in()
        read_until(port, lambda _: port.fault is None)
        for pause_s, least_s in zip(opener.pauses_s()[1:], [0.2, 0.4, 0.8], strict=True):
            assert pause_s >= least_s
        os.write(plug.far, LINE)
        read_until(port, lambda data: len(data) >= len(LINE))
        lost_s = time.monotonic()
        plug.pull()
        plug.put_in()
        read_until(port, lambda _: len(opener.tries_s) == 6)
        assert opener.tries_s[-1] - lost_s < 1.6, "bytes had come, so the pauses begin again"


def test_a_plug_that_hangs_up_at_once_every_time_is_not_hurried_after(plug: Plug) -> None:
    """It can be opened, and no byte ever comes: the pauses grow all the same."""
    opener = Opener(plug)
    with contextlib.closing(Reopening("receiver", opener)) as port:
        for number in range(1, 4):
            plug.pull()
            plug.put_in()
            read_until(port, lambda _, number=number: len(opener.tries_s) > number)  # type: ignore[misc]
        for pause_s, least_s in zip(opener.pauses_s(), [0.1, 0.2, 0.4], strict=True):
            assert pause_s >= least_s


def test_whatever_an_opening_raises_is_told_and_it_is_tried_again(plug: Plug) -> None:
    opener = Opener(plug)
    errors = [ZeroDivisionError("nobody thought of that"), OSError("nor of that")]

    def open_device() -> Device:
        if opener.tries_s and errors:
            raise errors.pop()
        return opener()

    with contextlib.closing(Reopening("receiver", open_device)) as port:
        plug.pull()
        read_until(port, lambda _: port.fault == "receiver: cannot be opened: nor of that")
        read_until(port, lambda _: "nobody thought of that" in (port.fault or ""))
        plug.put_in()
        read_until(port, lambda _: port.fault is None)


def test_what_a_first_opening_raises_is_bad_input() -> None:
    def open_device() -> Device:
        raise ZeroDivisionError("nobody thought of that")

    with pytest.raises(BadInput, match=r"^receiver: cannot be opened: nobody thought of that$"):
        Reopening("receiver", open_device)


def test_a_port_whose_reading_fails_is_lost_and_closed(tmp_path: Path) -> None:
    """A directory can be opened and polled, and every read of it fails."""

    class Directory:
        def __init__(self) -> None:
            self.fd = os.open(tmp_path, os.O_RDONLY)
            fds.append(self.fd)

        def fileno(self) -> int:
            return self.fd

        def close(self) -> None:
            os.close(self.fd)

    fds: list[int] = []
    port = Reopening("receiver", Directory)
    assert port.read(1.0) == b""
    assert (port.fault or "").startswith("receiver: lost ([Errno 21] Is a directory); is the ")
    port.close()
    assert all(map(is_closed, fds))


# Drivers that are slow


class Gate:
    """A FIFO: while it has no writer, whoever opens it to read hangs in the kernel."""

    def __init__(self, path: Path) -> None:
        os.mkfifo(path)
        self.path = path
        self.waiting = threading.Event()

    def wait(self) -> None:
        """Hang until the gate is opened."""
        self.waiting.set()
        os.close(os.open(self.path, os.O_RDONLY))

    def open(self) -> None:
        """Let the one go on that hangs or is just about to."""
        assert self.waiting.wait(PATIENCE_S)
        self.waiting.clear()
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            with contextlib.suppress(OSError):  # ENXIO while nobody has it open to read
                os.close(os.open(self.path, os.O_WRONLY | os.O_NONBLOCK))
                return
            time.sleep(0.001)
        raise AssertionError("nobody waits at the gate")


@pytest.fixture
def gate(tmp_path: Path) -> Gate:
    return Gate(tmp_path / "gate")


class SlowToOpen(Opener):
    """A driver that takes until the gate opens to open a port."""

    def __init__(self, plug: Plug, gate: Gate) -> None:
        super().__init__(plug)
        self.gate = gate

    def __call__(self) -> Device:
        self.gate.wait()
        return super().__call__()


class SlowToClose(Opener):
    """A driver that takes until the gate opens to let go of a port."""

    def __init__(self, plug: Plug, gate: Gate) -> None:
        super().__init__(plug)
        self.gate = gate

    def __call__(self) -> Device:
        super().__call__()
        return self

    def fileno(self) -> int:
        return self.fds[-1]

    def close(self) -> None:
        self.gate.wait()
        self.port.close()


def returns_nothing_in_time(port: Source) -> None:
    for timeout_s in (0.0, 0.05, 0.2):
        began_s = time.monotonic()
        assert port.read(timeout_s) == b""
        assert timeout_s - 0.005 <= time.monotonic() - began_s <= timeout_s + SLACK_S


def test_a_first_opening_that_is_slow_holds_up_nobody_and_is_told(plug: Plug, gate: Gate) -> None:
    opener = SlowToOpen(plug, gate)
    began_s = time.monotonic()
    with contextlib.closing(Reopening("receiver", opener)) as port:
        assert time.monotonic() - began_s <= SLOW_S + SLACK_S
        returns_nothing_in_time(port)
        assert (port.fault or "").startswith("receiver: is still being opened; ")
        assert not port.ended
        gate.open()
        read_until(port, lambda _: port.fault is None)
        os.write(plug.far, LINE)
        assert read_until(port, lambda data: len(data) >= len(LINE)) == LINE
    assert len(opener.tries_s) == 1


def test_a_first_opening_that_fails_late_is_told_and_tried_again(plug: Plug, gate: Gate) -> None:
    opener = SlowToOpen(plug, gate)
    opener.refusals = 1
    with contextlib.closing(Reopening("receiver", opener)) as port:
        gate.open()
        read_until(port, lambda _: port.fault == "receiver: not yet")
        gate.open()
        read_until(port, lambda _: port.fault is None)


def test_an_opening_again_that_is_slow_holds_up_nobody_and_is_told(plug: Plug, gate: Gate) -> None:
    opener = SlowToOpen(plug, gate)
    threading.Thread(target=gate.open).start()
    with contextlib.closing(Reopening("receiver", opener)) as port:
        assert port.fault is None
        plug.pull()
        read_until(port, lambda _: port.fault is not None)
        assert "lost" in (port.fault or "")
        returns_nothing_in_time(port)
        read_until(port, lambda _: "is still being opened" in (port.fault or ""))
        returns_nothing_in_time(port)
        plug.put_in()
        gate.open()
        read_until(port, lambda _: port.fault is None)
        os.write(plug.far, LINE)
        assert read_until(port, lambda data: len(data) >= len(LINE)) == LINE


def test_a_port_that_is_ready_is_read_at_once(plug: Plug, gate: Gate) -> None:
    """Whoever reads waits for the opening, not for the end of the timeout."""
    with contextlib.closing(Reopening("receiver", SlowToOpen(plug, gate))) as port:

        def open_and_send() -> None:
            gate.open()
            until(lambda: port.fault is None)
            os.write(plug.far, LINE)

        threading.Thread(target=open_and_send).start()
        began_s = time.monotonic()
        assert port.read(60.0) != b""
        assert time.monotonic() - began_s < 30.0


def test_a_port_that_is_ready_late_leaves_the_reader_what_is_left_of_the_timeout(
    plug: Plug, gate: Gate
) -> None:
    with contextlib.closing(Reopening("receiver", SlowToOpen(plug, gate))) as port:
        threading.Timer(0.6, gate.open).start()
        began_s = time.monotonic()
        assert port.read(1.0) == b""
        assert 0.995 <= time.monotonic() - began_s <= 1.0 + SLACK_S
        assert port.fault is None


def test_a_reader_without_a_port_takes_no_time_of_the_processor(plug: Plug, gate: Gate) -> None:
    with contextlib.closing(Reopening("receiver", SlowToOpen(plug, gate))) as port:
        before_s = time.thread_time()
        assert port.read(0.5) == b""
        assert time.thread_time() - before_s < 0.05
        gate.open()


def test_a_port_that_is_open_only_after_the_end_is_closed(plug: Plug, gate: Gate) -> None:
    opener = SlowToOpen(plug, gate)
    port = Reopening("receiver", opener)
    began_s = time.monotonic()
    port.close()
    assert time.monotonic() - began_s <= CLOSE_S + SLACK_S
    assert port.read(60.0) == b""
    assert port.ended
    gate.open()
    until(lambda: bool(opener.fds))
    until(lambda: is_closed(opener.fds[0]))
    assert len(opener.tries_s) == 1


def test_the_end_waits_for_a_port_to_be_closed_if_that_takes_but_a_moment(
    plug: Plug, gate: Gate
) -> None:
    opener = SlowToClose(plug, gate)
    port = Reopening("receiver", opener)
    threading.Timer(CLOSE_S / 5.0, gate.open).start()
    port.close()
    assert is_closed(opener.fds[0])


def test_a_slow_closing_holds_up_neither_reader_nor_end(plug: Plug, gate: Gate) -> None:
    opener = SlowToClose(plug, gate)
    port = Reopening("receiver", opener)
    fd = opener.fds[0]
    plug.pull()
    read_until(port, lambda _: port.fault is not None)
    returns_nothing_in_time(port)
    assert "lost" in (port.fault or "")
    assert len(opener.tries_s) == 1, "one at a time: closed first, then opened again"
    began_s = time.monotonic()
    port.close()
    assert time.monotonic() - began_s <= CLOSE_S + SLACK_S
    assert not is_closed(fd)
    gate.open()
    until(lambda: is_closed(fd))
