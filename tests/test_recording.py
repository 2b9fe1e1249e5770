"""Recordings: what was put in comes out, in order and whole, or it is said what does not."""

import gzip
import json
import time
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.appending.place import AppendedFile
from fenceguard.errors import BadInput
from fenceguard.recording import events, write
from fenceguard.recording.events import RESOLUTION_S, rounded_s
from fenceguard.recording.names import recording_files
from fenceguard.recording.read import (
    Arrived,
    Event,
    Missed,
    NextRun,
    Sensed,
    Started,
    Stopped,
    Torn,
    arrivals,
    is_recording,
)
from fenceguard.recording.write import Recorder
from tests.support.nmea import sentence
from tests.support.waiting import eventually

GST = sentence("GNGST,120000.00,0.02,,,,0.01,0.01,0.02")
HEADER = {"settings_hash": "0123456789abcdef", "fence_hash": "fedcba9876543210"}
HEAD = {"recording": 1, "run": 1, "before": 0}


def recorded(directory: Path, count: int, first_s: float = 0.0, **more: Any) -> list[Event]:
    """Record a run with so many arrivals; returns what must come out."""
    recorder = Recorder(directory, **more)
    recorder.start(first_s, HEADER)
    for number in range(count):
        recorder.arrived(first_s + number, GST)
    recorder.inputs(first_s + count, {"reset": True, "lift": False})
    recorder.stop(first_s + count + 1, "SIGTERM")
    recorder.close()
    assert (recorder.unwritten, recorder.trouble) == (0, None)
    arrived = [Arrived(first_s + number, GST) for number in range(count)]
    return [
        Started(first_s, HEADER),
        *arrived,
        Sensed(first_s + count, {"reset": True, "lift": False}),
        Stopped(first_s + count + 1, "SIGTERM"),
    ]


def packed(path: Path, *lines: Any) -> Path:
    """A file as another hand may write it."""
    text = "".join(line if isinstance(line, str) else json.dumps(line) + "\n" for line in lines)
    path.write_bytes(gzip.compress(text.encode()))
    return path


def read(*paths: Path) -> list[Event]:
    return [event for event in arrivals(paths) if not isinstance(event, NextRun)]


# There and back


def test_what_was_recorded_is_given_back(tmp_path: Path) -> None:
    wanted = recorded(tmp_path, 20)
    (file,) = recording_files(tmp_path)
    assert read(file) == wanted
    assert is_recording(file)


def test_each_run_begins_a_file_and_numbers_go_on(tmp_path: Path) -> None:
    wanted = recorded(tmp_path, 3, 100.0) + recorded(tmp_path, 2, 5.0)
    files = recording_files(tmp_path)
    assert [file.name[:7] for file in files] == ["000001-", "000002-"]
    assert read(*files) == wanted


def test_files_are_in_the_order_of_their_numbers_whatever_the_clock_was(tmp_path: Path) -> None:
    names = [
        "000009-20300101T000000.jsonl.gz",
        "000010-19700101T000000.jsonl.gz",
        "1000000-19700101T000000.jsonl.gz",
    ]
    for name in [*reversed(names), "000000-19700101T000000.jsonl.gz", "x.jsonl.gz"]:
        (tmp_path / name).write_bytes(b"")
    assert [file.name for file in recording_files(tmp_path)] == names


@given(st.floats(0.0, 1e8))
def test_a_time_comes_back_as_it_was_rounded(at_s: float) -> None:
    rounded = rounded_s(at_s)
    assert json.loads(json.dumps(rounded)) == rounded == rounded_s(rounded)
    assert abs(rounded - at_s) <= RESOLUTION_S / 2 + 1e-8


# Rotation and cap


def test_a_new_file_is_begun_past_its_size_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(write, "FLUSH_S", 0.0)
    wanted = recorded(tmp_path, 150, file_mib=400 / write.MIB)
    files = recording_files(tmp_path)
    assert len(files) > 3
    sizes = [file.stat().st_size for file in files[:-1]]
    # The file goes on until it is past its size, then one flush and the end of gzip's come to it.
    assert all(400 <= size < 400 + 200 for size in sizes)
    assert read(*files) == wanted
    begins, first, *_ = arrivals(files[2:])
    assert begins == NextRun(0.0, wanted.index(first))
    assert read(files[0], *files[2:])[len(read(files[0]))] == Missed(
        read(files[0])[-1].at_s, len(read(files[1]))
    )
    with pytest.raises(BadInput, match="belongs before the file ahead of it"):
        read(files[2], files[1])


