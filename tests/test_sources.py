"""Sources of bytes, on real pseudo-terminals and pipes."""

import errno
import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from fenceguard.errors import BadInput
from fenceguard.sources.serial_port import SerialPort
from fenceguard.sources.stream import StreamPort
from tests.support.plug import Plug
from tests.support.waiting import BAUD, LINE, SLACK_S, read_until

NOBODY = 65534


@pytest.fixture
def port(plug: Plug) -> Iterator[SerialPort]:
    port = SerialPort(str(plug.path), BAUD)
    yield port
    port.close()


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


NO_GROUP = 54321


@pytest.mark.parametrize(("group", "named"), [(0, "dialout"), (1, "daemon"), (NO_GROUP, "dialout")])
def test_a_port_that_is_not_permitted(plug: Plug, group: int, named: str) -> None:
    """The numbers of the groups are those of Debian's base-passwd."""
    if os.geteuid() != 0:
        pytest.skip("only root can make a port that it then may not use")
    device = plug.path.resolve()
    os.chown(device, 0, group)
    device.chmod(0o600)
    os.seteuid(NOBODY)
    try:
        with pytest.raises(BadInput) as caught:
            SerialPort(str(device), BAUD)
    finally:
        os.seteuid(0)
    assert f"not permitted; become a member of the group {named} and" in str(caught.value)


def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(LINE)
    for path in (tmp_path / "file", tmp_path, Path(os.devnull)):
        with pytest.raises(BadInput, match="cannot be used as a serial port"):
            SerialPort(str(path), BAUD)


def test_a_speed_that_cannot_be_set(plug: Plug) -> None:
    with pytest.raises(BadInput, match="cannot be set to -1 baud"):
        SerialPort(str(plug.path), -1)


def test_news_that_somebody_else_has_read_is_no_end(
    plug: Plug, port: SerialPort, pipe: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The moment between poll and read cannot be hit, so the read is told what it would be told."""

    def nothing_left(_fd: int, _size: int) -> bytes:
        raise BlockingIOError(errno.EAGAIN, "nothing there")

    stream = StreamPort(pipe[0])
    os.write(plug.far, LINE)
    os.write(pipe[1], LINE)
    with monkeypatch.context() as patched:
        patched.setattr(os, "read", nothing_left)
        for source in (port, stream):
            assert source.read(1.0) == b""
            assert (source.ended, source.fault) == (False, None)
    assert read_until(port, lambda data: len(data) >= len(LINE)) == LINE
    assert stream.read(1.0) == LINE


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
