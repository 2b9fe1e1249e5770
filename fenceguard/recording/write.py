"""Keeps what arrived, so that it can be run again to the same decisions, bit for bit."""

import time
import zlib
from pathlib import Path
from typing import Any, NamedTuple

from fenceguard.appending.place import AppendedFile, Gone, Place
from fenceguard.appending.thread import Appender
from fenceguard.recording import events
from fenceguard.recording.names import number_of, recording_files
from fenceguard.recording.sieve import Sieve

LOCK = "recording.lock"
MIB = 1 << 20
GIB = 1 << 30
FLUSH_S = 3.0
"""A power cut costs no more than this; each flush costs a disk a few blocks."""
PROVE_S = 0.5
"""So often the place is looked at between two flushes."""
WAITING = 2_000
"""Events kept while the disk does not take them: a minute and more of what a receiver sends."""
WEAR_FROM_S = 60.0
"""The wear is not told before it has been watched for so long."""


class Recorder:
    """Records one run into a directory, from a thread of its own.

    A new file is begun past `file_mib`. Once there is no space for a full one below `cap_gib`, the
    oldest go, of earlier runs as well. Nothing but `close` ever blocks, and nothing raises. Times
    are in s on one clock that does not go back, and are kept to `events.RESOLUTION_S`. Raises
    BadInput where the directory cannot be used.
    """

    def __init__(self, directory: Path, *, cap_gib: float = 2.0, file_mib: float = 16.0) -> None:
        self.directory = directory
        self._files = _Files(directory, int(cap_gib * GIB), int(file_mib * MIB))
        self._appender = Appender("recording", self._files, WAITING)

    def start(self, at_s: float, header: dict[str, Any]) -> None:
        """The run begins; `header` holds plain values, whatever tells runs apart."""
        self._appender.put(_Start(at_s, header))

    def arrived(self, at_s: float, data: bytes) -> None:
        """Bytes from the receiver."""
        self._appender.put(_Data(at_s, data))

    def inputs(self, at_s: float, held: events.Held) -> None:
        """The inputs changed to this."""
        self._appender.put(_Held(at_s, held))

    def stop(self, at_s: float, reason: str) -> None:
        """The run ends."""
        self._appender.put(_Stop(at_s, reason))

    def close(self) -> None:
        """Write what waits, for at most a few seconds, and let go of the directory."""
        self._appender.close()

    @property
    def trouble(self) -> str | None:
        """What keeps events from the disk just now."""
        return self._appender.trouble

    @property
    def unwritten(self) -> int:
        """Events that are not on the disk: dropped, lost, or still waiting."""
        return self._appender.unwritten

    @property
    def bytes_an_hour(self) -> float | None:
        """What the files grow by; None in the first minute. The file system's own come on top."""
        return self._files.bytes_an_hour


class _Start(NamedTuple):
    at_s: float
    header: dict[str, Any]


class _Data(NamedTuple):
    at_s: float
    data: bytes


class _Held(NamedTuple):
    at_s: float
    held: events.Held


class _Stop(NamedTuple):
    at_s: float
    reason: str


_Item = _Start | _Data | _Held | _Stop


