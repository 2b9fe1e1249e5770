"""The memory's writing hand: records on disk soon, and never at the cost of the lines."""

import contextlib
import math
import os
import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from fenceguard.appending.place import AppendedFile, Gone, Place, write_whole
from fenceguard.appending.thread import Appender
from fenceguard.journal.files import (
    LONGEST_LINE,
    Part,
    day_files,
    fence_file,
    last_line_at,
    part_of,
)
from fenceguard.journal.read import sealed, tail, whole
from fenceguard.journal.records import Entry, plain
from fenceguard.receiver.epoch import utc_text

LOCK = "writing.lock"
MIB = 1 << 20
WAITING = 10_000
"""Records kept while the disk does not take them; newer ones are dropped and counted."""
LAST_UTC_S = datetime(9999, 12, 31, tzinfo=UTC).timestamp()


class Journal:
    """Appends records to a directory from a thread of its own.

    One file a day in UTC, several where one would grow past `file_mib`. Once they are more than
    `keep_mib` together, the oldest go, and so does one that was followed by the next more than
    `keep_days` ago; the newest never does.

    Opening it mends what a power cut left: a torn last line is set aside (`set_aside` tells the
    file and the bytes), a whole one that lacks its line end gets it. `next_intervention` is one
    more than the greatest number used so far. Raises BadInput where the directory cannot be used.
    """

    def __init__(
        self,
        directory: Path,
        *,
        file_mib: float = 16.0,
        keep_mib: float = 512.0,
        keep_days: float = 400.0,
        host_utc_s: Callable[[], float] = time.time,
    ) -> None:
        self.set_aside: dict[str, Any] | None = None
        self.directory = directory
        place = Place(directory, "journal", LOCK)
        try:
            files = day_files(directory)
            if files:
                files[-1].open("ab").close()
                self.set_aside = _mend(files[-1])
            before = tail(directory)
        except OSError as error:
            place.close()
            raise place.unusable(error) from error
        self.next_intervention = 1 + before.intervention
        limits = _Limits(int(file_mib * MIB), int(keep_mib * MIB), keep_days)
        self._files = _Files(place, limits, before.seq, before.sum, host_utc_s)
        self._appender = Appender("journal", self._files, WAITING)

    def add(self, entry: Entry) -> None:
        """Have an entry written soon. Never blocks, never raises."""
        self._appender.put(entry)

    def keep_fence(self, fence_hash: str, content: bytes) -> None:
        """Have a fence's GeoJSON kept, before the next record. Never blocks, never raises.

        `fence_hash` is that of the content, as in `read.hashed`. A fence that cannot be kept is
        told as trouble and holds up no record.
        """
        self._files.fences[fence_hash] = content

    def close(self) -> None:
        """Write what waits, for at most a few seconds, and let go of the directory."""
        self._appender.close()

    @property
    def trouble(self) -> str | None:
        """What keeps records from the disk just now."""
        return self._appender.trouble

    @property
    def unwritten(self) -> int:
        """Records that are not on the disk: dropped, lost, or still waiting."""
        return self._appender.unwritten


class _Limits(NamedTuple):
    file_bytes: int
    keep_bytes: int
    keep_days: float