@pytest.mark.parametrize(("spare", "files"), [(-1, 2), (0, 2), (1, 1)])
def test_a_file_that_has_its_size_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spare: int, files: int
) -> None:
    monkeypatch.setattr(write, "FLUSH_S", 0.0)

    def record(directory: Path, file_bytes: int) -> int:
        """Record two arrivals; returns the size of the file after the first."""
        recorder = Recorder(directory, file_mib=file_bytes / write.MIB)
        recorder.arrived(0.0, GST)
        assert eventually(
            lambda: recording_files(directory) and recording_files(directory)[0].stat().st_size, 3.0
        )
        size = recording_files(directory)[0].stat().st_size
        recorder.arrived(1.0, GST)
        recorder.close()
        return size

    record(tmp_path / "two", record(tmp_path / "one", write.MIB) + spare)
    assert len(recording_files(tmp_path / "two")) == files


@pytest.mark.parametrize(("cap_bytes", "left"), [(2999, 2), (3000, 3), (3001, 3), (0, 1)])
def test_the_oldest_go_until_there_is_room_for_a_full_file(
    tmp_path: Path, cap_bytes: int, left: int
) -> None:
    """Four old files of 1000 bytes, and a new one that may become as long."""
    for number in range(1, 5):
        (tmp_path / f"{number:06}-20270101T000000.jsonl.gz").write_bytes(b"x" * 1000)
    recorded(tmp_path, 1, cap_gib=cap_bytes / write.GIB, file_mib=1000 / write.MIB)
    files = recording_files(tmp_path)
    assert [int(file.name[:6]) for file in files] == list(range(6 - left, 6))


def test_what_is_lost_while_the_disk_does_not_take_it_is_told_in_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(write, "WAITING", 3)
    monkeypatch.setattr(write, "FLUSH_S", 0.0)
    recorder = Recorder(tmp_path, file_mib=1 / write.MIB)
    recorder.arrived(0.0, GST)
    assert eventually(lambda: recording_files(tmp_path), 3.0)

    def full(_file: Any, _data: bytes) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(AppendedFile, "append", full)
        for number in range(1, 31):
            recorder.arrived(float(number), GST)
            if number == 1:
                assert eventually(lambda: recorder.trouble, 3.0)
    assert eventually(lambda: recorder.trouble is None, 3.0)
    recorder.arrived(31.0, GST)
    dropped = recorder.unwritten
    recorder.close()
    assert dropped > 20
    events = read(*recording_files(tmp_path))
    missed = [event for event in events if isinstance(event, Missed)]
    assert sum(event.events for event in missed) == recorder.unwritten
    assert len(events) - len(missed) + recorder.unwritten == 32
    assert events[-1] == Arrived(31.0, GST)