class _Files:
    """The files of one recording.

    Lines wait here for the next flush, and go from here only once they are on the disk.
    """

    def __init__(self, directory: Path, cap_bytes: int, file_bytes: int) -> None:
        self._directory = directory
        self._place = Place(directory, "recording", LOCK)
        files = recording_files(directory)
        self._number = number_of(files[-1]) if files else 0
        self._run = 0
        self._cap_bytes = cap_bytes
        self._file_bytes = file_bytes
        self._sieve = Sieve()
        self._lines: list[str] = []
        self._events = 0
        self._flushed = 0
        self._file: AppendedFile | None = None
        self._packer = zlib.compressobj(wbits=events.GZIP_FORMAT)
        self._gone = False
        self._pruned = True
        self._began_s = time.monotonic()
        self._flush_at_s = self._began_s + FLUSH_S
        self._prove_at_s = self._began_s + PROVE_S
        self._bytes = 0

    @property
    def held(self) -> int:
        return len(self._lines)

    @property
    def bytes_an_hour(self) -> float | None:
        passed_s = time.monotonic() - self._began_s
        return self._bytes / passed_s * 3600.0 if passed_s >= WEAR_FROM_S else None

    def write(self, item: _Item, missed: int) -> None:
        self._flush_if_due()
        lines = [events.missed_line(missed)] if missed else []
        match item:
            case _Data(at_s, data):
                lines.append(events.arrived_line(at_s, self._sieve.sift(data)))
            case _Held(at_s, held):
                lines.append(events.inputs_line(at_s, held))
            case _Start(at_s, header):
                lines.append(events.start_line(at_s, header))
            case _:
                lines.append(events.stop_line(item.at_s, item.reason))
        self._lines.append("".join(lines))
        self._events += missed + 1

    def sync(self) -> None:
        self._flush_if_due()

    def check(self) -> None:
        self._prove()
        self._flush_if_due()

    def finish(self) -> None:
        self._flush()
        if self._file is not None:
            self._end_file(self._file)

    def close(self) -> None:
        self._leave_file()
        self._place.close()

    def _flush_if_due(self) -> None:
        now_s = time.monotonic()
        if now_s >= self._flush_at_s:
            self._flush()
        elif now_s >= self._prove_at_s:
            self._prove()
            self._prove_at_s = now_s + PROVE_S

    def _flush(self) -> None:
        self._prove()
        if self._lines:
            file = self._open()
            begins = file.bytes == 0
            packer = zlib.compressobj(wbits=events.GZIP_FORMAT) if begins else self._packer.copy()
            first = events.head_line(self._head()) if begins else ""
            packed = packer.compress((first + "".join(self._lines)).encode())
            self._append(file, packed + packer.flush(zlib.Z_SYNC_FLUSH))
            self._packer = packer
            self._flushed = self._events
            self._lines.clear()
        if self._file is not None:
            self._file.sync()
        if not self._pruned:
            self._prune()
            self._pruned = True
        self._flush_at_s = time.monotonic() + FLUSH_S

    def _head(self) -> events.Head:
        self._run = self._run or self._number
        return events.Head(self._run, self._flushed)

    def _append(self, file: AppendedFile, packed: bytes) -> None:
        file.append(packed)
        self._bytes += len(packed)

    def _prove(self) -> None:
        """Raise Gone, once, where something is not where it was; make the place anew after that."""
        if self._gone:
            self._place.take()
            self._gone = False
        try:
            self._place.prove()
            if self._file is not None:
                self._file.prove()
        except Gone:
            self._leave_file()
            self._gone = True
            raise

    def _open(self) -> AppendedFile:
        """The file for the next lines."""
        if self._file is not None and self._file.bytes >= self._file_bytes:
            self._end_file(self._file)
        if self._file is None:
            number = self._number + 1
            name = f"{number:06}-{time.strftime('%Y%m%dT%H%M%S', time.gmtime())}.jsonl.gz"
            self._file = AppendedFile(self._directory / name)
            self._number = number
            self._pruned = False
        return self._file

    def _end_file(self, file: AppendedFile) -> None:
        """Have a file end as gzip wants it. Its last line is on the disk before that."""
        self._append(file, self._packer.copy().flush(zlib.Z_FINISH))
        self._leave_file()

    def _leave_file(self) -> None:
        if self._file is not None:
            file, self._file = self._file, None
            file.close()

    def _prune(self) -> None:
        """Remove the oldest files until there is space for a full one; never the newest."""
        older = recording_files(self._directory)[:-1]
        total = sum(file.stat().st_size for file in older) + self._file_bytes
        for file in older:
            if total <= self._cap_bytes:
                break
            total -= file.stat().st_size
            file.unlink()
