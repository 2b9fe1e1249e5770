"""Journal and recording on disks that go away, fill up or hang: told soon, and in nobody's way.

Each fault is told within 3 s, which is what the two were built for; the disks are real ones.
"""

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fenceguard.appending import thread
from fenceguard.errors import BadInput
from fenceguard.journal.read import fence_bytes, hashed
from fenceguard.journal.records import Entry, Summary
from fenceguard.journal.verify import verify
from fenceguard.journal.write import Journal
from fenceguard.recording import write as recording
from fenceguard.recording.names import recording_files
from fenceguard.recording.read import Arrived, Event, Missed, Started, Stopped, Torn, arrivals
from fenceguard.recording.write import Recorder
from tests.support.disks import HangingDisk, fill
from tests.support.journals import TOTALS, entry, written
from tests.support.nmea import sentence
from tests.support.waiting import eventually

TOLD_WITHIN_S = 3.0
NOON_S = datetime(2027, 5, 4, 12, 0, 0, tzinfo=UTC).timestamp()
LINE = sentence("GNGST,120000.00,0.02,,,,0.01,0.01,0.02")


class Memory:
    """What a journal and a recorder have in common, to put both through the same faults."""

    def __init__(self, kind: str, directory: Path) -> None:
        self.name = kind
        self.directory = directory
        self.writer: Journal | Recorder = (
            Journal(directory) if kind == "journal" else Recorder(directory)
        )
        self.added = 0

    def add(self, pad: str = "") -> None:
        number, self.added = self.added, self.added + 1
        if isinstance(self.writer, Journal):
            told = entry("summary", float(number), NOON_S + number, epochs=number, digest=pad)
            self.writer.add(told)
        else:
            self.writer.arrived(float(number), LINE + pad.encode())

    def add_much(self) -> None:
        """More than the last block of a full disk takes, less than there is when it has room."""
        for _ in range(100):
            self.add("$" + random.randbytes(40).hex())

    def held(self, directory: Path | None = None) -> list[int]:
        """The numbers of what is on the disk."""
        if self.name == "journal":
            return [record["epochs"] for record in written(directory or self.directory)]
        events = arrivals(recording_files(directory or self.directory))
        return [int(event.at_s) for event in events if isinstance(event, Arrived)]

    def sound(self, directory: Path | None = None) -> bool:
        """Whether what is on the disk can be read, and lacks nothing that it does not tell."""
        if self.name == "journal":
            return verify(directory or self.directory).faults == []
        return self.held(directory) is not None

    def written(self, count: int) -> bool:
        files = list(self.directory.glob("*.jsonl*"))
        return bool(files) and eventually(lambda: len(self.held()) >= count, 3.0)

    def told(self, text: str) -> bool:
        return eventually(lambda: text in (self.writer.trouble or ""), TOLD_WITHIN_S)

    def over(self) -> bool:
        ended = eventually(lambda: self.writer.trouble is None, TOLD_WITHIN_S)
        assert ended, self.writer.trouble
        return ended


