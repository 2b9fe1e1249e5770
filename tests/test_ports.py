"""Ports, on real pseudo-terminals and pipes."""

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fenceguard.errors import BadInput
from fenceguard.receiver import ports
from fenceguard.receiver.ports import FIRST_RETRY_S, LAST_RETRY_S, SerialPort, StreamPort
from tests.conftest import Plug, sentence

BAUD = 115200
LINE = sentence("GNHDT,12.5,T")
NOBODY = 65534
SLACK_S = 0.25
"""By which a busy machine may be late."""


@pytest.fixture
def port(plug: Plug) -> Iterator[SerialPort]:
    port = SerialPort(str(plug.path), BAUD)
    yield port
    port.close()


def read_until(port: SerialPort | StreamPort, enough: Callable[[bytes], bool]) -> bytes:
    """Read in short turns until there is enough, for a few seconds at most."""
    data, end_s = b"", time.monotonic() + 3.0 * LAST_RETRY_S
    while not enough(data):
        assert time.monotonic() < end_s, f"only {data!r}; fault: {port.fault}"
        data += port.read(0.02)
    return data


def test_bytes_arrive_unchanged(plug: Plug, port: SerialPort) -> None:
    every = bytes(range(256)) + LINE
    os.write(plug.far, every)
    assert read_until(port, lambda data: len(data) >= len(every)) == every
    assert (port.fault, port.ended) == (None, False)


@pytest.mark.parametrize("timeout_s", [0.0, 0.05, 0.2])
def test_silence_takes_no_longer_than_the_timeout(port: SerialPort, timeout_s: float) -> None:
    began_s = time.monotonic()
    assert port.read(timeout_s) == b""
    assert timeout_s - 0.005 <= time.monotonic() - began_s <= timeout_s + SLACK_S
    assert port.fault is None


def test_what_has_arrived_is_not_held_back_until_the_timeout(plug: Plug, port: SerialPort) -> None:
    os.write(plug.far, LINE)
    began_s = time.monotonic()
    assert port.read(60.0) != b""
    assert time.monotonic() - began_s < 30.0


def test_pulled_and_put_in_again(plug: Plug, port: SerialPort) -> None:
    for _ in range(3):
        os.write(plug.far, LINE)
        assert read_until(port, lambda data: len(data) >= len(LINE)) == LINE
        plug.pull()
        read_until(port, lambda _: port.fault is not None)
        assert str(plug.path) in (port.fault or "")
        assert not port.ended
        plug.put_in()
        read_until(port, lambda _: port.fault is None)


def test_the_fault_says_what_keeps_it_from_being_opened_again(plug: Plug, port: SerialPort) -> None:
    plug.pull()
    read_until(port, lambda _: "lost" in (port.fault or ""))
    read_until(port, lambda _: "does not exist" in (port.fault or ""))


def test_without_a_plug_reading_neither_blocks_longer_nor_hurries(
    plug: Plug, port: SerialPort
) -> None:
    plug.pull()
    read_until(port, lambda _: port.fault is not None)
    for timeout_s in (0.0, 0.05, 0.3):
        began_s = time.monotonic()
        assert port.read(timeout_s) == b""
        assert time.monotonic() - began_s <= timeout_s + SLACK_S