class _Files:
    """The files of one journal, and the chain of its records."""

    held = 0

    def __init__(
        self, place: Place, limits: _Limits, seq: int, total: str, host_utc_s: Callable[[], float]
    ) -> None:
        self.fences: dict[str, bytes] = {}
        self._place = place
        self._limits = limits
        self._seq = seq
        self._sum = total
        self._host_utc_s = host_utc_s
        self._file: AppendedFile | None = None
        self._part = Part("", 0)
        self._gone = False
        self._kept: set[str] = set()
        self._pruned = True

    def write(self, item: Entry, missed: int) -> None:
        utc_s = item.utc_s if 0.0 <= item.utc_s <= LAST_UTC_S else 0.0
        record = {
            "seq": self._seq + 1,
            "utc": _full_utc(utc_s),
            "mono_s": round(item.mono_s, 4) if math.isfinite(item.mono_s) else 0.0,
            "kind": item.record.kind,
            **_plain(plain(item.record)),
            **({"dropped": missed} if missed else {}),
            "prev": self._sum,
        }
        line, total = sealed(record)
        if len(line) > LONGEST_LINE:
            raise ValueError(f"a record of {len(line)} bytes")
        self._prove()
        with contextlib.suppress(OSError):
            self._keep_fences()
        self._open_for(record["utc"][:10], len(line)).append(line)
        self._seq, self._sum = record["seq"], total

    def sync(self) -> None:
        if self._file is not None:
            self._file.sync()
        self._keep_fences()
        if not self._pruned:
            self._prune()
            self._pruned = True

    def check(self) -> None:
        self._prove()
        self._keep_fences()

    def finish(self) -> None:
        self._keep_fences()

    def close(self) -> None:
        self._leave_file()
        self._place.close()

    def _prove(self) -> None:
        """Raise Gone, once, where something is not where it was; make the place anew after that."""
        if self._gone:
            self._place.take()
            return
        try:
            self._place.prove()
            if self._file is not None:
                self._file.prove()
        except Gone:
            self._leave_file()
            self._kept.clear()
            self._gone = True
            raise

    def _open_for(self, day: str, line_bytes: int) -> AppendedFile:
        """The file for the next line. A record of an earlier day than the newest stays in order."""
        fits_up_to = self._limits.file_bytes - line_bytes
        if self._file and day <= self._part.day and self._file.bytes <= fits_up_to:
            return self._file
        directory = self._place.directory
        files = day_files(directory)
        newest = (part_of(files[-1]) if files else None) or Part(day, 0)
        part = newest if newest.day >= day else Part(day, 0)
        # What an earlier run left is gone on with, unless it is full.
        left = part.number > 0 and not self._gone
        if not left or (directory / part.name).stat().st_size > fits_up_to:
            part = part._replace(number=part.number + 1)
        self._leave_file()
        self._file = AppendedFile(directory / part.name)
        self._part = part
        self._gone = self._pruned = False
        return self._file

    def _leave_file(self) -> None:
        if self._file is not None:
            file, self._file = self._file, None
            file.close()

    def _keep_fences(self) -> None:
        for fence_hash, content in list(self.fences.items()):
            if fence_hash not in self._kept:
                file = fence_file(self._place.directory, fence_hash)
                if not file.exists() or file.read_bytes() != content:
                    write_whole(file, content)
                self._kept.add(fence_hash)

    def _prune(self) -> None:
        """Remove what is too much or too old, the oldest first. Leaves space for a full file.

        Nothing shall go because a clock is wrong. So a file is as old as the one after it, which
        the records of a start without a date come before; and where record and host do not agree
        on today, it is the earlier one.
        """
        files = day_files(self._place.directory)
        today = min(self._part.day, _full_utc(self._host_utc_s())[:10])
        total = sum(file.stat().st_size for file in files[:-1]) + self._limits.file_bytes
        for file, following in pairwise(files):
            part = part_of(following)
            old = part is not None and part.days_before(today) > self._limits.keep_days
            if total <= self._limits.keep_bytes and not old:
                break
            total -= file.stat().st_size
            file.unlink()
            file.with_suffix(".torn").unlink(missing_ok=True)


def _mend(file: Path) -> dict[str, Any] | None:
    """Have a file end with a whole line; returns what was set aside for that, if anything was.

    Raises OSError.
    """
    begin, end = last_line_at(file), file.stat().st_size
    if begin == end:
        return None
    with file.open("r+b") as mended:
        mended.seek(begin)
        if end - begin <= LONGEST_LINE and whole(mended.read()) is not None:
            mended.write(b"\n")
            aside = None
        else:
            mended.seek(begin)
            aside = file.with_suffix(".torn")
            with aside.open("ab") as kept:
                shutil.copyfileobj(mended, kept)
                kept.write(b"\n")
                kept.flush()
                os.fsync(kept.fileno())
            mended.truncate(begin)
        mended.flush()
        os.fsync(mended.fileno())
    return None if aside is None else {"file": aside.name, "bytes": end - begin}


def _full_utc(utc_s: float) -> str:
    """ISO 8601 with a date, whatever the receiver said."""
    text = utc_text(utc_s)
    if "T" in text:
        return text
    return datetime.fromtimestamp(0, UTC).strftime("%Y-%m-%dT") + text


def _plain(value: Any) -> Any:
    """A value that JSON in UTF-8 can hold: null for what is not a number, text for the unknown."""
    if isinstance(value, dict):
        return {_plain(str(key)): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, int | float):
        return value
    return str(value).encode(errors="backslashreplace").decode()