@pytest.fixture(params=["journal", "recording"])
def kind(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(recording, "FLUSH_S", 0.1)
    return str(request.param)


@pytest.fixture
def opened(kind: str) -> Iterator[Callable[[Path], Memory]]:
    memories: list[Memory] = []

    def opened(directory: Path) -> Memory:
        memories.append(Memory(kind, directory))
        return memories[-1]

    yield opened
    for memory in memories:
        memory.writer.close()


Opened = Callable[[Path], Memory]


# Removed and moved


@pytest.mark.parametrize("idle", [False, True], ids=["writing", "with nothing to write"])
def test_a_directory_that_is_removed_is_told_and_made_anew(
    opened: Opened, tmp_path: Path, idle: bool
) -> None:
    memory = opened(tmp_path / "memory")
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    shutil.rmtree(memory.directory)
    if not idle:
        memory.add()
    assert memory.told("is not where it was")
    assert "was removed or moved" in (memory.writer.trouble or "") or idle
    if idle:
        memory.add()
    assert memory.over()
    memory.add()
    memory.writer.close()
    assert memory.held() == [1, 2]
    assert memory.sound()
    assert memory.writer.unwritten == 0


def test_a_directory_that_is_moved_keeps_what_it_held_and_the_rest_goes_on(
    opened: Opened, tmp_path: Path
) -> None:
    memory = opened(tmp_path / "memory")
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    moved = memory.directory.rename(tmp_path / "moved")
    memory.add()
    assert memory.told("is not where it was")
    assert memory.over()
    memory.writer.close()
    assert (memory.held(moved), memory.held()) == ([0], [1])
    assert memory.sound(moved) and memory.sound()


def test_a_journal_in_a_new_place_goes_on_with_chain_and_fence(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal")
    journal.keep_fence(hashed(b"fence"), b"fence")
    journal.add(entry("summary", 0.0, NOON_S))
    assert eventually(lambda: list(tmp_path.glob("journal/*.jsonl")), 3.0)
    shutil.rmtree(tmp_path / "journal")
    journal.add(entry("summary", 1.0, NOON_S))
    journal.close()
    (record,) = written(tmp_path / "journal")
    assert record["seq"] == 2
    assert fence_bytes(tmp_path / "journal", hashed(b"fence")) == b"fence"
    earlier = verify(tmp_path / "journal").earlier
    assert earlier is not None and "begins with record 2" in earlier


def test_a_recording_in_a_new_place_tells_how_much_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "FLUSH_S", 0.1)
    recorder = Recorder(tmp_path / "recording")
    recorder.start(0.0, {})
    recorder.arrived(1.0, LINE)
    assert eventually(
        lambda: [path.stat().st_size for path in recording_files(tmp_path / "recording")], 3.0
    )
    shutil.rmtree(tmp_path / "recording")
    recorder.arrived(2.0, LINE)
    recorder.close()
    (file,) = recording_files(tmp_path / "recording")
    assert file.name.startswith("000002-")
    assert list(arrivals([file])) == [Missed(0.0, 2), Arrived(2.0, LINE)]


@pytest.mark.parametrize("harm", ["removed", "cut short", "replaced"])
def test_a_file_that_is_changed_under_the_hand_is_told_and_a_new_one_begun(
    opened: Opened, tmp_path: Path, harm: str
) -> None:
    memory = opened(tmp_path)
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    (file,) = tmp_path.glob("*.jsonl*")
    content = file.read_bytes()
    if harm == "removed":
        file.unlink()
    elif harm == "replaced":
        other = tmp_path / "other"
        other.write_bytes(content)
        other.replace(file)
    else:
        os.truncate(file, len(content) - 1)
    memory.add()
    assert memory.told("was cut short" if harm == "cut short" else "was removed or moved")
    assert memory.over()
    memory.writer.close()
    assert memory.writer.unwritten == 0
    assert memory.held()[-1] == 1
    assert len(list(tmp_path.glob("*.jsonl*"))) == (1 if harm == "removed" else 2)


def test_a_place_that_another_took_meanwhile_is_left_alone(opened: Opened, tmp_path: Path) -> None:
    """Whoever removes the lock lets a second writer in: then one of them has to wait."""
    first = opened(tmp_path / "memory")
    first.add()
    shutil.rmtree(first.directory)
    second = opened(tmp_path / "memory")
    first.add()
    assert first.told("another fenceguard writes there")
    second.add()
    second.writer.close()
    assert first.over()
    first.writer.close()
    assert (first.writer.unwritten, second.writer.unwritten) == (0, 0)


def test_two_writers_are_refused(opened: Opened, kind: str, tmp_path: Path) -> None:
    opened(tmp_path)
    with pytest.raises(BadInput, match=f"another fenceguard writes this {kind}; stop it first"):
        opened(tmp_path)


# Full


def test_a_disk_that_is_full_at_the_start_is_refused(opened: Opened, small_disk: Path) -> None:
    fill(small_disk)
    with pytest.raises(BadInput, match=r"No space left on device.*disk with space left"):
        opened(small_disk)


def test_a_disk_that_fills_up_costs_nothing_once_there_is_room(
    opened: Opened, small_disk: Path
) -> None:
    memory = opened(small_disk)
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    filler = fill(small_disk)
    memory.add_much()
    assert memory.told("No space left on device")
    filler.unlink()
    assert memory.over()
    memory.writer.close()
    assert memory.held() == list(range(memory.added))
    assert memory.sound()
    assert memory.writer.unwritten == 0


def test_what_a_full_disk_did_not_take_is_counted_at_the_end(
    opened: Opened, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thread, "END_S", 0.1)
    monkeypatch.setattr(thread, "RETRY_S", 0.05)
    memory = opened(small_disk)
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    fill(small_disk)
    memory.add_much()
    memory.writer.close()
    assert memory.writer.unwritten > 0
    assert len(memory.held()) + memory.writer.unwritten == memory.added
    assert "No space left on device" in (memory.writer.trouble or "")


# Hanging


def test_a_disk_that_hangs_is_told_and_holds_nobody(
    opened: Opened, hanging_disk: HangingDisk
) -> None:
    memory = opened(hanging_disk.path / "memory")
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    hanging_disk.hang()
    for _ in range(100):
        memory.add()
    assert memory.told(f"the {memory.name} hangs: the disk does not answer")
    assert hanging_disk.hangs and not hanging_disk.gave_up
    memory.add()
    hanging_disk.answer()
    assert memory.over()
    memory.writer.close()
    assert memory.held() == list(range(102))
    assert memory.sound()


def test_a_disk_that_hangs_at_the_end_holds_up_nobody(
    opened: Opened, hanging_disk: HangingDisk
) -> None:
    memory = opened(hanging_disk.path / "memory")
    memory.add()
    assert eventually(lambda: memory.written(1), 3.0)
    hanging_disk.hang()
    memory.add()
    memory.add()
    memory.writer.close()
    assert hanging_disk.hangs and not hanging_disk.gave_up
    assert memory.writer.unwritten == 2
    assert "hangs" in (memory.writer.trouble or "")
    hanging_disk.answer()
    assert eventually(lambda: memory.writer.unwritten == 0, 3.0)


# A thread that raises


def test_one_that_cannot_be_put_together_is_told_and_counted_and_the_rest_goes_on(
    opened: Opened, tmp_path: Path
) -> None:
    class Odd:
        def __str__(self) -> str:
            raise KeyError("odd")

    memory = opened(tmp_path)
    memory.add()
    if isinstance(memory.writer, Journal):
        memory.writer.add(Entry(1.0, NOON_S, Summary(**{**TOTALS, "rung": Odd()})))
    else:
        memory.writer.start(1.0, {"odd": Odd()})
    memory.add()
    assert memory.told("could not be put together")
    assert memory.over()
    assert memory.writer.unwritten == 1
    memory.writer.close()
    assert memory.held() == [0, 1]
    if memory.name == "journal":
        assert [record.get("dropped") for record in written(tmp_path)] == [None, 1]
    else:
        events = list(arrivals(recording_files(tmp_path)))
        assert events == [Arrived(0.0, LINE), Missed(0.0, 1), Arrived(1.0, LINE)]


@pytest.mark.parametrize("call", ["write", "sync", "check"])
def test_an_exception_anywhere_in_the_thread_is_told_and_does_not_end_it(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    memory = opened(tmp_path)
    with monkeypatch.context() as broken:

        def raises(*_: Any) -> None:
            raise ZeroDivisionError("a fault of the program")

        broken.setattr(type(memory.writer._files), call, raises)
        if call != "check":
            memory.add()
        assert memory.told("ZeroDivisionError: a fault of the program")
    memory.add()
    assert memory.over()
    memory.writer.close()
    assert memory.held()[-1] == memory.added - 1
    assert memory.writer.unwritten == (1 if call == "write" else 0)


def test_trouble_with_one_that_is_then_lost_is_over_with_it(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raised: list[Exception] = [OSError(5, "Input/output error"), ValueError("odd")]

    def raises(*_: Any) -> None:
        raise raised.pop(0) if len(raised) > 1 else raised[0]

    memory = opened(tmp_path)
    with monkeypatch.context() as broken:
        broken.setattr(type(memory.writer._files), "write", raises)
        memory.add()
        assert memory.told("Input/output error")
        assert memory.told("ValueError: odd")
    assert memory.told("lacks something; how much is told with what comes next")
    memory.add()
    assert memory.over()


def test_an_exception_that_ends_the_thread_is_told(
    opened: Opened, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ends(*_: Any) -> None:
        raise SystemExit(3)

    memory = opened(tmp_path)
    monkeypatch.setattr(type(memory.writer._files), "write", ends)
    memory.add()
    assert memory.told(f"the {memory.name} is no longer written: its thread ended with SystemExit")
    memory.add()
    memory.writer.close()
    assert memory.writer.unwritten == 2
    assert "no longer written" in (memory.writer.trouble or "")


# Killed


WRITER = """
import sys, time
from pathlib import Path
from fenceguard.recording import write
write.FLUSH_S = 0.05
recorder = write.Recorder(Path(sys.argv[1]))
recorder.start(0.0, {"mode": "run"})
print("begun", flush=True)
for number in range(1, 100_000):
    recorder.arrived(float(number), b"$GNGST,1*00\\r\\n")
    time.sleep(0.002)
"""


def test_a_killed_recorder_loses_only_the_last_moments(tmp_path: Path) -> None:
    """And the next run goes on behind it, in a file of its own."""
    for run in range(3):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        assert process.stdout.readline() == b"begun\n"
        assert eventually(
            lambda: (
                len(recording_files(tmp_path)) == run + 1  # noqa: B023
                and recording_files(tmp_path)[-1].stat().st_size > 500
            ),
            10.0,
        )
        process.kill()
        process.wait()
        process.stdout.close()
    events = list(arrivals(recording_files(tmp_path)))
    runs = [number for number, event in enumerate(events) if isinstance(event, Started)]
    assert len(runs) == 3
    for begin, end in zip(runs, [*runs[1:], len(events)], strict=True):
        run_events: list[Event] = events[begin:end]
        assert isinstance(run_events[-1], Torn)
        times = [event.at_s for event in run_events[:-1]]
        assert times == [float(number) for number in range(len(times))]
        assert len(times) > 20
    assert not any(isinstance(event, Missed | Stopped) for event in events)