def test_it_tries_again_at_growing_intervals(
    plug: Plug, port: SerialPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clock is turned by sleeping alone, so that nobody has to wait."""
    now_s = 100.0

    def sleep(seconds: float) -> None:
        nonlocal now_s
        now_s += seconds

    plug.pull()
    monkeypatch.setattr(time, "monotonic", lambda: now_s)
    monkeypatch.setattr(time, "sleep", sleep)
    tries_s = []
    opened = ports._open

    def counted(path: str, baud: int) -> object:
        tries_s.append(now_s)
        return opened(path, baud)

    monkeypatch.setattr(ports, "_open", counted)
    assert port.read(0.1) == b""
    lost_s = now_s
    while len(tries_s) < 8:
        before_s = now_s
        assert port.read(0.03) == b""
        assert now_s - before_s <= 0.03 + 1e-9
    gaps_s = [b - a for a, b in zip([lost_s, *tries_s], tries_s, strict=False)]
    assert gaps_s == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0, 2.0])
    assert (gaps_s[0], max(gaps_s)) == pytest.approx((FIRST_RETRY_S, LAST_RETRY_S))
    plug.put_in()
    while port.fault is not None:
        port.read(1.0)
    os.write(plug.far, LINE)
    while not port.read(0.1):
        pass
    plug.pull()
    tries_s.clear()
    while port.fault is None:
        port.read(0.1)
    lost_s = now_s
    while not tries_s:
        port.read(0.03)
    assert tries_s[0] - lost_s == pytest.approx(FIRST_RETRY_S)


def test_a_closed_port_can_be_opened_by_others(plug: Plug, port: SerialPort) -> None:
    port.close()
    SerialPort(str(plug.path), BAUD).close()


def test_a_port_that_does_not_exist(tmp_path: Path) -> None:
    path = str(tmp_path / "nothing")
    with pytest.raises(BadInput, match="does not exist; plug the receiver in") as caught:
        SerialPort(path, BAUD)
    assert str(caught.value).startswith(path)


def test_a_port_that_another_program_holds(plug: Plug, port: SerialPort) -> None:
    with pytest.raises(BadInput, match="is busy: another program holds it; stop that one"):
        SerialPort(str(plug.path), BAUD)
    assert port.read(0.0) == b""
    assert port.fault is None


def test_a_port_that_is_not_permitted(plug: Plug) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can make a port that it then may not use")
    device = plug.path.resolve()
    os.chown(device, 0, 0)
    device.chmod(0o600)
    os.seteuid(NOBODY)
    try:
        with pytest.raises(BadInput) as caught:
            SerialPort(str(device), BAUD)
    finally:
        os.seteuid(0)
    assert "not permitted; become a member of the group dialout" in str(caught.value)


def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(LINE)
    for path in (tmp_path / "file", tmp_path, Path(os.devnull)):
        with pytest.raises(BadInput, match="cannot be used as a serial port"):
            SerialPort(str(path), BAUD)


def test_a_speed_that_cannot_be_set(plug: Plug) -> None:
    with pytest.raises(BadInput, match="cannot be set to -1 baud"):
        SerialPort(str(plug.path), -1)


# Streams


@pytest.fixture
def pipe() -> Iterator[list[int]]:
    ends = list(os.pipe())
    yield ends
    for end in ends:
        os.close(end)


def test_a_stream_is_read_as_it_comes_and_ends(pipe: list[int]) -> None:
    port = StreamPort(pipe[0])
    assert port.read(0.0) == b""
    os.write(pipe[1], LINE)
    assert port.read(60.0) == LINE
    assert not port.ended
    os.close(pipe.pop())
    assert port.read(60.0) == b""
    assert (port.ended, port.fault) == (True, None)
    assert port.read(60.0) == b""


def test_a_silent_stream_takes_no_longer_than_the_timeout(pipe: list[int]) -> None:
    port = StreamPort(pipe[0])
    began_s = time.monotonic()
    assert port.read(0.1) == b""
    assert 0.095 <= time.monotonic() - began_s <= 0.1 + SLACK_S
    assert not port.ended


def test_a_stream_may_be_a_binary_file(tmp_path: Path) -> None:
    path = tmp_path / "recording"
    path.write_bytes(LINE * 3)
    with path.open("rb") as file:
        port = StreamPort(file)
        assert read_until(port, lambda _: port.ended) == LINE * 3


def test_a_stream_that_fails_has_ended_and_says_why(tmp_path: Path) -> None:
    directory = os.open(tmp_path, os.O_RDONLY)
    port = StreamPort(directory)
    assert port.read(1.0) == b""
    assert port.ended
    assert "cannot be read" in (port.fault or "")
    os.close(directory)


def test_a_closed_stream_is_not_read_and_stays_open_for_its_owner(pipe: list[int]) -> None:
    port = StreamPort(pipe[0])
    port.close()
    os.write(pipe[1], LINE)
    assert (port.read(0.1), port.ended) == (b"", True)
    assert os.read(pipe[0], 100) == LINE