def test_the_wear_is_told_after_a_minute(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock_s = 1000.0
    monkeypatch.setattr(time, "monotonic", lambda: clock_s)
    recorder = Recorder(tmp_path)
    recorder.arrived(0.0, GST)
    recorder.close()
    (file,) = recording_files(tmp_path)
    clock_s += 59.9
    assert recorder.bytes_an_hour is None
    clock_s = 1060.0
    assert recorder.bytes_an_hour == file.stat().st_size * 60.0


def test_a_time_that_is_none_is_counted_and_the_rest_goes_on(tmp_path: Path) -> None:
    recorder = Recorder(tmp_path)
    recorder.arrived(float("nan"), GST)
    recorder.arrived(1.0, GST)
    recorder.close()
    assert recorder.unwritten == 1
    assert read(*recording_files(tmp_path)) == [Missed(0.0, 1), Arrived(1.0, GST)]


# What a power cut leaves


def test_a_cut_at_any_byte_costs_no_more_than_what_was_not_flushed(tmp_path: Path) -> None:
    wanted = recorded(tmp_path, 40)
    (file,) = recording_files(tmp_path)
    content = file.read_bytes()
    lengths = set()
    for cut in range(len(content)):
        file.write_bytes(content[:cut])
        *events, torn = read(file)
        assert isinstance(torn, Torn)
        assert str(file) in torn.text and "as after a power cut" in torn.text
        assert events == wanted[: len(events)]
        assert torn.at_s == (events[-1].at_s if events else 0.0)
        lengths.add(len(events))
    assert max(lengths) == len(wanted)
    more = recorded(tmp_path, 2)
    assert read(*recording_files(tmp_path)) == [*events, torn, *more]


def test_a_run_of_nothing_leaves_no_file(tmp_path: Path) -> None:
    Recorder(tmp_path).close()
    assert recording_files(tmp_path) == []


# Damage


def test_any_byte_changed_is_noticed(tmp_path: Path) -> None:
    """By gzip's own check (RFC 1952), at its end at the latest; all before is handed out."""
    wanted = recorded(tmp_path, 10)
    (file,) = recording_files(tmp_path)
    content = file.read_bytes()
    # Bytes 3 to 9 are flags, time, extra flags and system, which change nothing of the content.
    for at in [0, 1, 2, *range(10, len(content))]:
        file.write_bytes(content[:at] + bytes([content[at] ^ 0x10]) + content[at + 1 :])
        events: list[Event] = []
        try:
            for event in arrivals([file]):
                events.append(event)
        except BadInput as error:
            assert str(file) in str(error)
        else:
            # Or it changed nothing, as in the bits that fill up a byte.
            assert events[1:] == wanted or isinstance(events[-1], Torn)
    file.write_bytes(content + b"x")
    with pytest.raises(BadInput, match="damaged or no recording"):
        read(file)
    file.write_bytes(content)
    assert read(file) == wanted


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("not JSON\n", "line 2 is not as it was written"),
        ("[" * 100_000 + "\n", "line 2 is not as it was written"),
        ([], "no event of a recording"),
        ({"at": 1.0}, "no event of a recording"),
        ({"at": "1", "stop": "x"}, "no event of a recording"),
        ({"at": 1e999, "stop": "x"}, "no event of a recording"),
        ({"at": 1.0, "data": [0]}, "no event of a recording"),
        ({"at": 1.0, "data": [-1]}, "no event of a recording"),
        ({"at": 1.0, "data": [True]}, "no event of a recording"),
        ({"at": 1.0, "data": ["ä"]}, "no event of a recording"),
        ({"at": 1.0, "data": [1.5]}, "no event of a recording"),
        ({"at": 1.0, "data": "x"}, "no event of a recording"),
        ({"at": 1.0, "inputs": {"reset": "down"}}, "no event of a recording"),
        ({"at": 1.0, "inputs": {"wheel_mps": 1e10}}, "no event of a recording"),
        ({"at": 1.0, "inputs": {"wheel_mps": -1e999}}, "no event of a recording"),
        ('{"at": 1.0, "inputs": {"wheel_mps": NaN}}\n', "no event of a recording"),
        ({"at": 1.0, "stop": "x", "more": 1}, "no event of a recording"),
        ({"missed": 0}, "no event of a recording"),
        ({"missed": 1, "at": 1.0}, "no event of a recording"),
        ({"at": -0.001, "stop": "x"}, "goes back in time from 0.0 to -0.001 s"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_a_line_that_nobody_wrote_is_refused(tmp_path: Path, line: Any, said: str) -> None:
    file = packed(tmp_path / "a", HEAD, line)
    with pytest.raises(BadInput) as refused:
        read(file)
    assert said in str(refused.value) and str(file) in str(refused.value)
    assert "get another copy or leave it out" in str(refused.value)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ({"recording": 2, "run": 1, "before": 0}, "version 2 is not read here, only 1"),
        ({"recording": 1}, "not the first line"),
        ({"recording": 1, "run": 1, "before": -1}, "not the first line"),
        ({"at": 1.0, "stop": "x"}, "not the first line"),
    ],
)
def test_a_first_line_of_something_else_is_refused(tmp_path: Path, head: Any, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        read(packed(tmp_path / "a", head))


def test_a_time_may_stay_and_goes_back_only_with_a_new_start(tmp_path: Path) -> None:
    events = [{"at": 5.0, "stop": "x"}, {"at": 5, "stop": "y"}, {"at": 1.0, "start": {}}]
    file = packed(tmp_path / "a", HEAD, *events)
    assert [event.at_s for event in read(file)] == [5.0, 5.0, 1.0]


def test_another_run_is_not_taken_for_the_one_before(tmp_path: Path) -> None:
    """Both have had one event: only the number of the run tells them apart."""
    one = packed(tmp_path / "a", HEAD, {"at": 5.0, "stop": "x"})
    other = packed(tmp_path / "b", {**HEAD, "run": 2, "before": 1}, {"at": 1.0, "stop": "y"})
    first, second = [NextRun(0.0, 0), Stopped(5.0, "x")], [NextRun(0.0, 1), Stopped(1.0, "y")]
    assert list(arrivals([one, other])) == [*first, *second]


def test_a_run_that_begins_is_not_taken_for_one_of_the_same_number(tmp_path: Path) -> None:
    """As in a directory that was cleared away meanwhile."""
    one = packed(tmp_path / "a", HEAD, {"at": 5.0, "stop": "x"})
    other = packed(tmp_path / "b", HEAD, {"at": 1.0, "stop": "y"})
    first, second = [NextRun(0.0, 0), Stopped(5.0, "x")], [NextRun(0.0, 0), Stopped(1.0, "y")]
    assert list(arrivals([one, other])) == [*first, *second]


@pytest.mark.parametrize("rest", [b"x", b"\x1f\x8b"])
def test_bytes_behind_the_end_are_damage(tmp_path: Path, rest: bytes) -> None:
    file = packed(tmp_path / "a", HEAD)
    file.write_bytes(file.read_bytes() + rest)
    with pytest.raises(BadInput, match="more behind its end"):
        read(file)


@pytest.mark.parametrize("end", ["", "\n"])
def test_a_line_without_an_end_is_damage(tmp_path: Path, end: str) -> None:
    file = packed(tmp_path / "a", HEAD, "x" * (3 << 20) + end)
    with pytest.raises(BadInput, match=r"without an end|not as it was written"):
        read(file)
    with pytest.raises(BadInput, match="more behind its end"):
        read(packed(tmp_path / "a", HEAD, "{"))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read: No such file or directory; check name"):
        read(tmp_path / "a")


def test_what_is_a_recording_is_known_by_its_content(tmp_path: Path) -> None:
    assert is_recording(packed(tmp_path / "a", HEAD))
    for number, content in enumerate(
        [b"", GST, gzip.compress(GST), b"\x1f\x8bx", zlib.compress(b'{"recording": 1}')]
    ):
        file = tmp_path / str(number)
        file.write_bytes(content)
        assert not is_recording(file), content


@pytest.mark.parametrize("where", ["file", "file/recording"])
def test_a_directory_that_cannot_be_made_is_refused(tmp_path: Path, where: str) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match=r"the recording cannot be written there: .*; name a dir"):
        Recorder(tmp_path / where)


def test_what_was_recorded_is_forced_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the file ends as gzip wants it: that end is all that may be missing."""
    calls: list[str] = []
    append, sync = AppendedFile.append, AppendedFile.sync

    def appended(file: AppendedFile, data: bytes) -> None:
        calls.append("append")
        append(file, data)

    def synced(file: AppendedFile) -> None:
        calls.append("sync")
        sync(file)

    monkeypatch.setattr(AppendedFile, "append", appended)
    monkeypatch.setattr(AppendedFile, "sync", synced)
    recorder = Recorder(tmp_path)
    recorder.start(0.0, {})
    recorder.close()
    assert calls == ["append", "sync", "append"]


@pytest.mark.parametrize(
    ("at_s", "held_s"), [(1.2344, 1.234), (1.2346, 1.235), (1.234, 1.234), (86400.0004, 86400.0)]
)
def test_times_are_rounded_to_the_resolution(at_s: float, held_s: float) -> None:
    assert events.rounded_s(at_s) == held_s
    assert abs(at_s - held_s) <= events.RESOLUTION_S / 2.0
